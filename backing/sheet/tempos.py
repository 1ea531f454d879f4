"""The practice plan: the tempos to practise a phrase at."""

from __future__ import annotations

from fractions import Fraction

from backing.practice import usual_start
from backing.tempo import step_tempos

__all__ = ["CLEAN", "practice_tempos"]

CLEAN = 4  # passes without a mistake before the next tempo
STEP = Fraction(10)  # beats a minute from row to row of the plan


def practice_tempos(tempo: Fraction) -> list[Fraction]:
    """Return the tempos to practise at, up to a phrase's own; none that is all but that."""
    tempos = list(step_tempos(usual_start(tempo, STEP), tempo, STEP))
    if len(tempos) > 2 and tempos[-1] - tempos[-2] < STEP / 3:
        del tempos[-2]
    return tempos
