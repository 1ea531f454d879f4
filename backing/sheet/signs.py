"""Accidentals, dots and the numbers of tuplets that keep clear of what is around them.

Conventions: as in `backing.sheet.staff`.
"""

from __future__ import annotations

from backing.sheet.ink import cleared
from backing.sheet.staff import System

__all__ = ["moved_clear"]

CLEAR = 0.08
STEP, FURTHEST = 0.1, 1.6
STAFF = 4.0  # height of the staff
AROUND = ("beam", "stem", "notehead", "accid", "flag", "rest", "artic", "ledgerLines")
OBSTACLES = ("ledgerLines", "notehead", "accid", "flag", "dots", "stem")


def moved_clear(system: System) -> None:
    """Move accidentals left, dots right, tuplets' numbers up or down, in place, out of the way."""
    places = [n for n, one in enumerate(system.inks) if one.kind == "accid"]
    for place in sorted(places, key=lambda n: -system.inks[n].box.left):
        sign = system.inks[place]
        near = [
            one
            for n, one in enumerate(system.inks)
            if n != place and one.kind in OBSTACLES and one.box.left < sign.box.right + 1.0
            and sign.box.left - FURTHEST - 0.2 < one.box.right
        ]  # fmt: skip
        if any(sign.meets(one) for one in near):
            system.inks[place] = cleared(sign, near, (-STEP, 0.0), FURTHEST, CLEAR) or sign
    _dots(system)
    for place, number in enumerate(system.inks):
        if number.kind == "tupletNum":
            near = [one for one in system.inks if one.kind in AROUND and one is not number]
            step = -STEP if number.box.top + number.box.bottom < STAFF else STEP
            system.inks[place] = cleared(number, near, (0.0, step), FURTHEST, CLEAR) or number


def _dots(system: System) -> None:
    """Move all dots of a chord to the right, out of its flag."""
    dots = [one for one in system.inks if one.kind == "dots"]
    others = [one for one in system.inks if one.kind in ("flag", "notehead")]
    far = dict.fromkeys((one.owner for one in dots), 0.0)
    for one in dots:
        near = [other for other in others if other.meets(one)]
        far[one.owner] = max([far[one.owner], *(o.box.right + 0.15 - one.box.left for o in near)])
    system.inks[:] = [
        one.moved(far[one.owner], 0.0) if one.kind == "dots" and far[one.owner] else one
        for one in system.inks
    ]
