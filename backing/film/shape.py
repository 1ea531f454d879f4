"""The sizes a film may have, and where on the picture each thing stands.

Conventions: places are pixels of the smallest picture of a shape, from its upper left corner; a
picture twice as large has all of it twice as large. A twentieth of the width and of the height on
each side stays free of words (EBU R 95 asks for 3.5 % and 5 %, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["RATES", "SIZES", "Place", "Shape", "shape"]

RATES = (25, 30, 50, 60)  # pictures a second


class Place(NamedTuple):
    """A rectangle; all four are even, as colour has half the places of light."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Shape:
    """How a picture is divided.

    Attributes
    ----------
    width, height
        Of the picture.
    scale
        Pixels to one of the smallest picture.
    places
        Where things stand, by name; ``music`` is the panel with the system.
    letters
        Size of usual words, an em.
    line
        How long a system is, in staff spaces.
    staves
        One of `backing.sheet.layout.STAVES`.
    grounds
        What is covered where the rest is transparent; a tip's place is as long as there is one.
    """

    width: int
    height: int
    scale: int
    places: dict[str, Place]
    letters: int
    line: float
    staves: str = "both"
    grounds: tuple[Place, ...] = ()


WIDE = {
    "chord": Place(96, 54, 420, 104),
    "next": Place(96, 158, 440, 48),
    "turn": Place(96, 206, 440, 60),
    "neck": Place(548, 54, 844, 212),
    "bar": Place(1412, 54, 412, 50),
    "beats": Place(1412, 104, 412, 70),
    "tempo": Place(1412, 174, 412, 94),
    "music": Place(96, 274, 1728, 634),
    "tip": Place(96, 912, 1728, 114),
}
TALL = {
    "chord": Place(54, 96, 500, 154),
    "next": Place(54, 250, 500, 62),
    "turn": Place(54, 318, 972, 74),
    "bar": Place(560, 96, 466, 62),
    "beats": Place(560, 158, 466, 96),
    "tempo": Place(560, 254, 466, 62),
    "music": Place(54, 400, 972, 866),
    "tip": Place(54, 1270, 972, 270),
    "neck": Place(54, 1544, 972, 280),
}
WIDE_STRIP = {
    "tip": Place(96, 372, 1728, 104),
    "chord": Place(112, 476, 190, 88),
    "next": Place(302, 476, 430, 88),
    "turn": Place(732, 476, 420, 88),
    "beats": Place(1152, 476, 300, 88),
    "tempo": Place(1452, 476, 356, 88),
    "music": Place(96, 564, 1728, 462),
}
TALL_STRIP = {
    "tip": Place(54, 544, 972, 276),
    "chord": Place(70, 830, 280, 100),
    "next": Place(350, 830, 660, 100),
    "turn": Place(70, 936, 540, 90),
    "beats": Place(610, 936, 400, 90),
    "tempo": Place(70, 1030, 940, 64),
    "music": Place(54, 1100, 972, 724),
}
SIZES = ("1920x1080", "3840x2160", "1080x1920")


def shape(size: str, *, strip: bool = False) -> Shape:
    """Return the shape of a picture of one of `SIZES`; a strip leaves the upper half free."""
    width, height = map(int, size.split("x"))
    if width < height:
        grounds = (Place(54, 820, 972, 1004),) if strip else ()
        places = TALL_STRIP if strip else TALL
        return Shape(width, height, 1, places, 50, 28.4, "tab", grounds)
    grounds = (Place(96, 476, 1728, 550),) if strip else ()
    places, staves = (WIDE_STRIP, "tab") if strip else (WIDE, "both")
    return Shape(width, height, width // 1920, places, 42, 64.0, staves, grounds)
