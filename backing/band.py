"""The band: a groove, bars of chords and a key become notes.

Conventions: a player reads one bar at a time, knowing the next chord; times are seconds from
the start of the section. References: the parts follow common practice, from memory: the bass
plays the root on the change and steps into the next one, comping moves to the nearest voicing.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from backing.events import Note
from backing.grooves import DRUMS, Groove, Pattern
from backing.grooves.groove import APPROACH
from backing.harmony import Chord, lead_voices
from backing.lanes import TOUCHES, Hit
from backing.tempo import Clock
from phrases.pitch import Key, degree_semitones

__all__ = ["BASS_RANGE", "COMP_RANGE", "STICK", "Band", "Bar", "count_in"]

BASS_RANGE = (28, 55)
HIGHEST_ROOT = 43  # an octave above it ends the range
COMP_RANGE = (52, 69)
STICK = 37  # General MIDI 1: side stick

BASS_VELOCITY = 106
COMP_VELOCITY = 84
DRUM_SECONDS = 0.06
SHORTEST = 0.02  # where swing brings two strokes of a lane together
LEGATO = 0.94
STACCATO = 0.28  # of a beat


@dataclass(frozen=True, slots=True)
class Bar:
    """What a player knows about a bar.

    Attributes
    ----------
    chords
        Each with the share of the bar (0 to 1) at which it starts.
    following
        The chord after the bar.
    when
        The kinds of pattern that fit, best first: ``fill``, ``top``, ``end``, ``bar``.
    """

    chords: tuple[tuple[Fraction, Chord], ...]
    following: Chord
    when: tuple[str, ...] = ("bar",)


class Band:
    """Drums, bass and comping that remember what they just played.

    Parameters
    ----------
    groove
        What they read.
    key
        What they read it in.
    seed
        Chooses among patterns and approaches; a part's choices do not depend on another's.
    """

    def __init__(self, groove: Groove, key: Key, seed: object) -> None:
        self.groove = groove
        self.key = key
        self.beats = groove.meter.beats
        self._chance = {
            part: random.Random(f"{seed} {part}") for part in ("drums", "bass", "comp")
        }
        self._line: tuple[Pattern, int] | None = None
        self._bass_pitch = 36
        self._home: int | None = None
        self._walk = 0
        self._voicing: tuple[int, ...] | None = None

    def play(self, bars: Sequence[Bar], clock: Clock) -> list[Note]:
        """Return the notes of consecutive bars, in order of time."""
        notes: list[Note] = []
        for number, bar in enumerate(bars):
            start = Fraction(number * self.beats)
            notes += self._drums(bar, start, clock)
            notes += self._bass(bar, start, clock, bars[number + 1 :])
            notes += self._comp(bar, start, clock)
        notes.sort(key=lambda note: note.start)
        return notes

    def _choose(self, part: str, patterns: Sequence[Pattern], when: Sequence[str]) -> Pattern:
        for word in when:
            fitting = [pattern for pattern in patterns if pattern.when == word]
            if fitting:
                return self._chance[part].choice(fitting)
        return next(pattern for pattern in patterns if pattern.when == "bar")

    def _drums(self, bar: Bar, start: Fraction, clock: Clock) -> list[Note]:
        notes = []
        for name, lane in self._choose("drums", self.groove.drums, bar.when).lanes:
            drum = DRUMS[name]
            for hit in lane.hits:
                if hit.at < self.beats:
                    at = clock.seconds(start + hit.at)
                    velocity = round(drum.velocity * TOUCHES[hit.touch])
                    notes.append(Note("drums", at, at + DRUM_SECONDS, drum.key, velocity))
        return notes

    def _bass(self, bar: Bar, start: Fraction, clock: Clock, ahead: Sequence[Bar]) -> list[Note]:
        hits, carried = self._bass_hits(bar, ahead)
        turns = [(at * self.beats, chord) for at, chord in bar.chords]
        notes = []
        for number, hit in enumerate(hits):
            turn, chord = next(pair for pair in reversed(turns) if pair[0] <= hit.at)
            later = [pair for pair in turns if pair[0] > hit.at]
            change, following = later[0] if later else (Fraction(self.beats), bar.following)
            moving = following.root(self.key) != chord.root(self.key)
            leaves = moving and hit.at >= change - 1 and "end" not in bar.when
            if hit.at == turn and not carried:
                pitch = self._root(chord) + (12 if hit.value == "8" else 0)
            elif leaves or hit.value == APPROACH:
                left = sum(change > other.at >= hit.at for other in hits)
                pitch = self._approach(following, left)
            else:
                value = "1" if hit.value == "R" else chord.member(hit.value)
                pitch = self._root(chord) + degree_semitones(value)
            self._bass_pitch = self._in_range(pitch)
            until = hits[number + 1].at if number + 1 < len(hits) else Fraction(self.beats)
            notes.append(_note("bass", hit, start, until, clock, self._bass_pitch, BASS_VELOCITY))
        return notes

    def _bass_hits(self, bar: Bar, ahead: Sequence[Bar]) -> tuple[tuple[Hit, ...], bool]:
        """Return the bar's strokes, and whether they carry on a line begun in a bar before."""
        if self._line is not None and bar.when == ("bar",) and len(bar.chords) == 1:
            pattern, number = self._line
        else:
            root = bar.chords[-1][1].root(self.key)
            moving = bar.following.root(self.key) != root
            when = ("change", *bar.when) if moving and "end" not in bar.when else bar.when
            fitting = [
                p for p in self.groove.bass if p.bars == 1 or self._stays(bar, ahead, p.bars)
            ]
            pattern, number = self._choose("bass", fitting, when), 0
        self._line = (pattern, number + 1) if number + 1 < pattern.bars else None
        first = number * self.beats
        hits = tuple(
            Hit(hit.at - first, hit.value, hit.touch, hit.short)
            for hit in pattern.lanes[0][1].hits
            if first <= hit.at < first + self.beats
        )
        return hits, number > 0

    def _stays(self, bar: Bar, ahead: Sequence[Bar], bars: int) -> bool:
        """Tell whether one chord lasts for a number of bars from here."""
        stretch = [bar, *ahead[: bars - 1]]
        chords = {chord for one in stretch for _, chord in one.chords}
        return len(stretch) == bars and len(chords) == 1

    def _root(self, chord: Chord) -> int:
        """Return the root the hand is at or moves to: of two octaves the nearer one."""
        root = chord.root(self.key)
        if self._home is None or self._home % 12 != root:
            lowest = BASS_RANGE[0] + (root - BASS_RANGE[0]) % 12
            octaves = [p for p in (lowest, lowest + 12) if p <= HIGHEST_ROOT]
            self._home = min(octaves, key=lambda pitch: abs(pitch - self._bass_pitch))
        return self._home

    def _approach(self, chord: Chord, left: int) -> int:
        """Return the next of `left` notes that lead to a root: the last is beside it.

        A single one is a half or a whole step away, near where the hand is; several walk to it
        by half steps from one side.
        """
        root = self._root(chord)
        if left > 1 or self._walk:
            if not self._walk:
                below = self._bass_pitch <= root and root - left >= BASS_RANGE[0]
                self._walk = -1 if below else 1
            pitch = root + self._walk * left
            self._walk = self._walk if left > 1 else 0
            return pitch
        steps = [root + step for step in (-2, -1, 1, 2) if root + step >= BASS_RANGE[0]]
        steps = [pitch for pitch in steps if pitch != self._bass_pitch]
        self._chance["bass"].shuffle(steps)
        return min(steps, key=lambda pitch: abs(pitch - self._bass_pitch))

    @staticmethod
    def _in_range(pitch: int) -> int:
        low, high = BASS_RANGE
        while pitch > high:
            pitch -= 12
        while pitch < low:
            pitch += 12
        return pitch

    def _comp(self, bar: Bar, start: Fraction, clock: Clock) -> list[Note]:
        lane = self._choose("comp", self.groove.comp, bar.when).lanes[0][1]
        hits = [hit for hit in lane.hits if hit.at < self.beats]
        turns = [(at * self.beats, chord) for at, chord in bar.chords]
        notes = []
        sounding: Chord | None = None
        for number, hit in enumerate(hits):
            chord = next(chord for at, chord in reversed(turns) if at <= hit.at)
            if chord != sounding:
                low, high = COMP_RANGE
                self._voicing = lead_voices(
                    self._voicing, chord.root(self.key), chord.quality, low, high
                )
                sounding = chord
            assert self._voicing is not None
            until = hits[number + 1].at if number + 1 < len(hits) else Fraction(self.beats)
            notes += [
                _note("comp", hit, start, until, clock, pitch, COMP_VELOCITY)
                for pitch in self._voicing
            ]
        return notes


def _note(
    voice: str, hit: Hit, start: Fraction, until: Fraction, clock: Clock, pitch: int, loud: int
) -> Note:
    at = clock.seconds(start + hit.at)
    length = (clock.seconds(start + until) - at) * LEGATO
    if hit.short:
        length = min(length, STACCATO * float(clock.exact(1)))
    velocity = round(loud * (0.4 + 0.6 * TOUCHES[hit.touch]))
    return Note(voice, at, at + max(length, SHORTEST), pitch, velocity)


def count_in(bars: int, beats: int, seconds: Callable[[Fraction], float]) -> list[Note]:
    """Return the sticks of a count-in: every beat, the first of a bar a little louder."""
    notes = []
    for beat in range(bars * beats):
        at = seconds(Fraction(beat))
        velocity = 100 if beat % beats == 0 else 84
        notes.append(Note("drums", at, at + DRUM_SECONDS, STICK, velocity))
    return notes
