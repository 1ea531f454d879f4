"""The bassist: the root on the change, and a line that points at the next one."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from backing.band.reading import ENERGY, Bar, Player, shortened
from backing.events import Note
from backing.grooves import Pattern
from backing.grooves.groove import APPROACH
from backing.harmony import Chord
from backing.lanes import Hit
from backing.tempo import Clock
from phrases.pitch import degree_semitones

__all__ = ["BASS_RANGE", "Bassist"]

BASS_RANGE = (28, 55)
HIGHEST_ROOT = 43  # an octave above it ends the range
VELOCITY = 106


class Bassist(Player):
    """Remembers the line it is in and where its hand is."""

    def __init__(self, *reads: Any) -> None:
        super().__init__("bass", *reads)
        self._line: tuple[Pattern, int] | None = None
        self._pitch = 36
        self._home: int | None = None
        self._walk = 0
        self._led = False  # the note before led here

    def play(self, bar: Bar, start: Fraction, clock: Clock, ahead: Sequence[Bar]) -> list[Note]:
        """Return the notes of a bar that starts at a beat, knowing the bars after it."""
        hits, carried = self._hits(bar, ahead)
        turns = bar.turns(self.beats)
        notes: list[Note] = []
        for number, hit in enumerate(hits):
            turn, chord = next(pair for pair in reversed(turns) if pair[0] <= hit.at)
            later = [pair for pair in turns if pair[0] > hit.at]
            change, following = later[0] if later else (Fraction(self.beats), bar.following)
            moving = following.lowest(self.key) != chord.lowest(self.key)
            leaves = moving and hit.at >= change - 1 and "end" not in bar.when
            if hit.at == turn and not (carried and hit.at == 0):
                up = hit.value == "8" and not chord.bass and not self._led
                pitch = self._root(chord) + (12 if up else 0)
            elif leaves or hit.value == APPROACH:
                left = sum(change > other.at >= hit.at for other in hits)
                pitch = self._approach(following, left)
            else:
                value = "1" if hit.value == "R" else chord.member(hit.value)
                under = (chord.lowest(self.key) - chord.root(self.key)) % 12
                pitch = self._root(chord) - under + degree_semitones(value)
            self._led = leaves or hit.value == APPROACH
            self._pitch = self._in_range(pitch)
            until = hits[number + 1].at if number + 1 < len(hits) else Fraction(self.beats)
            loud = VELOCITY * ENERGY[bar.chorus]
            notes += self.pitched(hit, start, until, clock, (self._pitch,), loud)
        return shortened(notes)

    def _hits(self, bar: Bar, ahead: Sequence[Bar]) -> tuple[tuple[Hit, ...], bool]:
        """Return the bar's strokes, and whether they carry on a line begun in a bar before."""
        root = bar.chords[-1][1].lowest(self.key)
        moving = bar.following.lowest(self.key) != root and "end" not in bar.when
        stopped = bar.when[0] == "stop"
        plain = [word for word in bar.when if word != "under"] == ["bar"]
        if self._line is not None and plain and len(bar.chords) == 1:
            pattern, number = self._line
        else:
            when = ("change", *bar.when) if moving and not stopped else bar.when
            fitting = [
                p for p in self.groove.bass if p.bars == 1 or self._stays(bar, ahead, p.bars)
            ]
            pattern, number = self.choose(fitting, when, bar.chorus), 0
        self._line = (pattern, number + 1) if number + 1 < pattern.bars else None
        first = number * self.beats
        hits = [
            Hit(hit.at - first, hit.value, hit.touch, hit.short)
            for hit in pattern.lanes[0][1].hits
            if first <= hit.at < first + self.beats
        ]
        given = {hit.at for hit in hits}
        hits += [Hit(at, "R") for at, _ in bar.turns(self.beats) if at not in given and at > 0]
        if moving and not any(hit.at >= self.beats - 1 for hit in hits):
            hits.append(Hit(Fraction(self.beats - 1), APPROACH))
        return tuple(sorted(hits, key=lambda hit: hit.at)), number > 0

    def _stays(self, bar: Bar, ahead: Sequence[Bar], bars: int) -> bool:
        """Tell whether one chord lasts for a number of bars from here."""
        stretch = [bar, *ahead[: bars - 1]]
        chords = {chord for one in stretch for _, chord in one.chords}
        return len(stretch) == bars and len(chords) == 1

    def _root(self, chord: Chord) -> int:
        """Return what the hand is at or moves to on a change: of two octaves the nearer one."""
        root = chord.lowest(self.key)
        if self._home is None or self._home % 12 != root:
            lowest = BASS_RANGE[0] + (root - BASS_RANGE[0]) % 12
            octaves = [p for p in (lowest, lowest + 12) if p <= HIGHEST_ROOT]
            self._home = min(octaves, key=lambda pitch: abs(pitch - self._pitch))
        return self._home

    def _approach(self, chord: Chord, left: int) -> int:
        """Return the next of `left` notes that lead to a root: the last is beside it.

        A single one is a half or a whole step away, near where the hand is; several walk to it
        by half steps from one side.
        """
        root = self._root(chord)
        if left > 1 or self._walk:
            if not self._walk:
                below = self._pitch <= root and root - left >= BASS_RANGE[0]
                self._walk = -1 if below else 1
            pitch = root + self._walk * left
            self._walk = self._walk if left > 1 else 0
            return pitch
        steps = [root + step for step in (-2, -1, 1, 2) if root + step >= BASS_RANGE[0]]
        steps = [pitch for pitch in steps if pitch != self._pitch]
        self.chance.shuffle(steps)
        return min(steps, key=lambda pitch: abs(pitch - self._pitch))

    @staticmethod
    def _in_range(pitch: int) -> int:
        low, high = BASS_RANGE
        while pitch > high:
            pitch -= 12
        while pitch < low:
            pitch += 12
        return pitch
