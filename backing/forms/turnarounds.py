"""Turnarounds: two bars of chords that lead back to the top, or to the end.

They take the place of the last two bars of a form that goes from the one to the five there.

References: common practice, from memory.
"""

from __future__ import annotations

from fractions import Fraction

from backing.forms.form import Bar
from backing.harmony import parse_degree

__all__ = ["ENDINGS", "TURNAROUNDS", "fits", "names", "read"]

# For major and for minor keys, by name.
TURNAROUNDS: dict[str, dict[str, str]] = {
    "major": {
        "one-five": "I7 | V7",
        "four-between": "I7 IV7 | I7 V7",
        "rising": "I7 I7/3 IV7 #IVdim7 | I7/5 V7",
        "falling": "I7 I7/b7 IV9/6 ivm6/b6 | I7/5 V7",
        "six-two-five": "I7 VI7 | ii7 V7",
        "diminished": "I7 #Idim7 | ii7 V7",
        "minor-four": "I7 I7/3 IV7 ivm6 | I7/5 V7",
        "flat-six": "I7 | bVI9 V7",
        "half-steps": "I7 bIII9 | bVI9 bII9",
    },
    "minor": {
        "one-five": "i7 | V7",
        "four-between": "i7 iv7 | i7 V7",
        "half-diminished": "i7 bVI7 | iim7b5 V7",
        "flat-six": "i7 i7/b7 | bVI7 V7",
        "rising": "i7 i7/b3 iv7 #ivdim7 | i7/5 V7",
        "falling": "i7 i7/b7 im6/6 bVI7 | i7/5 V7",
    },
}

# The same before the last chord of all.
ENDINGS: dict[str, dict[str, str]] = {
    "major": {
        "rising-five": "I7 I7/3 IV7 #IVdim7 | I7/5 V7",
        "rising": "I7 I7/3 IV7 #IVdim7 | I7/5 bII9",
        "four-between": "I7 IV7 | I7 bII9",
        "falling": "I7 I7/b7 IV9/6 ivm6/b6 | I7/5 bII9",
        "minor-four": "I7 I7/3 IV7 ivm6 | I7/5 bII9",
    },
    "minor": {
        "four-between": "i7 iv7 | i7 V7b9",
        "flat-six": "i7 i7/b7 | bVI7 V7b9",
        "falling": "i7 i7/b7 im6/6 bVI7 | i7/5 V7b9",
    },
}


def names() -> tuple[str, ...]:
    """Return the names of all turnarounds, of major keys and of minor ones."""
    return tuple(dict.fromkeys(name for table in TURNAROUNDS.values() for name in table))


def read(text: str) -> tuple[Bar, ...]:
    """Return the bars of a turnaround of the tables above."""
    bars = [[parse_degree(word) for word in bar.split()] for bar in text.split("|")]
    return tuple(
        tuple((Fraction(n, len(bar)), chord) for n, chord in enumerate(bar)) for bar in bars
    )


def fits(bars: tuple[Bar, ...]) -> bool:
    """Tell whether a form of over four bars ends with a bar of the one and one of the five."""
    if len(bars) <= 4:
        return False
    (one,), five = bars[-2][:1], bars[-1][-1:]
    return len(bars[-2]) == 1 and one[1].degree == "1" and five[0][1].degree == "5"
