"""Beats to seconds: tempo and swing, in the one place where they meet.

Conventions: tempo counts felt beats a minute and is exact; within a section it is constant or
changes in steps at beats. Seconds of whole beats are exact fractions, so an hour of passes does
not drift.

References: the final slow-down follows Friberg & Sundberg 1999, J. Acoust. Soc. Am. 105(3),
1469-1484 (from memory): speed falls as a runner's does who comes to a stop.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from phrases.counting import auto_swing, swings
from phrases.files import check_tempo

__all__ = ["Clock", "Steps", "clock_time", "microseconds", "slowing", "step_tempos", "swing_for"]


def clock_time(seconds: float, decimals: int = 0) -> str:
    """Return a time, 0 or more, as a clock shows it: ``1:05``, ``1:02:05`` or ``1:05.3``."""
    minutes, rest = divmod(round(float(seconds), decimals), 60)
    hours, minutes = divmod(int(minutes), 60)
    shown = f"{rest:0{decimals + 3 if decimals else 2}.{decimals}f}"
    return f"{hours}:{minutes:02d}:{shown}" if hours else f"{minutes}:{shown}"


# A tempo from a beat on, counted from the start of the section.
Steps = tuple[tuple[Fraction, Fraction], ...]


@dataclass(frozen=True)
class Clock:
    """The time of one section: its tempo and a swing ratio."""

    tempo: Fraction  # felt beats a minute at its start
    swing: float  # long part to short part of the beat, 1 for straight
    steps: Steps = ()  # later tempos, in order, each with the beat from which it holds

    def exact(self, beats: Fraction | int) -> Fraction:
        """Return the seconds from the start of the section to a beat, exactly and unswung."""
        since, second, tempo = Fraction(0), Fraction(0), self.tempo
        for beat, later in self.steps:
            if beat >= beats:
                break
            second += (beat - since) * 60 / tempo
            since, tempo = beat, later
        return second + (beats - since) * 60 / tempo

    def seconds(self, position: Fraction, since: int = 0) -> float:
        """Return when a position in beats after beat `since` sounds, swung.

        Seconds count from beat 0.
        """
        plain, long = swings(position.numerator, position.denominator)
        place = since + plain + long * self._long
        if not self.steps:
            return place * 60.0 / self._speed
        return float(self.exact(Fraction(place)))

    @cached_property
    def _long(self) -> float:
        return self.swing / (self.swing + 1.0)

    @cached_property
    def _speed(self) -> float:
        return float(self.tempo)


def slowing(tempo: Fraction, beats: int, left: float = 0.6, curve: float = 3.0) -> Clock:
    """Return a straight clock that slows down over a number of beats.

    Each of the beats has a tempo of its own; `left` is what is left of the tempo at the end, 0 to
    1, `curve` the exponent q of ``v(x) = (1 + (left**q - 1) * x) ** (1 / q)``, where x goes from 0
    to 1 (Friberg & Sundberg 1999; 3 is the one listeners liked).
    """
    tempos = []
    for beat in range(beats):
        share = (beat + 0.5) / beats
        speed = (1 + (left**curve - 1) * share) ** (1 / curve)
        tempos.append(Fraction(round(float(tempo) * speed * 100), 100))
    steps = tuple((Fraction(beat), later) for beat, later in enumerate(tempos) if beat)
    return Clock(tempos[0], 1.0, steps)


def swing_for(asked: Fraction | None, tempo: Fraction, cap: Fraction | float) -> float:
    """Return the ratio to play: the one asked for, or the one players take at this tempo."""
    return float(asked) if asked is not None else auto_swing(float(tempo), cap)


def microseconds(tempo: Fraction, quarters: Fraction) -> Fraction:
    """Return the exact microseconds of a quarter (SMF's set-tempo), so many in a felt beat."""
    return Fraction(60_000_000) / (tempo * quarters)


def step_tempos(start: Fraction, goal: Fraction, step: Fraction) -> list[Fraction]:
    """Return the tempos from `start` to `goal`, both included, up or down by `step`.

    The last step is shorter where the distance is no multiple of `step`.
    """
    start, goal, step = check_tempo(start), check_tempo(goal), abs(step)
    way = 1 if goal > start else -1
    tempos = [start]
    while step and abs(goal - tempos[-1]) > step:
        tempos.append(tempos[-1] + way * step)
    return tempos if tempos[-1] == goal else [*tempos, goal]
