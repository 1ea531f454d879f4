"""The neck: strings, frets and the pitches they sound.

Conventions: strings are named as players name them, ``E A D G B e`` from low to high; ``e`` is
the high one. Fret 0 is the open string. Standard tuning is common practice.
"""

from __future__ import annotations

from phrases.errors import RangeError

__all__ = ["LAST_FRET", "STANDARD", "STRINGS", "fret_pitch"]

STRINGS = ("E", "A", "D", "G", "B", "e")
STANDARD: dict[str, int] = {"E": 40, "A": 45, "D": 50, "G": 55, "B": 59, "e": 64}
LAST_FRET = 24


def fret_pitch(string: str, fret: int) -> int:
    """Return the MIDI pitch of a string at a fret in standard tuning.

    Raises
    ------
    RangeError
        If the neck has no such fret (0 to 24).
    """
    if not 0 <= fret <= LAST_FRET:
        raise RangeError(f"fret {fret}: the neck has frets 0 to {LAST_FRET}")
    return STANDARD[string] + fret
