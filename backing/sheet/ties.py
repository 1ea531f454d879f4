"""Ties and slurs on the notation staff: each takes the way on which it crosses least.

Conventions: as in `backing.sheet.staff`. References: common practice: a tie curves away from the
stem, in a chord the upper ones up and the lower ones down; it begins beside its head, or over it
where there is no room beside.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import product

from backing.sheet.ink import Box, Ink, around, crescent
from backing.sheet.mei import Engraving
from backing.sheet.staff import System

__all__ = ["reslurred", "ties"]

# What a tie must not cross, and how bad it is.
OBSTACLES = {
    "notehead": 3, "accid": 3, "stem": 2, "flag": 2, "dots": 2, "artic": 2, "rest": 2, "beam": 2,
    "tie": 2, "slur": 2, "slide": 2, "clef": 3, "keySig": 3, "meterSig": 3, "ghost": 2,
    "tupletNum": 2, "tupletBracket": 2, "grace beam": 2,
}  # fmt: skip
# The same for slurs, which begin and end at heads.
UNDER = {
    "accid": 3, "beam": 3, "flag": 3, "notehead": 2, "dots": 2, "artic": 2, "rest": 2, "stem": 2,
    "ghost": 2, "tupletNum": 2, "grace beam": 3, "tie": 2,
}  # fmt: skip
LIFTS = (0.0, 0.4, 0.8, 1.3, 2.0, 3.0, 4.0)  # of the ends of a slur from their heads
BESIDE = 0.14  # from a head to its tie
HEIGHTS = (0.5, 0.7, 0.95, 1.3, 1.7, 2.2)
SHORT = 0.9  # a tie that would be shorter goes over its heads


def ties(made: Engraving, system: System) -> list[Ink]:
    """Return the ties of a system."""
    found: list[Ink] = []
    obstacles = [one for one in system.inks if one.kind in OBSTACLES]
    pairs = [
        (join.start, join.end)
        for join in made.joins
        if join.sign == "tie" and (join.start in system.heads or join.end in system.heads)
    ]
    for start, end in pairs:
        one, two = system.heads.get(start), system.heads.get(end)
        up = _up(start if one else end, pairs, system)
        tie = _best(one, two, up, system, [*obstacles, *found], f"{start} {end}")
        found.append(tie)
    return found


def reslurred(made: Engraving, system: System) -> None:
    """Draw those slurs anew, in place, that cross something."""
    ends = dict(made.slurs)
    slurs = [one for one in system.inks if one.kind == "slur"]
    if not slurs:
        return
    chords = {
        node.name: [one.name for one in column]
        for bar in system.bars
        for columns in made.nodes[bar]
        for column in columns
        for node in column
    }
    others = [one for one in system.inks if one.kind != "slur"]
    obstacles = [one for one in others if one.kind in UNDER]
    obstacles += ties(made, replace(system, inks=others))
    for place, slur in enumerate(system.inks):
        if slur.kind != "slur" or not any(slur.meets(one) for one in obstacles):
            continue
        start = slur.owner[1:] or _from_before(made, system)
        one, two = system.heads.get(start), system.heads.get(ends.get(start, ""))
        head = one or two
        if head is None:
            continue
        up = slur.boxes[len(slur.boxes) // 2].top < (slur.boxes[0].top + slur.boxes[-1].top) / 2
        x1 = (one.left + one.right) / 2 if one else system.start + 0.3
        x2 = (two.left + two.right) / 2 if two else system.width - 0.3
        near = [other for other in obstacles if other.box.left < x2 and x1 < other.box.right]
        # It passes over, or under, the whole chord at which it begins or ends.
        first, last = (
            around(system.heads[name] for name in chords[end]) if box else head
            for end, box in ((start, one), (ends.get(start, ""), two))
        )
        ways = _slurs(first, last, x1, x2, up)
        best = _cheapest(ways, [(o, UNDER[o.kind]) for o in near], 0.1)
        if best is not None:  # else it is too short for another
            system.inks[place] = replace(best, owner=slur.owner)


def _from_before(made: Engraving, system: System) -> str:
    """Return where the slur begins that comes from the system before."""
    heads = system.heads
    return next((a for a, b in made.slurs if a not in heads and b in heads), "")


def _cheapest(
    ways: Iterable[tuple[float, Ink]], near: Sequence[tuple[Ink, float]], clear: float
) -> Ink | None:
    """Return the way of the least price, what it meets paid for; the ways come cheapest first."""
    best: tuple[float, Ink] | None = None
    worst_first = sorted(near, key=lambda pair: -pair[1])
    for price, way in ways:
        if best is not None and best[0] <= price:
            break
        cost = price
        for other, fine in worst_first:
            if way.meets(other, clear):
                cost += fine
                if best is not None and cost >= best[0]:
                    break
        else:
            best = cost, way
    return best and best[1]


def _slurs(one: Box, two: Box, x1: float, x2: float, up: bool) -> Iterator[tuple[float, Ink]]:
    """Yield slurs over or under two heads, the flattest ones first, with what they cost."""
    ways = []
    middles = x1, x2
    for (turned, way), start, end, high, beside in product(
        enumerate((up, not up)), LIFTS, LIFTS, (0.8, 1.2, 1.8, 2.5, 3.5), (0.0, 0.8)
    ):
        # Beside the stems, where these stand on the side of the slur.
        x1, x2 = middles[0] + beside, middles[1] - beside
        y1 = one.top - 0.35 - start if way else one.bottom + 0.35 + start
        y2 = two.top - 0.35 - end if way else two.bottom + 0.35 + end
        if abs(y2 - y1) < 1.5 * (x2 - x1) and x2 - x1 > 1.0:
            price = 0.4 * turned + 0.4 * beside + 0.12 * (start + end) + 0.1 * high
            ways.append((price, (x1, y1, x2, y2), -high if way else high))
    for price, ends, high in sorted(ways):
        yield price, crescent("slur", ends, high)


def _up(name: str, pairs: Sequence[tuple[str, str]], system: System) -> bool:
    """Tell whether the tie of a head curves up: away from the stem, outwards in a chord."""
    event = name.split("n")[0] + "n"
    ends = [system.heads[n] for pair in pairs for n in pair if n in system.heads
            and n.startswith(event)]  # fmt: skip
    tops = sorted({head.top for head in ends})
    own = system.heads[name]
    if len(tops) > 1:
        return tops.index(own.top) < len(tops) / 2
    stem = next(
        (one.box for one in system.inks if one.kind == "stem" and one.owner.startswith(event[:-1])
         and one.owner[len(event) - 1 : len(event)] in ("", "n") and one.box.meets(own, 0.1)),
        None,
    )  # fmt: skip
    if stem is None:
        return own.top + own.bottom <= 4.0
    return stem.bottom - own.bottom > own.top - stem.top


def _best(
    one: Box | None, two: Box | None, up: bool, system: System, others: Sequence[Ink], owner: str
) -> Ink:
    head = one or two
    assert head is not None
    left, right = one.left if one else 0.0, two.right if two else system.width
    near = [other for other in others if other.box.left < right + 2.0 and left < other.box.right]
    ways = _ways(_ends(one, near, system, 1), _ends(two, near, system, -1), head, up)
    best = _cheapest(ways, [(o, OBSTACLES[o.kind]) for o in near], 0.04)
    assert best is not None
    return replace(best, owner=owner)


def _ends(head: Box | None, near: Sequence[Ink], system: System, way: int) -> list[float]:
    """Return where a tie may begin (`way` 1) or end (-1): over its head, or beside it."""
    if head is None:
        return [system.start + 0.3 if way > 0 else system.width - 0.3] * 2
    beside = own = head.right if way > 0 else head.left
    for other in near:
        edges = (other.box.left, other.box.right)[::way]
        if _level(other, head) and -1.5 < way * (edges[0] - beside) < 0.7:
            beside = way * max(way * beside, way * edges[1])
    # The upper note of a trill stands right of a head and over it.
    upper = [o.box.right for o in near if way > 0 and o.kind == "ghost"
             and o.box.top < head.top and own < o.box.left < beside + 1.0]  # fmt: skip
    places = {x + way * BESIDE for x in (own, beside, *upper)}
    return [(head.left + head.right) / 2, *sorted(places, reverse=way < 0)]


def _level(other: Ink, head: Box) -> bool:
    kinds = ("notehead", "dots", "stem", "accid")
    near = other.box.top < head.bottom + 0.4 and head.top - 0.4 < other.box.bottom
    return other.kind in kinds and near


def _ways(
    starts: Sequence[float], ends: Sequence[float], head: Box, up: bool
) -> Iterator[tuple[float, Ink]]:
    """Yield ties, the usual one first, with what they cost."""
    middle = (head.top + head.bottom) / 2
    found = []
    for begin, end, (turned, way) in product(
        range(len(starts)), range(len(ends)), enumerate((up, not up))
    ):
        over = not begin or not end
        x1, x2 = starts[begin], max(ends[end], starts[begin] + 0.5)
        price = 0.3 * (not begin) + 0.3 * (not end) + 0.15 * (max(begin, 1) + max(end, 1) - 2)
        price += 1.0 * (x2 - x1 < SHORT) + 0.2 * turned
        for (step, high), lift in product(
            enumerate(HEIGHTS), (0.65, 0.85, 1.1) if over else (0.2, 0.0, -0.2, 0.5)
        ):
            y = middle - lift if way else middle + lift
            cost = price + 0.1 * step + 0.05 * abs(lift)
            found.append((cost, (x1, y, x2, y), -high if way else high))
    for cost, ends_at, high in sorted(found):
        yield cost, crescent("tie", ends_at, high)
