"""The sizes a film may have, and where on the picture each thing stands.

Conventions: places are pixels of the smallest picture of a shape, from its upper left corner; a
picture twice as large has all of it twice as large. A twentieth of the width and of the height on
each side stays free of words (EBU R 95 asks for 3.5 % and 5 %, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["RATES", "SIZES", "Area", "Shape", "shape"]

RATES = (25, 30, 50, 60)  # pictures a second


class Area(NamedTuple):
    """A rectangle; all four are even, as colour has half the places of light."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Shape:
    """How a picture is divided."""

    width: int  # and `height`: of the picture
    height: int
    scale: int  # pixels to one of the smallest picture
    places: dict[str, Area]  # where things stand, by name; ``music`` is the panel with the system
    letters: int  # size of usual words, an em
    line: float  # how long a system is, in staff spaces
    staves: str = "both"  # one of `backing.sheet.layout.STAVES`
    # What is covered where the rest is transparent; a tip's place is as long as there is one.
    grounds: tuple[Area, ...] = ()


WIDE = {
    "chord": Area(96, 54, 420, 104),
    "next": Area(96, 158, 440, 48),
    "turn": Area(96, 206, 440, 60),
    "neck": Area(548, 54, 844, 212),
    "bar": Area(1412, 54, 412, 50),
    "beats": Area(1412, 104, 412, 70),
    "tempo": Area(1412, 174, 412, 94),
    "music": Area(96, 274, 1728, 634),
    "tip": Area(96, 912, 1728, 114),
}
TALL = {
    "chord": Area(54, 96, 500, 154),
    "next": Area(54, 250, 500, 62),
    "turn": Area(54, 318, 972, 74),
    "bar": Area(560, 96, 466, 62),
    "beats": Area(560, 158, 466, 96),
    "tempo": Area(560, 254, 466, 62),
    "music": Area(54, 400, 972, 866),
    "tip": Area(54, 1270, 972, 270),
    "neck": Area(54, 1544, 972, 280),
}
WIDE_STRIP = {
    "tip": Area(96, 372, 1728, 104),
    "chord": Area(112, 476, 190, 88),
    "next": Area(302, 476, 430, 88),
    "turn": Area(732, 476, 420, 88),
    "beats": Area(1172, 476, 260, 88),
    "tempo": Area(1452, 476, 356, 88),
    "music": Area(96, 564, 1728, 462),
}
TALL_STRIP = {
    "tip": Area(54, 544, 972, 276),
    "chord": Area(70, 830, 280, 100),
    "next": Area(350, 830, 660, 100),
    "turn": Area(70, 936, 540, 90),
    "beats": Area(630, 936, 380, 90),
    "tempo": Area(70, 1030, 940, 64),
    "music": Area(54, 1100, 972, 724),
}
SIZES = ("1920x1080", "3840x2160", "1080x1920")


def shape(size: str, *, strip: bool = False) -> Shape:
    """Return the shape of a picture of one of `SIZES`; a strip leaves the upper half free."""
    width, height = map(int, size.split("x"))
    if width < height:
        grounds = (Area(54, 820, 972, 1004),) if strip else ()
        places = TALL_STRIP if strip else TALL
        return Shape(width, height, 1, places, 50, 28.4, "tab", grounds)
    grounds = (Area(96, 476, 1728, 550),) if strip else ()
    places, staves = (WIDE_STRIP, "tab") if strip else (WIDE, "both")
    return Shape(width, height, width // 1920, places, 42, 64.0, staves, grounds)
