"""The tab staff: six lines under the notation, note under note, with everything the hands do.

Conventions: lengths are in staff spaces, y is 0 on the top line (the high e string) and grows
downwards. A bend is an arrow out of the staff with its size at the tip; the wider the bend, the
higher the arrow. A release comes down to the fret in brackets. Strokes and fingers stand in two
rows under the staff.

References: signs are common practice.
"""

from __future__ import annotations

from backing.sheet import ink
from backing.sheet.bends import AIR, bends
from backing.sheet.columns import (
    INTO,
    LABEL,
    TALL,
    WAVE,
    Column,
    Staff,
    columns,
    number_ink,
    row,
    shown,
    trill_ink,
    waves,
)
from backing.sheet.ink import Ink, Skyline
from backing.sheet.mei import Engraving
from backing.sheet.rhythm import rhythm
from backing.sheet.score import Score
from backing.sheet.staff import System
from backing.sheet.trills import trill_signs
from backing.sheet.wording import hands, techniques, wording
from phrases.fretboard import STRINGS
from phrases.techniques import SLIDES, STEPS, TECHNIQUES

__all__ = ["tab"]

# What stands over an arc, but where the table has a word for both staves.
LETTERS = {sign: sign.upper() for sign in STEPS if not TECHNIQUES[sign].over}


def tab(score: Score, made: Engraving, system: System, *, marks: bool = True) -> list[Ink]:
    """Return all on and around the tab staff of a system; `marks` adds strokes and fingers."""
    staff = Staff(score, made, system, columns(score, made, system))
    for column in staff.columns:
        for node in column.nodes:
            staff.spots[node.name] = column
    staff.sky.right = system.width
    _numbers(staff)
    _lines(staff)
    bends(staff)
    if made.alone:
        _articulations(staff)
    for join in made.joins:
        _join(staff, join.sign, join.start, join.end)
    for column in staff.columns:
        _nowhere(staff, column)
    _letters(staff)
    _waves(staff)
    staff.inks += techniques(staff.columns, staff.sky, manner=True)
    staff.inks += wording(staff.columns, staff.sky)
    if made.alone:
        staff.inks += rhythm(score, system, staff.columns, staff.inks)
    if marks:
        floor = Skyline(TALL, up=False)
        lines = ("tab line", "bar line", "tab sign")
        floor.add(*(one for one in staff.inks if one.kind not in lines))
        staff.inks += hands(staff.columns, floor)
    return staff.inks


def _numbers(staff: Staff) -> None:
    first = True
    for column in staff.columns:
        for node in column.nodes:
            y = row(node.head.string)
            if shown(node, first=first or staff.made.alone):
                number = number_ink(node, column.x, y)
                staff.add(number)
                column.drawn[node.head.string] = number.box
                trill = trill_ink(node, number.box.right)
                if trill is not None:
                    staff.add(trill)
                    column.drawn[node.head.string] = ink.around([number.box, trill.box])
        first = False


def _lines(staff: Staff) -> None:
    """Draw the six lines, open where a number stands, the bar lines and the word TAB."""
    width = staff.system.width
    for string in STRINGS:
        y = row(string)
        gaps = [
            (box.left - AIR, box.right + AIR)
            for column in staff.columns
            for name, box in column.drawn.items()
            if name == string
        ]
        x = 0.0
        for left, right in [*sorted(gaps), (width, width)]:
            if left > x:
                end = min(left, width)
                staff.inks.append(ink.line("tab line", (x, y, end, y), 0.09))
            x = max(x, right)
    bars = sorted(right for _, right in staff.system.bars.values())
    final = max(staff.system.bars) == len(staff.score.measures) - 1
    for number, right in enumerate(bars):
        if number == 0:
            staff.inks.append(ink.line("bar line", (0.07, 0.0, 0.07, TALL), 0.14))
        last = number == len(bars) - 1
        if last and final:
            staff.inks.append(ink.line("bar line", (right - 0.25, 0, right - 0.25, TALL), 0.5))
            staff.inks.append(ink.line("bar line", (right - 0.95, 0, right - 0.95, TALL), 0.14))
        else:
            staff.inks.append(ink.line("bar line", (right - 0.07, 0, right - 0.07, TALL), 0.14))
    for letter, y in zip("TAB", (1.95, 4.35, 6.75), strict=True):
        staff.inks.append(ink.words("tab sign", letter, 1.8, y, 2.4, face="bold"))


def _join(staff: Staff, sign: str, start: str, end: str) -> None:
    """Draw a slide, or the arc of a hammer-on, a pull-off or, where no notation has it, a tie."""
    one, two = staff.spots.get(start), staff.spots.get(end)
    signs = (*SLIDES, *STEPS, *(("tie",) if staff.made.alone else ()))
    if sign not in signs or (one is None and two is None):
        return
    string = (start if one else end).rpartition("-")[2]
    heads = [node.head for column in (one, two) if column for node in column.nodes
             if node.name in (start, end)]  # fmt: skip
    if sign == "tie" and any(cents for head in heads for cents in head.stations):
        return  # what is held bent has its own line
    y = row(string)
    left = one.drawn[string].right if one and string in one.drawn else None
    right = two.drawn[string].left if two and string in two.drawn else None
    if one is not None and left is None:
        left = one.x  # held by a tie
    if left is None:
        assert right is not None
        left = max(staff.system.start + 0.3, right - 2.0)
    if right is None:
        right = staff.system.width - 0.5
    left = _past(staff, left, right - 0.8, y)
    owner = f"{start} {end}"
    if sign in ("/", "\\"):
        left, right = _longest(staff, left, right, y)
        rise = 0.38 if sign == "/" else -0.38
        ends = (left + 0.25, y + rise, right - 0.25, y - rise)
        staff.add(ink.line("slide", ends, 0.16, owner=owner))
        return
    # Beside a wider number on the next string, the arc begins where that one ends.
    if one is not None and set(one.drawn) - {string}:
        left = max(left, one.right)
    if two is not None and len(two.drawn) > 1:
        right = min(right, two.left)
    # A slide from nowhere into the next string ends over the arc.
    above = [row(node.head.string) for node in two.nodes if node.head.into] if two else []
    if any(y - 2.0 < other < y for other in above):
        right = max(right - INTO - 0.3, left + 0.9)
    base = y - 0.62
    points = [
        (left + 0.1, base),
        (left + 0.4, base - 0.4),
        (right - 0.4, base - 0.4),
        (right - 0.1, base),
    ]
    staff.add(ink.curve("arc", points, 0.15, owner=owner))


def _past(staff: Staff, left: float, right: float, y: float) -> float:
    """Return where a line along a string may begin: past the arrows that rise there."""
    for one in sorted((i.box for i in staff.inks if i.kind == "bend"), key=lambda box: box.left):
        crossing = one.top < y + 0.6 and y - 1.2 < one.bottom
        if crossing and one.left < left + 2.0 and left - 0.3 < one.right < right:
            left = one.right + 0.1
    return left


def _longest(staff: Staff, left: float, right: float, y: float) -> tuple[float, float]:
    """Return the longest part of a string between arrows that rise through it."""
    boxes = [box for one in staff.inks if one.kind == "bend" for box in one.boxes]
    crossing = [b for b in boxes if b.top < y + 0.5 and y - 0.5 < b.bottom]
    parts = []
    for box in sorted(box for box in crossing if left < box.right and box.left < right):
        parts.append((left, box.left - 0.1))
        left = max(left, box.right + 0.1)
    return max([*parts, (left, right)], key=lambda part: part[1] - part[0])


def _nowhere(staff: Staff, column: Column) -> None:
    """Draw slides from and to nowhere."""
    for node in column.nodes:
        box = column.drawn.get(node.head.string)
        y = row(node.head.string)
        if box is not None and node.first and node.head.into:
            rise = 0.5 if node.head.into == "/" else -0.5
            ends = (box.left - 0.2 - INTO, y + rise, box.left - 0.2, y - rise)
            staff.add(ink.line("slide", ends, 0.16, owner=node.name))
        if node.head.out and not (node.head.onward or node.small):
            rise = 0.5 if node.head.out == "/" else -0.5
            x = (box.right if box is not None else column.x) + 0.2
            x = _past(staff, x, x + 5.0, y)
            ends = (x, y + rise, min(x + INTO, column.until - 0.2), y - rise)
            staff.add(ink.line("slide", ends, 0.16, owner=node.name))


def _articulations(staff: Staff) -> None:
    """Draw accents and staccato, which no notation over the tab shows."""
    for column in staff.columns:
        marks = {mark for node in column.nodes if node.first for mark in node.head.marks}
        for mark, name in (("short", "staccato"), ("accent", "accent")):
            if mark in marks:
                sign = ink.music("artic", name, column.x, 0.0, owner=column.nodes[0].name)
                staff.inks.append(staff.sky.put(sign, 0.45, 0.0))


def _letters(staff: Staff) -> None:
    """Write H, P and their like over their arcs, and trills."""
    for join in staff.made.joins:
        one, two = staff.spots.get(join.start), staff.spots.get(join.end)
        if join.sign in LETTERS and one is not None and two is not None:
            middle = (one.x + two.x) / 2
            letter = ink.words("letter", LETTERS[join.sign], middle, 0.0, LABEL, owner=join.end)
            if not any(i.kind == "letter" and abs(i.box.left - letter.box.left) < 0.1
                       for i in staff.inks):  # fmt: skip
                staff.inks.append(staff.sky.put(letter, 0.2, 0.1))
    for trill in trill_signs(staff.score, staff.made, staff.columns, accidentals=False):
        staff.inks.append(staff.sky.put(trill))


def _waves(staff: Staff) -> None:
    """Draw vibrato over the notes it shakes, after the arrow of a bend."""
    for left, right, wide, owner in waves(staff.columns):
        own = [
            i.box.right
            for i in staff.inks
            if i.kind in ("bend", "bend size") and i.box.right < right
            and _same(i.owner, owner)
        ]  # fmt: skip
        start = max([left, *(edge + 0.3 + WAVE for edge in own)])
        if right - start < 1.6:
            start = left
        right = max(right, start + 1.6)
        wave = ink.wave("vibrato", start, right, wide=wide, owner=owner)
        staff.inks.append(staff.sky.put(wave, 0.3 + WAVE, 0.25 + WAVE, around=WAVE))


def _same(one: str, other: str) -> bool:
    """Tell whether two ids are of one event and string."""
    return one.split("n")[0] == other.split("n")[0] and one[-1:] == other[-1:]
