"""Beats to seconds: tempo and swing, in the one place where they meet.

Conventions: tempo counts felt beats a minute and is exact; a section of music has one tempo.
Seconds of whole bars are exact fractions, so an hour of passes does not drift.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from phrases.counting import auto_swing, swung
from phrases.files import check_tempo

__all__ = ["Clock", "microseconds", "step_tempos", "swing_for"]


@dataclass(frozen=True)
class Clock:
    """The time of one section: a constant tempo and a swing ratio.

    Attributes
    ----------
    tempo
        Felt beats a minute.
    swing
        Long part to short part of the beat, 1 for straight.
    """

    tempo: Fraction
    swing: float

    def exact(self, beats: Fraction | int) -> Fraction:
        """Return the length in seconds of a number of beats, exactly and unswung."""
        return Fraction(beats) * 60 / self.tempo

    def seconds(self, position: Fraction) -> float:
        """Return when a position in beats sounds, in seconds from beat 0, swung."""
        return swung(position, self.swing) * 60.0 / float(self.tempo)


def swing_for(asked: Fraction | None, tempo: Fraction, cap: Fraction | float) -> float:
    """Return the ratio to play: the one asked for, or the one players take at this tempo."""
    return float(asked) if asked is not None else auto_swing(float(tempo), cap)


def microseconds(tempo: Fraction, quarters: Fraction) -> Fraction:
    """Return the exact microseconds a quarter note lasts (the SMF set-tempo unit).

    Parameters
    ----------
    tempo
        Felt beats a minute.
    quarters
        Quarter notes in a felt beat.
    """
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
