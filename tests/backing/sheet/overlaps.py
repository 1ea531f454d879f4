"""What of a drawn system overlaps and must not."""

from __future__ import annotations

import re
from itertools import combinations

from backing.sheet.ink import Ink
from backing.sheet.layout import Picture

__all__ = ["clashes"]

# Parts of one note or chord may touch: a head and its stem, a stem and its flag or its tremolo.
NOTE = {"notehead", "stem", "flag", "grace beam"}
ENGRAVED = {
    *NOTE, "accid", "artic", "dots", "beam", "rest", "mRest", "slur", "tie", "tupletNum",
    "tupletBracket", "barLine", "clef", "keySig", "meterSig", "ledgerLines",
}  # fmt: skip
# What may cross what: lines are written on, slides and arcs cross bar lines.
MAY_CROSS = {
    # The staff and the ledger lines are behind whatever is engraved.
    "staff": {"slide", "angle", "bar line", *ENGRAVED},
    "ledgerLines": {"slide", "angle", "notehead", "stem", "flag", "grace beam", "tie", "slur"},
    "stem": {"slide", "beam"},
    "meterSig": {"meterSig"},
    "tie": {"barLine"},
    "tab line": {"bend", "arc", "slide", "bar line", "tab sign", "tab line", "rest", "meter"},
    "bar line": {"arc", "slide", "barLine", "bar line", "hold", "clef"},
    "barLine": {"slide", "angle", "hold"},
    "beam": {"stem", "beam"},
    "ghost": {"ledgerLines", "staff"},
    "bend": {"hold"},
    "hold": {"hold"},
}


def event(one: Ink) -> str:
    """Return the bar and the event of a written head, its stem or its flag."""
    return re.split("[ng]", one.owner)[0]


def may_meet(one: Ink, other: Ink) -> bool:
    if one.kind in NOTE and other.kind in NOTE and event(one) == event(other):
        return True
    if {one.kind, other.kind} == {"notehead", "tie"}:
        tie, head = (one, other) if one.kind == "tie" else (other, one)
        # It begins and ends at heads, and may reach over the other head of a unison.
        return not any(box.meets(head.box) for box in tie.boxes[3:-3])
    if one.owner and one.owner == other.owner and one.kind == other.kind:
        return True
    return other.kind in MAY_CROSS.get(one.kind, ()) or one.kind in MAY_CROSS.get(other.kind, ())


def clashes(picture: Picture) -> list[str]:
    """Return what overlaps and must not."""
    found = []
    for one, other in combinations(picture.inks, 2):
        if one.box.meets(other.box) and not may_meet(one, other) and one.meets(other):
            names = f"{one.kind} {one.owner} / {other.kind} {other.owner}"
            found.append(f"bars {picture.bars}: {names} at {one.box} {other.box}")
    return found
