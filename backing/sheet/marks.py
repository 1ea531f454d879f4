"""Marks of technique over and on the notation staff: slides, bends, vibrato, trills.

Conventions: as in `backing.sheet.tab`. A bend is an angle from the fretted small note to the note
it reaches, on the side away from the stem; a quarter tone is a small arrow with its size.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from backing.sheet import ink
from backing.sheet.columns import INTO, LABEL, SIZES, WAVE, Column, waves
from backing.sheet.ink import Box, Ink, Skyline
from backing.sheet.mei import Engraving, Node
from backing.sheet.octaves import octave_signs
from backing.sheet.score import Score
from backing.sheet.staff import System
from backing.sheet.ties import ties
from backing.sheet.trills import trill_signs
from backing.sheet.wording import techniques, wording

__all__ = ["over"]

BRACKET = 1.95  # height of a bracket around a head
SHORTEST = 0.5  # of a slide
BROKEN = 0.8  # rise of a slide over a line break
RISES = (0.7, 0.4, 0.2, 0.12)  # of a slide from or to nowhere; less where two would cross
LIFTS = (0.0, -0.3, 0.3, -0.5, 0.5)  # of it from the middle of its head, where they still would


def over(
    score: Score, made: Engraving, system: System, every: Sequence[Column], *, sizes: bool
) -> list[Ink]:
    """Return the marks on and over the notation staff of a system.

    `sizes` adds the sizes of bends and words, where there is no tab that has them.
    """
    right = system.width
    sky, floor = Skyline(-0.3, right=right), Skyline(4.3, up=False, right=right)
    sky.add(*system.inks)
    floor.add(*system.inks)
    found = [
        one
        for column in every
        if column.last and score.measures[column.event[0]].events[column.event[1]].dots
        for one in _brackets(system, column)
    ]
    system = replace(system, inks=[*system.inks, *found])
    found += _slides(made, system, every)
    found += ties(made, replace(system, inks=[*system.inks, *found]))
    sky.add(*found)
    floor.add(*found)
    labels: list[tuple[Skyline, Ink]] = []
    nodes = {node.name: node for column in every for node in column.nodes}
    sides: dict[str, bool] = {}
    for join in made.joins:
        one, two = system.heads.get(join.start), system.heads.get(join.end)
        if join.sign in ("bend", "release", "pre") and two is not None:
            # A bend and its release are one gesture, on one side.
            up = sides.get(join.start, _stem_down(system, two))
            sides[join.end] = up
            left = one if one is not None else two.moved(-3.0, 0.0)
            angle = _angle(left, two, up, join.end, dashed=join.sign == "pre")
            found.append((sky if up else floor).put(angle, 0.15, 0.0))
            if sizes and join.sign != "release":
                size = SIZES.get(nodes[join.end].cents, "")
                middle = (left.right + two.left) / 2
                label = ink.words("bend size", size, middle, 0.0, LABEL, owner=join.end)
                labels.append((sky if up else floor, label))
    found += [line.put(label, 0.2) for line, label in labels]
    for column in every:
        for node in column.nodes:
            if not node.small and any(cents % 100 for cents in node.head.stations[1:]):
                found.append(sky.put(_quarter(column.x, node), 0.35))
    found += [sky.put(one, 0.35) for one in trill_signs(score, made, every, accidentals=True)]
    for start, end, wide, owner in waves(every):
        wave = ink.wave("vibrato", start, end, wide=wide, owner=owner)
        found.append(sky.put(wave, 0.5, 0.25 + WAVE, around=WAVE))
    found += techniques(every, sky, manner=sizes)
    if sizes:
        # Tremolo is three slashes through the stem.
        found += wording(every, sky, without=("tremolo",))
    found += octave_signs(score, made, system, every, sky)
    return found


def _slides(made: Engraving, system: System, every: Sequence[Column]) -> list[Ink]:
    """Return the slides between heads, over line breaks, and from and to nowhere."""
    found: list[Ink] = []
    slurs = [one for one in system.inks if one.kind == "slur"]
    for join in made.joins:
        one, two = system.heads.get(join.start), system.heads.get(join.end)
        if one is None and two is None:
            continue
        owner = f"{join.start} {join.end}"
        if join.sign in ("/", "\\"):
            slide = _slide(system, one, two, join.sign, owner)
            if not any(_alike(slide.box, other.box) for other in found):  # a unison has one
                flatter = (
                    [_slide(system, one, two, join.sign, owner, found, rise, lift)]
                    for lift in LIFTS
                    for rise in (BROKEN, *RISES)
                )
                found += _first_clear(flatter, [*found, *slurs] if not (one and two) else ())
    beams = [one for one in system.inks if one.kind in ("beam", "flag", "grace beam")]
    for column in every:
        for node in column.nodes:
            flatter = (
                _nowhere(system, node, column, rise, lift) for lift in LIFTS for rise in RISES
            )
            found += _first_clear(flatter, [*found, *beams, *slurs])
    return found


def _first_clear(ways: Iterable[list[Ink]], others: Sequence[Ink]) -> list[Ink]:
    """Return the first of some ways to draw that meets no others, or the flattest usual one."""
    tried = []
    for way in ways:
        if not any(one.meets(other) for one in way for other in others):
            return way
        tried.append(way)
    return tried[len(tried) // len(LIFTS) - 1]


def _stem_down(system: System, head: Box) -> bool:
    """Tell whether the stem of a head goes down, so that things are written over it."""
    for one in system.inks:
        if one.kind == "stem" and one.box.right > head.left - 0.1:
            stem = one.box
            if stem.left < head.right + 0.1 and stem.top < head.bottom and stem.bottom > head.top:
                return stem.bottom - head.bottom > head.top - stem.top
    return True


def _slide(
    system: System,
    one: Box | None,
    two: Box | None,
    sign: str,
    owner: str,
    slides: Sequence[Ink] = (),
    rise: float = BROKEN,
    lift: float = 0.0,
) -> Ink:
    """Return a slide between two heads, or over a line break, clear of earlier ones."""
    if one is not None and two is not None:
        left, right = _right_of(system, one) + 0.2, _left_of(system, two) - 0.2
        y1, y2 = (one.top + one.bottom) / 2, (two.top + two.bottom) / 2
    elif one is not None:
        left, right = _right_of(system, one) + 0.2, system.width - 0.5
        y1 = (one.top + one.bottom) / 2 + lift
        y2 = y1 - (rise if sign == "/" else -rise)
    else:
        assert two is not None
        right = _left_of(system, two) - 0.25
        left = max(system.start + 0.3, right - 2.0)
        y2 = (two.top + two.bottom) / 2 + lift
        y1 = y2 + (rise if sign == "/" else -rise)
    return _cut(system, (left, y1, max(right, left + 0.4), y2), owner, slides)


def _alike(one: Box, other: Box) -> bool:
    return all(abs(a - b) < 0.15 for a, b in zip(one, other, strict=True))


def _cut(
    system: System, ends: tuple[float, float, float, float], owner: str, slides: Sequence[Ink] = ()
) -> Ink:
    """Return a slide that ends before what stands in its way, such as the signs of a chord."""
    x1, y1, x2, y2 = ends
    others = [one for one in system.inks if one.kind in ("notehead", "accid", "dots", "ghost")]
    drawn = ink.line("slide", ends, 0.16, owner=owner)
    for _ in range(3):
        boxes = [one.box for one in others if one.meets(drawn, 0.1)]
        boxes += [box for one in slides for box in one.boxes if any(map(box.meets, drawn.boxes))]
        left = max([x1, *(b.right + 0.15 for b in boxes if b.left + b.right < x1 + x2)])
        right = min([x2, *(b.left - 0.15 for b in boxes if b.left + b.right >= x1 + x2)])
        if not boxes or right - left < SHORTEST:
            break
        x1, x2 = left, right
        drawn = ink.line("slide", (x1, y1, x2, y2), 0.16, owner=owner)
    return drawn


def _left_of(system: System, head: Box) -> float:
    """Return the left edge of a head or of the accidentals before it and its neighbours."""
    middle = (head.top + head.bottom) / 2
    edge = head.left
    signs = [one.box for one in system.inks if one.kind in ("accid", "notehead", "ghost")]
    for sign in sorted(signs, reverse=True):
        near = edge - 1.6 < sign.right <= edge + 0.25
        if near and sign.top - 0.6 < middle < sign.bottom + 0.6:
            edge = sign.left
    return edge


def _angle(one: Box, two: Box, up: bool, owner: str, *, dashed: bool) -> Ink:
    x1, x2 = (one.left + one.right) / 2, (two.left + two.right) / 2
    edge = min(one.top, two.top) - 0.3 if up else max(one.bottom, two.bottom) + 0.3
    tip = edge - 0.9 if up else edge + 0.9
    y1 = one.top - 0.3 if up else one.bottom + 0.3
    y2 = two.top - 0.3 if up else two.bottom + 0.3
    xm = x1 + 0.55 * (x2 - x1)
    dash = ' stroke-dasharray="0.35 0.3"' if dashed else ""
    svg = (
        f'<path d="M{x1:.3f} {y1:.3f}L{xm:.3f} {tip:.3f}L{x2:.3f} {y2:.3f}" fill="none"'
        f' stroke="#000" stroke-width="0.14"{dash}/>'
    )
    ys = (y1, y2, tip)
    return Ink("angle", (Box(x1, min(ys), x2, max(ys)),), svg, owner=owner)


def _nowhere(system: System, node: Node, column: Column, high: float, lift: float) -> list[Ink]:
    """Return slides from and to nowhere, as long as what stands beside leaves room."""
    found: list[Ink] = []
    box = system.heads[node.name]
    middle = (box.top + box.bottom) / 2 + lift
    if node.first and node.head.into:
        rise = high if node.head.into == "/" else -high
        right = _left_of(system, box) - 0.2
        left = right - INTO
        for other in _obstacles(system, middle - 0.8, middle + 0.8):
            if left < other.right + 0.15 and other.right < right - 0.4:
                left = other.right + 0.15
        found.append(_cut(system, (left, middle + rise, right, middle), node.name))
    if node.head.out and not (node.head.onward or node.small):
        rise = -high if node.head.out == "/" else high
        left = _right_of(system, box) + 0.25
        right = max(left + 0.5, min(left + INTO, column.until - 0.2))
        for other in _obstacles(system, middle - 0.8, middle + 0.8):
            if right > other.left - 0.15 and other.left > left + 0.4:
                right = other.left - 0.15
        ends = (left, middle, right, middle + rise)
        found.append(ink.line("slide", ends, 0.16, owner=node.name))
    return found


def _brackets(system: System, column: Column) -> list[Ink]:
    """Return brackets around dotted ghost notes, their accidentals and their dots."""
    ghosts = [n for n in column.nodes if "ghost" in n.head.marks and not n.small]
    heads = sorted((system.heads[node.name] for node in ghosts), key=lambda box: box.top)
    found: list[Ink] = []
    while heads:
        count = 1
        while count < len(heads) and heads[count].top - heads[count - 1].top < BRACKET:
            count += 1  # neighbours are in one pair
        group, heads = heads[:count], heads[count:]
        middle = (group[0].top + group[-1].bottom) / 2
        size = 1.0 + (group[-1].top - group[0].top) / BRACKET
        left = min(_left_of(system, head) for head in group)
        right = max(_right_of(system, head) for head in group)
        found += ink.brackets(left, right, middle, size, 0.15, ghosts[0].name)
    return found


def _obstacles(system: System, top: float, bottom: float) -> list[Box]:
    """Return the boxes that slides from and to nowhere keep clear of."""
    kinds = (
        "notehead", "accid", "dots", "rest", "flag", "barLine", "ghost", "clef", "keySig",
        "meterSig",
    )  # fmt: skip
    return [
        one.box
        for one in system.inks
        if one.kind in kinds and one.box.top < bottom and top < one.box.bottom
    ]


def _right_of(system: System, head: Box) -> float:
    """Return the right edge of a head, of its neighbour beyond the stem, of its flag or dot."""
    edge = head.right
    kinds = ("dots", "notehead", "flag", "ghost")
    for one in sorted(system.inks, key=lambda one: one.box.left):
        box = one.box
        near = edge - 0.3 < box.left < edge + 0.9
        level = box.top < head.bottom + 0.6 and head.top - 0.6 < box.bottom
        if one.kind in kinds and near and level:
            edge = max(edge, box.right)
    return edge


def _quarter(x: float, node: Node) -> Ink:
    curve = ink.curve(
        "bend", [(x - 0.1, 1.3), (x + 0.9, 1.2), (x + 1.1, 0.9), (x + 1.1, 0.5)], 0.14
    )
    tip = ink.head("bend", x + 1.1, 0.0, -1)
    size = ink.words("bend size", SIZES[50], x + 1.1, -0.25, LABEL)
    svg = curve.draw() + tip.draw() + size.draw()
    box = ink.around([curve.box, tip.box, size.box])
    return Ink("bend", (box,), svg, owner=node.name)
