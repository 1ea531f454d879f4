"""How the pitch of one picked note moves until the string is damped or picked again.

Conventions: times are seconds from the pick, pitch is in cents above the picked pitch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

__all__ = ["Curve", "Glide", "Sway"]


@dataclass(frozen=True, slots=True)
class Glide:
    """A move of the pitch to `cents`, from `start`, lasting `seconds` (0 is a step).

    It eases in and out as half a cosine, as a pushing hand does.
    """

    start: float
    seconds: float
    cents: float


@dataclass(frozen=True, slots=True)
class Sway:
    """Vibrato from `start` to `end`.

    Attributes
    ----------
    hertz
        Rate.
    cents
        Width; positive goes up and back, negative down and back.
    """

    start: float
    end: float
    hertz: float
    cents: float


@dataclass(frozen=True, slots=True)
class Curve:
    """The pitch under one pick: a first value, glides in order, and vibratos over them."""

    first: float = 0.0
    glides: tuple[Glide, ...] = ()
    sways: tuple[Sway, ...] = ()

    def at(self, seconds: float) -> float:
        """Return the pitch in cents above the picked one at a time."""
        cents = self.first
        for glide in self.glides:
            if seconds < glide.start:
                break
            if seconds >= glide.start + glide.seconds:
                cents = glide.cents
            else:
                part = (seconds - glide.start) / glide.seconds
                cents += (glide.cents - cents) * (1 - math.cos(math.pi * part)) / 2
        for sway in self.sways:
            if sway.start <= seconds < sway.end:
                turn = math.tau * sway.hertz * (seconds - sway.start)
                cents += sway.cents * (1 - math.cos(turn)) / 2
        return cents

    @lru_cache(maxsize=4096)  # noqa: B019  the same curve returns in every chorus and pass
    def points(self, step: float = 0.001, change: float = 0.9) -> list[tuple[float, float]]:
        """Return the curve as (seconds, cents), each held until the next.

        Parameters
        ----------
        step
            The finest spacing in seconds.
        change
            The smallest difference in cents that makes a new point.
        """
        spans = [(g.start, g.start + g.seconds) for g in self.glides]
        spans += [(sway.start, sway.end) for sway in self.sways]
        ends = {0.0, *(end for _, end in spans)}  # what is at rest is exact
        times = set(ends)
        for start, end in spans:
            count = math.ceil((end - start) / step - 1e-9)
            times.update(start + number * step for number in range(count))
        points = []
        last = math.inf
        for seconds in sorted(times):
            cents = self.at(seconds)
            if abs(cents - last) >= change or (seconds in ends and cents != last):
                points.append((seconds, cents))
                last = cents
        return points
