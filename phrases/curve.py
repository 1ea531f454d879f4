"""How the pitch of one picked note moves until the string is damped or picked again.

Conventions: times are seconds from the pick, pitch is in cents above the picked pitch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

__all__ = ["Curve", "Glide", "Sway"]

_JUST = 1e-9  # seconds before a jump


@dataclass(frozen=True, slots=True)
class Glide:
    """A move of the pitch to `cents`, from `start`, lasting `seconds` (0 is a step).

    It eases in and out as half a cosine, as a pushing hand does. `kind` is what the hand does:
    ``bend``, which is also a release, ``hammer``, ``pull``, or ``slide`` to the next fret.
    """

    start: float
    seconds: float
    cents: float
    kind: str = "bend"


@dataclass(frozen=True, slots=True)
class Sway:
    """Vibrato from `start` to `end`."""

    start: float
    end: float
    hertz: float  # rate
    cents: float  # width; positive goes up and back, negative down and back
    grow: float = 0.0  # seconds in which it grows from nothing to its width


@dataclass(frozen=True, slots=True)
class Curve:
    """The pitch under one pick: a first value, glides in order, and vibratos over them."""

    first: float = 0.0
    glides: tuple[Glide, ...] = ()
    sways: tuple[Sway, ...] = ()

    def at(self, seconds: float) -> float:
        """Return the pitch in cents above the picked one at a time."""
        cents = self._glided(seconds)
        for sway in self.sways:
            if sway.start <= seconds < sway.end:
                since = seconds - sway.start
                wide = sway.cents * (min(1.0, since / sway.grow) if sway.grow else 1.0)
                cents += wide * (1 - math.cos(math.tau * sway.hertz * since)) / 2
        return cents

    def _glided(self, seconds: float) -> float:
        """Return the pitch at a time without vibrato."""
        cents = self.first
        for glide in self.glides:
            if seconds < glide.start:
                break
            if seconds >= glide.start + glide.seconds:
                cents = glide.cents
            else:
                part = (seconds - glide.start) / glide.seconds
                cents += (glide.cents - cents) * (1 - math.cos(math.pi * part)) / 2
        return cents

    @lru_cache(maxsize=4096)  # noqa: B019  the same curve returns in every chorus and pass
    def points(self, change: float = 1.2) -> list[tuple[float, float]]:
        """Return the curve as (seconds, cents), each held until the next.

        Each value is the middle of what the pitch passes through while it is held, so it is off by
        half of `change` at most, or by all of it where vibrato lies over a glide. What is at rest
        is exact. `change` is by how many cents a glide or a vibrato moves from one point to the
        next at most.
        """
        points: list[tuple[float, float]] = []
        times = sorted(self._times(change))
        for start, end in pairwise([*times, times[-1] + 1.0]):
            cents = (self.at(start) + self.at(max(start, end - _JUST))) / 2
            if not points or cents != points[-1][1]:
                points.append((start, cents))
        return points

    def _times(self, change: float) -> set[float]:
        """Return when the pitch starts or stops to move, or has moved by `change`."""
        times = {0.0}
        for glide in self.glides:
            distance = glide.cents - self._glided(glide.start - _JUST)
            times.update(glide.start + at for at in _eased(glide.seconds, distance, change))
        for sway in self.sways:
            half = 0.5 / sway.hertz
            turning = _eased(half, sway.cents, change)
            for turn in range(math.ceil((sway.end - sway.start) / half)):
                begin = sway.start + turn * half
                times.update(begin + at for at in turning if begin + at < sway.end)
            times.add(sway.end)
        return times


def _eased(seconds: float, cents: float, change: float) -> list[float]:
    """Return when half a cosine of some seconds has moved by each `change`, both ends included."""
    if not seconds:
        return [0.0]
    count = max(1, math.ceil(abs(cents) / change))
    return [seconds * (math.acos(1 - 2 * n / count) / math.pi) for n in range(count + 1)]
