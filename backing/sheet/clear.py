"""Collisions on a staff, and the notes before which more room would clear them.

Conventions: as in `backing.sheet.staff`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from backing.sheet.ink import Ink

__all__ = ["Pair", "event", "in_the_way", "late"]

Pair = tuple[Ink, Ink]
# What keeps clear of what; the staff's own lines are behind everything.
APART = {
    "notehead": {"notehead", "stem", "flag", "dots", "rest", "barLine", "meterSig", "tupletNum"},
    "accid": {
        "notehead", "stem", "flag", "dots", "rest", "barLine", "meterSig", "accid", "ledgerLines",
        "beam", "slur", "tie", "artic", "keySig",
    },
    "flag": {"stem", "flag", "dots", "rest", "beam", "barLine"},
    "grace beam": {
        "notehead", "stem", "flag", "grace beam", "accid", "dots", "rest", "beam", "barLine",
        "slur", "tie", "artic", "ghost", "slide",
    },
    "beam": {"slur", "tupletNum", "artic", "rest", "dots"},
    "slide": {
        "notehead", "accid", "flag", "dots", "rest", "ghost", "artic", "fret", "bend", "arc",
        "tie", "slide", "slur", "clef", "keySig", "meterSig",
    },
    "ghost": {"notehead", "accid", "ghost", "dots", "flag", "rest", "stem", "barLine", "beam"},
    "fret": {"fret", "bend", "arc", "bar line"},
    "bend": {"bend", "arc", "bar line", "bend size"},
    "stroke": {"stroke"},
    "finger": {"finger"},
    "rest": {"stem", "dots", "barLine"},
    "tie": {"notehead", "flag", "stem", "dots", "artic", "tie"},
    "stem": {"tupletNum", "artic"},
    "ledgerLines": {"ledgerLines"},
    "keySig": {"notehead", "stem", "flag"},
}  # fmt: skip
NOTE = {"notehead", "stem", "flag", "grace beam"}


def event(one: Ink) -> str:
    """Return the bar and the event of a head or of what belongs to it."""
    return re.split("[ng]", one.owner.lstrip("s"))[0]


def in_the_way(inks: Sequence[Ink]) -> Iterator[Pair]:
    """Yield the pairs that overlap though they must keep clear, the left one first."""
    near: list[tuple[Ink, float]] = []
    known = set(APART) | {kind for kinds in APART.values() for kind in kinds}
    boxed = [(one, one.box) for one in inks if one.kind in known]
    for one, box in sorted(boxed, key=lambda pair: pair[1].left):
        near = [pair for pair in near if pair[1] > box.left]
        for other, _ in near:
            if _apart(one, other) and one.meets(other):
                yield other, one
        near.append((one, box.right))


def _apart(one: Ink, other: Ink) -> bool:
    if other.kind not in APART.get(one.kind, ()) and one.kind not in APART.get(other.kind, ()):
        return False
    if one.kind in NOTE and other.kind in NOTE:
        return event(one) != event(other)
    return not (one.owner and one.owner == other.owner and one.kind == other.kind)


def late(pair: Pair, xs: Sequence[float], spots: Mapping[str, int]) -> int:
    """Return before which column there is too little room for a pair.

    `xs` are the middles of the columns of the system in order, `spots` the number of the column of
    each written head by its id. The number after the last means the end of the last bar.
    """
    found = [place for one in pair if (place := _place(one, spots)) is not None]
    if len(found) == 2 and found[0] != found[1]:
        return max(found)
    left = max(one.box.left for one in pair)
    if found:
        middles = [(one.box.left + one.box.right) / 2 for one in pair]
        return found[0] + (max(middles) > xs[found[0]] + 0.6)
    return next((n for n, x in enumerate(xs) if x > left), len(xs))


def _place(one: Ink, spots: Mapping[str, int]) -> int | None:
    names = one.owner.lstrip("s").split(" ")
    known = [spots[name] for name in names if name in spots]
    if known:
        # A slide or a tie that reaches a head comes from the one before.
        return known[0]
    starts = event(one) + "n"
    return next((n for name, n in spots.items() if name.startswith(starts)), None)
