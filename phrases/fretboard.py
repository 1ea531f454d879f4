"""The neck: strings, frets and the pitches they sound.

Conventions: strings are named as players name them, ``E A D G B e`` from low to high, however they
are tuned; ``e`` is the high one. Fret 0 is the open string. Tunings are common practice.
"""

from __future__ import annotations

import re

from phrases.errors import ChoiceError, RangeError
from phrases.pitch import pitch_class
from phrases.words import likely, short

__all__ = ["LAST_FRET", "STANDARD", "STRINGS", "TUNINGS", "fret_pitch", "parse_tuning"]

STRINGS = ("E", "A", "D", "G", "B", "e")
STANDARD: dict[str, int] = {"E": 40, "A": 45, "D": 50, "G": 55, "B": 59, "e": 64}
LAST_FRET = 24
# What other tunings are called, with the open strings from the low one to the high one.
TUNINGS: dict[str, str] = {
    "standard": "E A D G B E",
    "half step down": "Eb Ab Db Gb Bb Eb",
    "whole step down": "D G C F A D",
    "drop D": "D A D G B E",
    "open D": "D A D F# A D",
    "open D minor": "D A D F A D",
    "open E": "E B E G# B E",
    "open G": "D G D G B D",
    "open A": "E A E A C# E",
}

_NAME = re.compile("[A-G][#b]?")


def fret_pitch(string: str, fret: int) -> int:
    """Return the MIDI pitch of a string at a fret in standard tuning.

    Raises `RangeError` if the neck has no such fret (0 to 24).
    """
    if not 0 <= fret <= LAST_FRET:
        raise RangeError(f"fret {fret}: the neck has frets 0 to {LAST_FRET}")
    return STANDARD[string] + fret


def parse_tuning(text: str) -> dict[str, int]:
    """Return by how many semitones each string is above its usual pitch, -6 to 5.

    The text is a key of `TUNINGS`, or six note names from the low string to the high one. Raises
    `ChoiceError` if it is neither, with the nearest name.
    """
    names = TUNINGS.get(text, text).split()
    if len(names) != len(STRINGS) or not all(map(_NAME.fullmatch, names)):
        raise ChoiceError(
            f'"{short(text)}" is neither a tuning\'s name nor six open strings, as D A D G A D; '
            + likely(text, TUNINGS)
        )
    return {
        string: (pitch_class(name) - STANDARD[string] + 6) % 12 - 6
        for string, name in zip(STRINGS, names, strict=True)
    }
