"""A score in systems: where lines break, and how notation, tab and what stands over them stack.

Conventions: lengths are in staff spaces; y grows downwards. Everything that is not engraved is
stacked on skylines, so nothing is put where something stands already.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from backing.sheet import ink, lettering
from backing.sheet.columns import TALL, columns, pads
from backing.sheet.ink import Box, Ink, Skyline
from backing.sheet.marks import over
from backing.sheet.mei import Plan, plan
from backing.sheet.rhythm import rhythm
from backing.sheet.score import Score
from backing.sheet.staff import System, engrave, widths
from backing.sheet.tab import tab
from backing.sheet.wording import hands

__all__ = ["STAVES", "Picture", "Style", "pictures"]

STAVES = ("both", "tab", "notation")
STAFF = 4.0  # height of the notation staff
ROOM = 1.0  # between what hangs under the notation and what stands over the tab
NEAREST = 4.0  # from staff to staff
CHORD = 2.3
NUMBER = 1.45
TIP = 1.3
LABEL = 1.6
JOINED = {"h": 1.0, "p": 1.0, "/": 1.3, "\\": 1.3}
ARROW = 1.6
CLEAR = 0.55  # between two fret numbers of a line
# How far apart notes are, and by how much a line is cut short (or, at last, set smaller), one way
# after another until all fret numbers have room.
TRIES = (
    (0.32, 0.88), (0.36, 0.82), (0.42, 0.76), (0.5, 0.7), (0.6, 0.6), (0.6, 1.2), (0.6, 1.45),
    (0.6, 1.8), (0.6, 2.4),
)  # fmt: skip
CLOSE = (0.18, 1.0)
RAGGED = 0.8
SMALLER = 4.0  # places without room that are no worse than print of half the size
STRUCK = 6
PASSES = 3  # with slurs and grace notes turned over; one is nearly always enough
STRETCHES = (1.25, 1.4, 1.6, 1.8)  # of a last line that would be stretched too far


# How well a try does (0 is best), its systems, and how they were made.
_Try = tuple[float, "list[System]", System, "list[int]", float, float]


@dataclass(frozen=True, slots=True)
class Style:
    """What is drawn.

    Attributes
    ----------
    width
        Of a system, in staff spaces.
    staves
        One of `STAVES`.
    marks
        Whether strokes and fingers are drawn.
    form
        Whether lines are to be those of a form, four bars each, a little closer.
    """

    width: float = 100.0
    staves: str = "both"
    marks: bool = True
    form: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """One drawn system.

    Attributes
    ----------
    svg
        A whole SVG document.
    box
        What it covers.
    inks
        Everything drawn, in the same coordinates.
    bars
        Numbers of its bars as printed.
    """

    svg: str
    box: Box
    inks: tuple[Ink, ...]
    bars: tuple[int, ...]


def pictures(score: Score, style: Style) -> list[Picture]:
    """Return the systems of a score.

    Parameters
    ----------
    score
        The music.
    style
        What is drawn, and how wide.
    """
    bare = style.staves == "tab"
    made = replace(_planned(score, bare), turned={})
    best: _Try | None = None
    for loose, share in (CLOSE, *TRIES) if style.form else TRIES:
        width = style.width * max(1.0, share)
        natural = _natural(score, bare, loose)
        breaks = _breaks(score, natural, style.width * min(1.0, share), form=style.form)
        systems = _engraved(score, made, breaks, width, loose=loose, bare=bare)
        cost = SMALLER * max(0.0, share - 1.0)
        cost += sum(_tight(score, made, one) + (not _apart(one)) for one in systems)
        if best is None or cost < best[0]:
            best = cost, systems, natural, breaks, width, loose
        if best[0] <= SMALLER * max(0.0, share - 1.0):
            break
    assert best is not None
    _, systems, natural, breaks, width, loose = best
    last = systems[-1]
    filled = sum(b - a for bar, (a, b) in natural.bars.items() if bar in last.bars)
    for stretch in STRETCHES:
        short = filled * stretch + (0.0 if 0 in last.bars else natural.start)
        if short > RAGGED * width:
            break
        system = _engraved(score, made, breaks, short, loose=loose, bare=bare)[-1]
        if _tight(score, made, system) <= _tight(score, made, last) and _apart(system):
            systems[-1] = system
            break
    return [_picture(score, made, system, style, not number)
            for number, system in enumerate(systems)]  # fmt: skip


# A page that is tried in several sizes asks for the same music again.
@lru_cache(maxsize=8)
def _planned(score: Score, bare: bool) -> Plan:
    made = plan(score, bends=not bare)
    made.pads = pads(score, made)
    return made


@lru_cache(maxsize=64)
def _natural(score: Score, bare: bool, loose: float) -> System:
    return widths(score, _planned(score, bare), loose=loose, bare=bare)


def _engraved(
    score: Score, made: Plan, breaks: Sequence[int], width: float, *, loose: float, bare: bool
) -> list[System]:
    """Return the systems of a score, slurs and grace notes turned over where they cross a beam."""
    made.turned.clear()
    best: tuple[int, list[System]] | None = None
    for _ in range(PASSES):
        systems = engrave(score, made, breaks, width, loose=loose, bare=bare)
        crossed = [one for system in systems for one in _crossed(system)]
        if best is None or len(crossed) < best[0]:
            best = len(crossed), systems
        if not crossed:
            break
        for one in crossed:
            ends, middle = one.boxes[0].top + one.boxes[-1].top, one.boxes[len(one.boxes) // 2].top
            side = "below" if ends / 2 > middle else "above"
            made.turned[one.owner] = side if one.kind == "slur" else "other"
    assert best is not None
    return best[1]


def _crossed(system: System) -> list[Ink]:
    """Return the slurs that cross beams, flags or accidentals, and the flags that cross beams."""
    obstacles = {"slur": ("beam", "flag", "accid"), "flag": ("beam",)}
    return [
        one
        for one in system.inks
        if one.kind in obstacles
        and any(other.kind in obstacles[one.kind] and one.meets(other) for other in system.inks)
    ]


def _tight(score: Score, made: Plan, system: System) -> int:
    """Return how often a fret number of a system, or what joins it to the next, lacks room."""
    every = columns(score, made, system)
    spots = {node.name: column for column in every for node in column.nodes}
    wanted = {
        (id(spots[join.start]), id(spots[join.end])): JOINED[join.sign]
        for join in made.joins
        if join.sign in JOINED and join.start in spots and join.end in spots
    }
    found = 0
    for column in every:
        right = system.bars[column.event[0]][1]
        room = right - column.right
        found += room < CLEAR + (1.3 if right > system.width - 0.1 else 0.3)
        found += STRUCK * (room < 0.1)  # the bar line runs through it
    for before, after in pairwise(every):
        # Where a bend has no note of its own to lead to, its arrow needs the room.
        bends = any(m.sign == "b" and m.at is None for n in before.nodes for m in n.head.moves)
        if bends and before.last and len(before.nodes) > 1:
            wanted.setdefault((id(before), id(after)), ARROW)
    return found + sum(
        after.left - before.right < wanted.get((id(before), id(after)), CLEAR)
        for before, after in pairwise(every)
        if before.left < before.right and after.left < after.right
    )


def _apart(system: System) -> bool:
    """Tell whether the heads and signs of each note keep clear of the next one's."""
    kinds = ("notehead", "accid", "dots", "flag", "stem")
    inks = sorted((one for one in system.inks if one.kind in kinds), key=lambda one: one.box.left)
    near: list[Ink] = []
    for one in inks:
        near = [other for other in near if other.box.right > one.box.left]
        if any(_event(one) != _event(other) and one.meets(other) for other in near):
            return False
        near.append(one)
    return True


def _event(one: Ink) -> str:
    """Return the bar and the event of a head or of what belongs to it."""
    return re.split("[ng]", one.owner)[0]


def _breaks(score: Score, natural: System, width: float, *, form: bool) -> list[int]:
    """Return the bars before which a system ends: systems are full, and parts stay whole."""
    sizes = [right - left for _, (left, right) in sorted(natural.bars.items())]
    prefix = natural.start - (4.0 if natural.meter else 0.0)
    sizes[0] -= natural.start
    count = len(sizes)
    pickup = score.measures[0].number == 0
    # A part begins with its first whole bar; its pickup may stand in the bar before.
    starts = {
        bar + (label.at > measure.start)
        for bar, measure in enumerate(score.measures)
        for label in measure.labels
    }
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, count + 1):
        choices = []
        for start in range(max(0, end - 8), end):
            length = sum(sizes[start:end])
            room = width - (natural.start if start == 0 else prefix)
            if length > room and end - start > 1:
                continue
            slack = max(0.0, room - length) / room
            cost = 1.0 + 2.0 * slack**2
            if form:
                cost += {0: 0.0, 2: 0.6}.get((end - pickup) % 4, 1.2)
            elif end < count and end not in starts:
                cost += 0.6
            if end - start == 1 and count > 2:
                cost += 0.8
            choices.append((best[start][0] + cost, start))
        best.append(min(choices))
    breaks = []
    end = count
    while end > 0:
        end = best[end][1]
        if end:
            breaks.append(end)
    return breaks[::-1]


def _picture(score: Score, made: Plan, system: System, style: Style, first: bool) -> Picture:
    every = columns(score, made, system)
    inks: list[Ink] = []
    drawn = ""
    if style.staves != "tab":
        drawn = system.svg
        inks += system.inks
        inks += over(score, made, system, every, sizes=style.staves == "notation")
        if style.staves == "notation" and style.marks:
            floor = Skyline(STAFF + 0.3, up=False)
            floor.add(*inks)
            inks += hands(every, floor)
    if style.staves != "notation":
        under = tab(score, made, system, marks=style.marks)
        if style.staves == "tab":
            under += rhythm(score, system, every, under)
            down = 0.0
        else:
            down = _down(inks, under)
            inks.append(ink.line("bar line", (0.07, 0.0, 0.07, down), 0.14))
        inks += [one.moved(0.0, down) for one in under]
    top = Skyline(-0.4)
    top.add(*inks)
    if not first or score.measures[min(system.bars)].number > 1:
        number = str(score.measures[min(system.bars)].number)
        inks.append(top.put(ink.words(
            "bar number", number, 0.1, 0.0, NUMBER, face="italic", anchor=0.0
        ), 0.35))  # fmt: skip
    inks += _tips(score, system, top)
    inks += _row(top, _chords(score, system), 0.7)
    inks += _row(top, _labels(score, system), 0.6)
    box = ink.around(box for one in inks for box in one.boxes)
    box = Box(min(box.left, 0.0), box.top, max(box.right, system.width), box.bottom)
    svg = drawn + "".join(one.draw() for one in inks)
    return Picture(document(svg, box), box, tuple(inks), tuple(
        score.measures[bar].number for bar in sorted(system.bars)))  # fmt: skip


def document(svg: str, box: Box) -> str:
    """Return a drawing as a whole SVG document, as large as what it covers."""
    left, top, right, bottom = box
    return (
        '<svg xmlns="http://www.w3.org/2000/svg"'
        f' viewBox="{left - 0.1:.3f} {top - 0.1:.3f} {right - left + 0.2:.3f}'
        f' {bottom - top + 0.2:.3f}">{svg}</svg>'
    )


def _down(upper: Sequence[Ink], lower: Sequence[Ink]) -> float:
    """Return how far under the notation the tab stands: as near as what lies between allows."""
    down = STAFF + NEAREST
    above = [box for one in upper for box in one.boxes if box.bottom > 0.0]
    beneath = [box for one in lower for box in one.boxes if box.top < TALL / 2]
    for box in above:
        for other in beneath:
            if box.left < other.right + 0.4 and other.left < box.right + 0.4:
                down = max(down, box.bottom - other.top + ROOM)
    return down


def _row(top: Skyline, row: Sequence[Ink], room: float) -> list[Ink]:
    """Set inks on one line over everything that stands under any of them."""
    if not row:
        return []
    edge = min(top.edge(one.box.left - 0.3, one.box.right + 0.3) for one in row)
    low = max(0.0, *(one.box.bottom for one in row)) if len(row) > 1 else row[0].box.bottom
    placed = [one.moved(0.0, edge - room - low) for one in row]
    top.add(*placed)
    return placed


def _place(score: Score, system: System, bar: int, at: Fraction) -> float:
    """Return the x of a beat of a bar."""
    measure = score.measures[bar]
    left, right = system.bars[bar]
    known: list[tuple[Fraction, float]] = []
    for number, event in enumerate(measure.events):
        name = f"b{bar}e{number}"
        if event.rest:
            box = system.rests[name]
            x = box.left if event.beats < measure.beats else left + 1.2
        else:
            x = min(b.left for n, b in system.heads.items() if n.startswith(name + "n"))
        known.append((event.at, x))
    known.append((measure.start + measure.beats, right))
    before = max((pair for pair in known if pair[0] <= at), default=known[0])
    after = min((pair for pair in known if pair[0] > at), default=known[-1])
    if before[0] == at or after[0] == before[0]:
        return before[1]
    share = float((at - before[0]) / (after[0] - before[0]))
    return before[1] + share * (after[1] - before[1])


def _chords(score: Score, system: System) -> list[Ink]:
    found: list[Ink] = []
    for bar in sorted(system.bars):
        for label in score.measures[bar].chords:
            x = _place(score, system, bar, label.at)
            if found:
                x = max(x, found[-1].box.right + 0.8)
            drawn = lettering.chord_name(label.text, CHORD)
            found.append(ink.outline("chord", drawn, x, 0.0, 0.0, label.text))
    return found


def _labels(score: Score, system: System) -> list[Ink]:
    found: list[Ink] = []
    for bar in sorted(system.bars):
        for label in score.measures[bar].labels:
            x = _place(score, system, bar, label.at)
            if found:
                x = max(x, found[-1].box.right + 0.8)
            found.append(ink.framed("label", label.text, x, 0.0, LABEL))
    return found


def _tips(score: Score, system: System, top: Skyline) -> list[Ink]:
    """Put the numbers of tips over the notes they speak of."""
    found = []
    for bar in sorted(system.bars):
        for event in score.measures[bar].events:
            x = _place(score, system, bar, event.at) + 0.6
            for tip in event.tips:
                circle = ink.circled("tip", str(tip), x, 0.0, TIP)
                found.append(top.put(circle, 0.4))
                x += circle.box.right - circle.box.left + 0.3
    return found
