"""Seconds to counts: which beat, and which part of it, everything that is played falls on.

Conventions: beats are unswung and count from the first bar that is known. A beat is divided as
all in it fits best, with the groove's own swing, so that nothing is guessed of that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np

from backing.events import Stream
from backing.grooves import Groove
from backing.listening.moves import Hand, Turn
from backing.listening.plucks import Pluck
from backing.listening.written import Segment
from backing.tempo import Clock
from phrases.counting import swung
from phrases.techniques import SLIDES

__all__ = ["Counted", "Grid", "bars_of", "guessed_bars", "kept"]

EARLY = 0.1  # of a beat before it that still belongs to it
SPREAD = 0.03  # seconds, a player's standard deviation
MOST_LATE = 0.08  # seconds that all of a take may be late
AT_ONCE = 0.13  # seconds after a pick or a move within which a move follows at once
ARRIVES = 0.14  # seconds in which a slide from nowhere arrives
RINGS = Fraction(3, 10)  # of a beat before the next note that no rest is written for
FAR = 2.5  # standard deviations from its count at which a note is uncertain
# How a beat is divided, and what that costs: what is seldom must fit much better.
DIVISIONS: dict[str, tuple[tuple[int, float], ...]] = {
    "4/4": ((2, 0.0), (3, 1.0), (4, 1.5), (6, 5.0)),
    "12/8": ((3, 0.0), (6, 1.5), (2, 4.0), (4, 6.0)),
}


@dataclass(slots=True)
class Counted:
    """One pick: what is heard, what the hand does, and the beats of it all."""

    pluck: Pluck
    hand: Hand
    at: Fraction = Fraction(0)
    end: Fraction = Fraction(0)
    moves: list[tuple[Turn, Fraction | None]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    into: str = ""
    second: float = 0.0  # that is counted: of the pick, or of where a slide from nowhere arrives


def bars_of(stream: Stream, segments: Sequence[Segment]) -> list[float]:
    """Return the seconds of a take at which the bars of a stream began as it was played."""
    beats = stream.meter.beats
    out: list[float] = []
    for segment in segments:
        section = stream.sections[segment.section]
        clock = Clock(section.tempo, 1.0, section.steps)
        for bar in range(int(section.beats) // beats):
            second = float(clock.exact(bar * beats))
            at = segment.at + (second - segment.offset) / segment.pace
            if second >= segment.offset - 1e-6 and at < segment.until:
                out.append(at)
    return sorted(out)


class Grid:
    """Seconds to counts."""

    def __init__(
        self, tempo: Fraction, groove: Groove, ratio: float, bars: Sequence[float]
    ) -> None:
        self.beat = 60 / float(tempo)
        self.beats = groove.meter.beats
        self.ratio = ratio
        self.bars = np.asarray(bars, float)
        self.divisions = DIVISIONS[str(groove.meter)]
        self.late = 0.0
        self.chosen: dict[int, int] = {}

    def place(self, second: float) -> float:
        """Return the beat of a second, as if nothing swung."""
        second -= self.late
        bar = max(0, int(np.searchsorted(self.bars, second + EARLY * self.beat, "right")) - 1)
        length = np.diff(self.bars[bar : bar + 2])
        beat = float(length[0]) / self.beats if len(length) else self.beat
        if beat > 1.5 * self.beat:  # it was stopped there
            beat = self.beat
        return bar * self.beats + (second - float(self.bars[bar])) / beat

    def sounds(self, at: Fraction, division: int) -> float:
        """Return where in its beat a place sounds; in a beat of thirds nothing swings."""
        return float(at) if division % 3 == 0 else swung(at, self.ratio)

    def count(self, played: Sequence[Counted]) -> None:
        """Give every pick and every move its count."""
        for one in played:
            self._arrive(one)
        for _ in range(2):
            self._divide(played)
            off = [(self.place(one.second) - self._exact(one.at)) * self.beat for one in played]
            more = float(np.median(off))
            self.late = max(-MOST_LATE, min(MOST_LATE, self.late + more))
        for number, one in enumerate(played):
            far = abs(self.place(one.second) - self._exact(one.at)) * self.beat
            if far > FAR * SPREAD:
                one.doubts.append("between two counts")
            following = played[number + 1] if number + 1 < len(played) else None
            self._end(one, following)

    def _arrive(self, one: Counted) -> None:
        """Count a note that slides in from nowhere where it arrives."""
        slide = next(iter(one.hand.turns), None)
        if slide is None or slide.sign not in SLIDES or slide.cents == 0:
            return
        frets, takes = abs(slide.cents - one.hand.pitch) / 100, slide.stop - one.pluck.at
        early, there = self._away(one.pluck.at), self._away(slide.stop)
        if (frets >= 2 and takes < ARRIVES and there + 0.02 < early) or (
            frets >= 3 and takes < ARRIVES and self._on_beat(slide.stop)
        ):
            one.into, one.second = slide.sign, slide.stop
            one.hand.pitch = slide.cents
            one.hand.turns.pop(0)

    def _on_beat(self, second: float) -> bool:
        place = self.place(second)
        return abs(place - round(place)) * self.beat < SPREAD

    def _away(self, second: float) -> float:
        """Return how far a second is from the nearest half or third of a beat, in seconds."""
        within = self.place(second) % 1
        places = [self.sounds(Fraction(n, d), d) for d, _ in self.divisions[:2] for n in range(d)]
        return min(abs(within - at) for at in [*places, 1.0]) * self.beat

    def _exact(self, at: Fraction) -> float:
        beat = math.floor(at)
        return beat + self.sounds(at - beat, self.chosen.get(beat, 2))

    def _divide(self, played: Sequence[Counted]) -> None:
        """Choose for each beat how it is divided, from all that is counted in it."""
        beats: dict[int, list[tuple[float, Counted, Turn | None]]] = {}
        for one in played:
            one.moves = []
            counted = [(one.second, None), *_counted(one)]
            for second, turn in counted:
                place = self.place(second)
                beat = math.floor(place + EARLY)
                beats.setdefault(beat, []).append((place - beat, one, turn))
        for beat, events in beats.items():
            _, division, places = min(
                (self._fit([at for at, _, _ in events], n, extra) for n, extra in self.divisions),
                key=lambda row: row[0],
            )
            self.chosen[beat] = division
            for within, (_, one, turn) in zip(places, events, strict=True):
                if turn is None:
                    one.at = beat + within
                else:
                    one.moves.append((turn, beat + within))
        for one in played:
            counts = {id(turn): at for turn, at in one.moves}
            one.moves = [(turn, counts.get(id(turn))) for turn in one.hand.turns]

    def _fit(
        self, found: Sequence[float], division: int, extra: float
    ) -> tuple[float, int, list[Fraction]]:
        """Return how badly places within a beat fit a division, and the counts they get."""
        grid = [Fraction(n, division) for n in range(division)]
        where = [self.sounds(at, division) for at in grid]
        cost, places = extra, []
        for at in found:
            nearest = min(range(division), key=lambda n: abs(where[n] - at))
            cost += ((where[nearest] - at) * self.beat / SPREAD) ** 2
            cost += 20.0 * (grid[nearest] in places)
            places.append(grid[nearest])
        return cost, division, places

    def _end(self, one: Counted, following: Counted | None) -> None:
        """Give a note its end: a rest where the string is stopped well before the next one."""
        place = self.place(one.pluck.end)
        beat = math.floor(place)
        division = self.chosen.get(beat, self.divisions[0][0])
        grid = [*(Fraction(n, division) for n in range(division)), Fraction(1)]
        end = beat + min(grid, key=lambda at: abs(self.sounds(at, division) - (place - beat)))
        least = max([one.at, *(at for _, at in one.moves if at is not None)])
        if end <= least:
            end = least + Fraction(1, division)
        if following is not None and end > following.at - RINGS:
            end = following.at
        one.end = end


def _counted(one: Counted) -> list[tuple[float, Turn]]:
    """Return the moves that stand on a count of their own, with the second that is counted."""
    out = []
    last = one.pluck.at
    for turn in one.hand.turns:
        shakes = turn.sign in ("~", "~~", "tr")
        slides = turn.sign in SLIDES
        if turn.start - last > AT_ONCE and not shakes and not (slides and not turn.cents):
            out.append((turn.stop if slides else turn.start, turn))
        if not shakes:
            last = turn.stop
    return out


def guessed_bars(
    found: Sequence[Pluck], tempo: Fraction, groove: Groove, ratio: float
) -> list[float]:
    """Return where bars may begin: the beat that fits best, and the bar that long notes begin."""
    beat, beats = 60 / float(tempo), groove.meter.beats
    at = np.array([one.at for one in found])
    third = str(groove.meter) == "12/8"
    inside = [(0.0, 1.0), (ratio / (1 + ratio), 0.5), (1 / 3, 0.4 if third else 0.1)]
    inside += [(2 / 3, 0.5 if third else 0.1)]
    phases = np.arange(0, beat, 0.004)
    fits = []
    for phase in phases:
        within = ((at - phase) / beat) % 1.0
        near = np.zeros(len(at))
        for place, weight in inside:
            away = np.abs((within - place + 0.5) % 1.0 - 0.5) * beat
            near = np.maximum(near, weight * np.exp(-0.5 * (away / SPREAD) ** 2))
        fits.append(near.sum())
    first = float(phases[int(np.argmax(fits))])
    lengths = np.diff(np.append(at, found[-1].end)).clip(0, 2 * beat)
    places = np.round((at - first) / beat, 1)
    strong = [float((lengths * (np.abs((places - n) % beats) < 0.15)).sum()) for n in range(beats)]
    start = first + beat * int(np.argmax(strong))
    bar = beat * beats
    start -= bar * math.ceil((start - at[0] + EARLY * beat) / bar + 1e-9)
    count = math.ceil((found[-1].end - start) / bar) + 1
    return [start + bar * n for n in range(count)]


def kept(played: Sequence[Counted]) -> list[Counted]:
    """Keep one pick on each count, of two the longer."""
    out: list[Counted] = []
    for one in sorted(played, key=lambda row: (row.at, row.pluck.at)):
        if out and out[-1].at >= one.at:
            if one.pluck.end - one.pluck.at > out[-1].pluck.end - out[-1].pluck.at:
                one.doubts.append("two picks on one count")
                out[-1] = one
            else:
                out[-1].doubts.append("two picks on one count")
        else:
            out.append(one)
    for one, after in pairwise(out):
        one.end = min(one.end, after.at)
    return out
