"""Feel: how far a player is from the grid, and how evenly he strikes.

Conventions: offsets are seconds after the written time. Each player has a usual place (the hat
hand a little ahead, the snare a little behind, the bass on top) and wanders about it.

References: wandering is long-range correlated, as people's is (Hennig et al. 2011, PLoS ONE
6(10) e26457), made here as a sum of slower and slower steps (the Voss-McCartney way to 1/f
noise, from memory). Asynchronies stay under 19 ms, the hat hand leads and backbeats are the most
precise (Hofmann, Wesolowski & Goebl 2017, J. New Music Research 46(4), 329-341); nobody is far
ahead, since late is liked better than early (Fruhauf, Kopiez & Platz 2013, Musicae Scientiae). A
loose band strays by 4 ms and more, which is heard; 2 ms are not (Friberg & Sundberg 1995).
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator

__all__ = ["EARLIEST", "LATEST", "LOOSENESS", "PLAYERS", "USUAL", "Feel"]

# Seconds: the usual place, and the standard deviation about it; then that of the touch.
PLAYERS: dict[str, tuple[float, float, float]] = {
    "cymbal": (-0.0030, 0.0023, 0.035),
    "snare": (0.0035, 0.0018, 0.025),
    "foot": (0.0, 0.0023, 0.03),
    "bass": (-0.0010, 0.0024, 0.03),
    "comp": (0.0040, 0.0028, 0.035),
}
EARLIEST, LATEST = -0.0084, 0.0094  # together under 19 ms, whatever the looseness

LOOSENS = 1.8  # the power by which a player's wandering grows with looseness; his place does not
USUAL = 1.0
LOOSENESS = (0.0, 2.0)
ROWS = 9  # the slowest row steps every 256 strokes


def _drift(chance: random.Random) -> Iterator[float]:
    """Yield noise of 1/f spectrum and unit variance, a value at each stroke."""
    rows = [chance.gauss(0.0, 1.0) for _ in range(ROWS)]
    whole, scale = sum(rows), 1 / math.sqrt(ROWS)
    for count in itertools.count(1):
        row = min(ROWS - 1, (count & -count).bit_length() - 1)
        new = chance.gauss(0.0, 1.0)
        whole += new - rows[row]
        rows[row] = new
        yield whole * scale


def _strokes(player: str, seed: object, amount: float) -> Iterator[tuple[float, float]]:
    """Yield a player's strokes, as `Feel.stroke` returns them."""
    place, spread, touch = PLAYERS[player]
    place, spread, touch = place * min(1.0, amount), amount**LOOSENS * spread, amount * touch
    early, late = (_drift(random.Random(f"{seed} {player} {what}")) for what in ("time", "touch"))
    for time, hand in zip(early, late, strict=True):
        offset, loud = place + spread * time, 1.0 + touch * hand
        yield max(EARLIEST, min(LATEST, offset)), max(0.7, min(1.3, loud))


class Feel:
    """The places and the touch of a band.

    The same seed wanders the same way; an `amount` of 0 is a machine, 1 a tight band, 2 a loose
    one.
    """

    def __init__(self, seed: object, amount: float = USUAL) -> None:
        self._players = {name: _strokes(name, seed, amount) for name in PLAYERS}

    def stroke(self, player: str) -> tuple[float, float]:
        """Return for a player's next stroke its offset in seconds and the factor of its loudness.

        The offset lies from `EARLIEST` to `LATEST`.
        """
        return next(self._players[player])
