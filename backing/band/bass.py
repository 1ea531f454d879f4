"""The bassist: the root on the change, and a line that points at the next one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import Any

from backing.band.plan import loudness
from backing.band.reading import Bar, Player
from backing.events import Note
from backing.grooves import Pattern
from backing.grooves.groove import APPROACH
from backing.harmony import Chord
from backing.lanes import Hit, in_order
from backing.tempo import Clock
from phrases.pitch import degree_semitones

__all__ = ["BASS_RANGE", "Bassist"]

BASS_RANGE = (28, 55)
HIGHEST_ROOT = 43  # an octave above it ends the range
HIGH = 40  # from here up a riff is high
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
        self._riff_comes = False

    def play(
        self,
        bar: Bar,
        start: int,
        clock: Clock,
        ahead: Sequence[Bar],
        kicks: Sequence[Hit] = (),
    ) -> tuple[list[Note], set[float]]:
        """Return the notes of a bar that starts at a beat, and which of some kicks they meet.

        The bars after it are known. A kick off the beat that the line does not meet is met by
        the note before it, struck again, or not at all.
        """
        hits, carried = self._hits(bar, ahead)
        hits, met = self._joined(bar, hits, kicks, clock)
        notes: list[Note] = []
        for hit, pitch in self._pitches(bar, hits, ahead, carried=carried):
            self._pitch = pitch
            later = len(notes) + 1
            until = hits[later].at if later < len(hits) else Fraction(self.beats)
            loud = VELOCITY * loudness(bar.strength)
            loud *= SKIP if hit.off and (not hit.touch or hit.value == AGAIN) else 1.0
            notes += self.pitched(hit, start, until, clock, (pitch,), loud)
        return notes, met

    def _pitches(
        self, bar: Bar, hits: Sequence[Hit], ahead: Sequence[Bar], *, carried: bool
    ) -> Iterator[tuple[Hit, int]]:
        """Yield the strokes of a bar, each with its pitch; `carried` is a line that goes on."""
        run, shared, first = self._run(bar), len(bar.chords) > 1, self._pitch
        self._riff_comes = any(one.line for one in ahead[:4])
        turns = [(float(at * self.beats), chord) for at, chord in bar.chords]
        for number, (turn, chord) in enumerate(turns):
            later = turns[number + 1 :]
            change, following = later[0] if later else (float(self.beats), bar.following)
            here = [hit for hit in hits if turn <= hit.beat < change]
            near = [hit for hit in here if hit.beat >= change - 1 and hit.value != AGAIN]
            moving = following.lowest(self.key) != chord.lowest(self.key)
            moving = moving and "end" not in bar.when and bar.line is None
            left = len(near)
            for hit in here:
                late = hit.beat >= change - 1
                if hit.value == AGAIN and late and not near:  # it leads on itself
                    hit = replace(hit, value=APPROACH)
                leaves = moving and late and (left <= 1 or not shared)
                if bar.line is not None and hit.value != AGAIN:
                    pitch = self._begins(bar) if not number else self._root(chord)
                    pitch += self._above(chord, hit.value)
                elif hit.value == AGAIN or (run and hit.beat > turn):  # the chords are the line
                    pitch, leaves = self._pitch, False
                elif hit.beat == turn and not (carried and hit.beat == 0):
                    up = hit.value == "8" and not chord.bass and not self._led and not run
                    if run and number:
                        self._home = first + run[number - 1]
                    pitch = self._root(chord, () if number or self._led else run)
                    pitch += 12 if up and pitch <= self._pitch else 0
                    first = first if number else pitch
                elif leaves or (hit.value == APPROACH and not shared):
                    goes = ahead and not later
                    root = self._begins(ahead[0]) if goes else self._root(following)
                    pitch = self._approach(chord, root, max(left, 1), shared=shared)
                else:
                    under = (chord.lowest(self.key) - chord.root(self.key)) % 12
                    pitch = self._root(chord) - under + self._above(chord, hit.value)
                left -= hit in near
                self._led = leaves or (self._led and hit.value == AGAIN)
                yield hit, pitch if bar.line else self._reached(pitch)
        if run:
            self._home = first + run[-1]

    def _begins(self, bar: Bar) -> int:
        """Return the root that a bar begins on, with room for the line that leaves from there."""
        chord = bar.chords[0][1]
        if bar.line is None:
            return self._root(chord, self._run(bar))
        steps = [self._above(chord, hit.value) for hit in bar.line.lanes[0][1].hits]
        return self._root(chord, steps, whole=True)

    @staticmethod
    def _above(chord: Chord, value: str) -> int:
        """Return how far what is written lies above the root of a chord."""
        return 0 if value in ("R", APPROACH, AGAIN) else degree_semitones(chord.member(value))

    def _joined(
        self, bar: Bar, hits: tuple[Hit, ...], kicks: Sequence[Hit], clock: Clock
    ) -> tuple[tuple[Hit, ...], set[float]]:
        """Return the strokes with those that meet a kick, and the kicks that are met."""
        met, more = set(), []
        places = [clock.seconds(hit.at) for hit in hits]
        for kick in kicks:
            second = clock.seconds(kick.at)
            agreed = kick.at in bar.hits or (bar.push and kick.beat >= self.beats - 1)
            if any(abs(place - second) < MEETS for place in places):
                met.add(kick.beat)
            elif agreed or self.chance.random() < JOINS:
                more.append(Hit(kick.at, AGAIN, "accent" if agreed else ""))
                met.add(kick.beat)
        return in_order([*hits, *more]), met

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
            Hit(hit.at - first, hit.value, hit.touch, hit.short) if first else hit
            for hit in pattern.lanes[0][1].hits
            if first <= hit.beat < first + self.beats
        ]
        turns = bar.turns(self.beats)[1:]
        given = {hit.at for hit in hits} if turns else ()
        hits += [Hit(at, "R") for at, _ in turns if at not in given]
        if moving and not any(hit.beat >= self.beats - 1 for hit in hits):
            hits.append(Hit(Fraction(self.beats - 1), APPROACH))
        return in_order(hits), number > 0

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

    def _root(self, chord: Chord, run: Sequence[int] = (), *, whole: bool = False) -> int:
        """Return the root's pitch on a change of chord, in the octave nearest to the hand.

        A line that leaves from there has room below, and above where it can; a `whole` one is a
        shape that stays as it is, low on the neck. The tonic of E is the open string.
        """
        root, (low, high) = chord.lowest(self.key), BASS_RANGE
        under, over = min(run, default=0), max(run, default=0)
        most = high - over if whole else HIGHEST_ROOT - over
        here = self._home is not None and self._home % 12 == root
        # Where no note leads in, the hand may go down before a riff.
        here = here and (self._led or not self._riff_comes or (self._home or 0) <= HIGH)
        if self._home is None or not here or (run and not (whole and self._home <= most)):
            lowest = low + (root - low) % 12
            octaves = [p for p in range(lowest, high, 12) if p + under >= low]
            near = [p for p in octaves if abs(p - self._pitch) <= REACH] or octaves
            octaves = [p for p in (octaves if whole else near) if p <= most] or near[:1]
            # The tonic is the lowest string, or a riff is to come.
            is_low = self.key.pitch_class == low % 12 or self._riff_comes

            weight = 1 if whole else 10  # a riff may begin again farther off, rather than high

            def cost(pitch: int) -> int:
                leap = abs(pitch - self._pitch)
                if whole or is_low:
                    return weight * max(0, leap - REACH) + max(0, pitch - HIGH * whole)
                return leap

            self._home = min(octaves, key=cost)
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
        if shared and self.key.pitch_class != BASS_RANGE[0] % 12:
            roots += [p for p in (root - 12, root + 12) if BASS_RANGE[0] <= p <= HIGHEST_ROOT]
        pairs = [(r + step, r) for r in roots for step in (-2, -1, 1, 2)]
        pairs = [pair for pair in pairs if pair[0] in range(BASS_RANGE[0], BASS_RANGE[1] + 1)]
        self.chance.shuffle(pairs)
        sounds = now.pitch_classes(self.key)

        def cost(pair: tuple[int, int]) -> tuple[bool, bool, int]:
            again, foreign = pair[0] == self._pitch, pair[0] % 12 not in sounds
            first, second = (foreign, again) if shared else (again, foreign)
            return first, second, abs(pair[0] - self._pitch)

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
