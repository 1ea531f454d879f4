"""Bends on the tab staff: arrows with their sizes, held bends, releases and pre-bends.

Conventions: as in `backing.sheet.tab`. The wider the bend, the higher its arrow; a string that is
held bent is a dashed line at that height, and a release comes down from it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from backing.sheet import ink
from backing.sheet.columns import LABEL, SIZES, Column, Staff, row
from backing.sheet.ink import Ink
from backing.sheet.mei import Node

__all__ = ["AIR", "bends"]

AIR = 0.22  # around a fret number
HIGH = {50: 1.4, 100: 2.0, 200: 2.85, 300: 3.7}
BESIDE = 0.85  # from an arrow to the next
ARROW = 1.4  # how far right of its fret a bend's arrow stands, at most


def bends(staff: Staff) -> None:
    """Draw the bends and releases of a system; their sizes go over all arrows."""
    labels: list[Ink] = []
    done: set[int] = set()
    for column in staff.columns:
        after = 0.0
        chains = sorted(_chains(staff, column), key=lambda pair: row(pair[0].head.string))
        for node, steps in chains:
            if id(node.head) in done:
                continue
            done.add(id(node.head))
            after = _bend(staff, column, node, steps, after, labels)
    for label in labels:
        placed = staff.sky.put(label, 0.2, 0.3)
        staff.inks.append(placed)


def _chains(staff: Staff, column: Column) -> Iterator[tuple[Node, list[tuple[str, int]]]]:
    """Yield the bends and releases of each head of a column, with the cents they reach."""
    for node in column.nodes:
        head = node.head
        if not node.first and node.join not in ("bend", "release"):
            continue
        moves = [move.technique.bending for move in head.moves if move.technique.bending]
        steps = list(zip(moves, head.stations[1:], strict=True))
        if steps:
            yield node, steps


def _high(cents: int) -> float:
    return -max(high for size, high in HIGH.items() if size <= max(cents, 50))


def _bend(
    staff: Staff,
    column: Column,
    node: Node,
    steps: Sequence[tuple[str, int]],
    after: float,
    labels: list[Ink],
) -> float:
    """Draw the arrows of one head: out of the number, and down again.

    Where a stroke bends several strings at once, the arrows of the lower one rise right of what
    the higher ones have drawn, which ends at `after`; this returns where it ends now.
    """
    string = node.head.string
    y = row(string)
    owner = node.name
    flat = [step for step in steps if step[0] != "pre"]
    end = _room(staff, column)
    x = column.right + AIR
    room = max(0.8, end - x - 0.5)
    step = min(ARROW, room / max(1, len(flat)))
    peak = staff.peaks.get(string)
    held = node.head.bent
    prefix = node.name.split("n")[0]
    targets = [
        other.x
        for other in staff.columns
        for one in other.nodes
        if one.join == "bend" and one.head is node.head and one.name.startswith(prefix)
    ]
    for number, (kind, cents) in enumerate(steps):
        tip = _high(cents)
        if kind == "pre":
            if string == min(column.drawn, key=row, default=""):
                px = column.x
                staff.add(ink.line("bend", (px, y - 0.85, px, tip + 0.5), 0.15, owner=owner))
            else:
                px = max(x, after + BESIDE)
                if px > x:
                    staff.add(ink.line("bend", (x, y, px, y), 0.15, owner=owner))
                staff.add(ink.line("bend", (px, y, px, tip + 0.5), 0.15, owner=owner))
            staff.add(ink.head("bend", px, tip, -1, owner=owner))
            labels.append(_label(cents, px, owner))
            peak = (px, tip)
            x = max(x, px)
        elif kind == "bend":
            if held and peak is not None:
                px, py = max(peak[0], column.x), peak[1]
                if px > peak[0] + 1.0:
                    ends = (peak[0] + 0.5, py, px, py)
                    staff.add(ink.line("hold", ends, 0.13, owner=owner, dash="0.5 0.4"))
            else:
                px, py = x, y
            to = max(x + step, px + 0.7, after + BESIDE if not number else 0.0)
            near = number < len(targets) and px + 0.9 < targets[number] < px + 2.6
            if near and targets[number] >= after + BESIDE:
                to = targets[number]
            if after and to - px > ARROW + 0.2:
                # Flat until past the arrows of the higher strings.
                staff.add(ink.line("bend", (px, py, to - ARROW, py), 0.15, owner=owner))
                px = to - ARROW
            points = [(px, py), (px + 0.75 * (to - px), py), (to, (py + tip) / 2), (to, tip + 0.4)]
            staff.add(ink.curve("bend", points, 0.15, owner=owner))
            staff.add(ink.head("bend", to, tip, -1, owner=owner))
            labels.append(_label(cents, to, owner))
            peak = (to, tip)
            x = to
        else:
            peak = _release(staff, column, node, cents, peak, x, step, held, labels)
            x = peak[0]
        held = cents
    if peak is not None and held:
        staff.peaks[string] = peak
    else:
        staff.peaks.pop(string, None)
    return max(x, after)


def _release(
    staff: Staff,
    column: Column,
    node: Node,
    cents: int,
    peak: tuple[float, float] | None,
    x: float,
    step: float,
    held: int,
    labels: list[Ink],
) -> tuple[float, float]:
    """Draw a release: along the height of the bend, then down to the fret or to a smaller bend."""
    owner = node.name
    top = peak[1] if peak is not None else _high(held or 200)
    timed = not _bent_here(node)
    if timed:
        # It is counted: the arrow comes down on the column itself.
        upper = min((b.top for b in column.drawn.values()), default=row(node.head.string))
        foot = min(upper, 0.0) - 0.25 if not cents else _high(cents)
        to = column.x
        same = [one for one in staff.inks if one.kind == "bend" and abs(one.box.right - 0.34 - to)
                < 0.01 and abs(one.box.bottom - foot) < 0.01]  # fmt: skip
        if same:
            return to, foot  # one arrow for strings that come down together
        turn = to - 1.3
        start = peak[0] if peak is not None and peak[0] < turn else turn - 0.4
        start = max(start, staff.system.start + 0.2)
    else:
        start = turn = peak[0] if peak is not None else x
        to = max(x + step, start + 0.7)
        foot = -0.2 if not cents else _high(cents)
    if turn > start + 0.6 and timed:
        left = start + 0.55
        staff.add(ink.line("hold", (left, top, turn, top), 0.13, owner=owner, dash="0.5 0.4"))
    points = [
        (turn, top),
        (turn + 0.75 * (to - turn), top),
        (to, (top + foot) / 2),
        (to, foot - 0.4),
    ]
    staff.add(ink.curve("bend", points, 0.15, owner=owner))
    staff.add(ink.head("bend", to, foot, 1, owner=owner))
    if cents:
        labels.append(_label(cents, to, owner))
    return (to, foot)


def _bent_here(node: Node) -> bool:
    """Tell whether a head is bent before it is released, so that both happen at once."""
    kinds = [move.technique.bending for move in node.head.moves]
    return any(kind in ("bend", "pre") for kind in kinds[: kinds.index("release")])


def _room(staff: Staff, column: Column) -> float:
    """Return where the next thing on any string begins."""
    bar = staff.system.bars[column.event[0]]
    edge = column.until
    if column.x < bar[1] < edge:
        edge = bar[1]
    return edge


def _label(cents: int, x: float, owner: str) -> Ink:
    return ink.words("bend size", SIZES.get(cents, f"{cents / 200:g}"), x, 0.0, LABEL, owner=owner)
