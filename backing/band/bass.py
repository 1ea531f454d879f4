"""The bassist: the root on the change, and a line that points at the next one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import Any

from backing.band.plan import loudness
from backing.band.reading import Bar, Player, shortened
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
REACH = 12  # semitones to a root that is led to
VELOCITY = 106
SKIP = 0.85  # what is left of a stroke off the beat that the groove does not accent
JOINS = 0.6  # of the kicks off the beat that the line does not meet, met all the same
MEETS = 0.012  # seconds
AGAIN = "again"


class Bassist(Player):
    """Remembers the line it is in and where its hand is."""

    def __init__(self, *reads: Any) -> None:
        super().__init__("bass", *reads)
        self._line: tuple[Pattern, int] | None = None
        self._pitch = 36
        self._home: int | None = None
        self._walk = 0
        self._led = False  # the note before led here

    def play(
        self,
        bar: Bar,
        start: Fraction,
        clock: Clock,
        ahead: Sequence[Bar],
        kicks: Sequence[Fraction] = (),
    ) -> tuple[list[Note], set[Fraction]]:
        """Return the notes of a bar that starts at a beat, and which of some kicks they meet.

        The bars after it are known. A kick off the beat that the line does not meet is met by
        the note before it, struck again, or not at all.
        """
        hits, carried = self._hits(bar, ahead)
        hits, met = self._joined(bar, hits, kicks, start, clock)
        turns = bar.turns(self.beats)
        run, shared = self._run(bar), len(bar.chords) > 1
        notes: list[Note] = []
        first = self._pitch
        for number, hit in enumerate(hits):
            turn, chord = next(pair for pair in reversed(turns) if pair[0] <= hit.at)
            later = [pair for pair in turns if pair[0] > hit.at]
            change, following = later[0] if later else (Fraction(self.beats), bar.following)
            moving = following.lowest(self.key) != chord.lowest(self.key)
            near = [one for one in hits if change - 1 <= one.at < change and one.value != AGAIN]
            if hit.value == AGAIN and hit.at >= change - 1 and not near:  # it leads on itself
                hit = replace(hit, value=APPROACH)
            left = sum(other.at >= hit.at for other in near) or 1
            leaves = moving and hit.at >= change - 1 and "end" not in bar.when and not bar.line
            leaves = leaves and (left == 1 or not shared)
            if hit.value == AGAIN or (run and hit.at > turn):  # the chords are the line
                pitch, leaves = self._pitch, False
            elif hit.at == turn and not (carried and hit.at == 0):
                up = hit.value == "8" and not chord.bass and not self._led and not run
                if run and hit.at > 0:
                    self._home = first + run[int(hit.at) - 1]
                pitch = self._root(chord, () if hit.at or self._led else run)
                up = up and pitch <= self._pitch
                pitch += 12 if up or (bar.line is not None and hit.value == "8") else 0
                first = pitch if hit.at == 0 else first
            elif leaves or (hit.value == APPROACH and not shared):
                root = self._root(following, () if later or not ahead else self._run(ahead[0]))
                pitch = self._approach(chord, root, left, shared=shared)
            else:
                value = "1" if hit.value in ("R", APPROACH) else chord.member(hit.value)
                under = (chord.lowest(self.key) - chord.root(self.key)) % 12
                pitch = self._root(chord) - under + degree_semitones(value)
            self._led = leaves or (self._led and hit.value == AGAIN)
            self._pitch = self._reached(pitch)
            until = hits[number + 1].at if number + 1 < len(hits) else Fraction(self.beats)
            loud = VELOCITY * loudness(bar.strength)
            if hit.at.denominator > 1 and not hit.touch:
                loud *= SKIP
            notes += self.pitched(hit, start, until, clock, (self._pitch,), loud)
        if run:
            self._home = first + run[-1]
        return shortened(notes), met

    def _joined(
        self,
        bar: Bar,
        hits: tuple[Hit, ...],
        kicks: Sequence[Fraction],
        start: Fraction,
        clock: Clock,
    ) -> tuple[tuple[Hit, ...], set[Fraction]]:
        """Return the strokes with those that meet a kick, and the kicks that are met."""
        met, more = set(), []
        for kick in kicks:
            second = clock.seconds(start + kick)
            agreed = kick in bar.hits or (bar.push and kick >= self.beats - 1)
            if any(abs(clock.seconds(start + hit.at) - second) < MEETS for hit in hits):
                met.add(kick)
            elif agreed or self.chance.random() < JOINS:
                more.append(Hit(kick, AGAIN, "accent" if agreed else ""))
                met.add(kick)
        return tuple(sorted([*hits, *more], key=lambda hit: hit.at)), met

    def _hits(self, bar: Bar, ahead: Sequence[Bar]) -> tuple[tuple[Hit, ...], bool]:
        """Return the bar's strokes, and whether they carry on a line begun in a bar before."""
        root = bar.chords[-1][1].lowest(self.key)
        moving = bar.following.lowest(self.key) != root and "end" not in bar.when
        stopped = bar.when[0] == "stop"
        plain = [word for word in bar.when if word != "under"] == ["bar"]
        if bar.line is not None:
            pattern, number, moving = bar.line, 0, False
        elif self._line is not None and plain and len(bar.chords) == 1:
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
        here = [bar, *ahead[: bars - 1]]
        chords = {chord for one in here for _, chord in one.chords}
        return len(here) == bars and len(chords) == 1

    def _run(self, bar: Bar) -> tuple[int, ...]:
        """Return how far from its first note a bar of a chord a beat leads the bass, else ().

        Each step is the shorter way, so that a line that falls or rises goes on doing so.
        """
        if len(bar.chords) < self.beats:
            return ()
        lowest = [chord.lowest(self.key) for _, chord in bar.chords]
        steps = [
            (b - a + 6) % 12 - 6 for a, b in pairwise((*lowest, bar.following.lowest(self.key)))
        ]
        return tuple(accumulate(steps))

    def _root(self, chord: Chord, run: Sequence[int] = ()) -> int:
        """Return the root's pitch on a change of chord, in the octave nearest to the hand.

        A line that leaves from there has room below, and above where it can.
        """
        root = chord.lowest(self.key)
        if self._home is None or self._home % 12 != root or run:
            lowest = BASS_RANGE[0] + (root - BASS_RANGE[0]) % 12
            under, over = min(run, default=0), max(run, default=0)
            octaves = [p for p in range(lowest, BASS_RANGE[1], 12) if p + under >= BASS_RANGE[0]]
            near = [p for p in octaves if abs(p - self._pitch) <= REACH] or octaves
            octaves = [p for p in near if p + over <= HIGHEST_ROOT] or near[:1]
            self._home = min(octaves, key=lambda pitch: abs(pitch - self._pitch))
        return self._home

    def _approach(self, now: Chord, root: int, left: int, *, shared: bool) -> int:
        """Return the next of `left` notes that lead to a root: the last is beside it.

        A single one is a half or a whole step away, a new note, of the chord that sounds if it
        can be, and near where the hand is; where chords share a bar the chord comes first.
        Several walk to it by half steps from one side.
        """
        if left > 1 or self._walk:
            if not self._walk:
                sides = (-1, 1) if root - left >= BASS_RANGE[0] else (1,)
                self._walk = min(sides, key=lambda side: abs(root + side * left - self._pitch))
            pitch = root + self._walk * left
            self._walk = self._walk if left > 1 else 0
            return max(pitch, self._pitch - 12)
        roots = [root]
        if shared:
            roots += [p for p in (root - 12, root + 12) if BASS_RANGE[0] <= p <= HIGHEST_ROOT]
        pairs = [(r + step, r) for r in roots for step in (-2, -1, 1, 2)]
        pairs = [pair for pair in pairs if pair[0] in range(BASS_RANGE[0], BASS_RANGE[1] + 1)]
        self.chance.shuffle(pairs)
        sounds = now.pitch_classes(self.key)

        def cost(pair: tuple[int, int]) -> tuple[bool, bool, bool, int]:
            again, foreign = pair[0] == self._pitch, pair[0] % 12 not in sounds
            first, second = (foreign, again) if shared else (again, foreign)
            leap = abs(pair[0] - self._pitch)
            return leap > 12, first, second, leap

        pitch, self._home = min(pairs, key=cost)
        return pitch

    def _reached(self, pitch: int) -> int:
        """Return a pitch in the octave that the hand reaches from where it is."""
        low, high = BASS_RANGE
        while pitch > high:
            pitch -= 12
        while pitch < low:
            pitch += 12
        octaves = (pitch, pitch - 12, pitch + 12)
        return next((p for p in octaves if low <= p <= high and abs(p - self._pitch) <= 12), pitch)
