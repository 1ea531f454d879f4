"""The tab staff: six lines under the notation, note under note, with everything the hands do.

Conventions: lengths are in staff spaces, y is 0 on the top line (the high e string) and grows
downwards. A bend is an arrow out of the staff with its size at the tip; the wider the bend, the
higher the arrow. A release comes down to the fret in brackets. Strokes and fingers stand in two
rows under the staff.

References: signs are common practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from backing.sheet import ink, lettering
from backing.sheet.ink import Box, Ink, Skyline
from backing.sheet.mei import Node, Plan
from backing.sheet.score import Event, Head, Score
from backing.sheet.staff import System
from phrases.fretboard import STRINGS

__all__ = ["GAP", "TALL", "Column", "columns", "pads", "tab"]

GAP = 1.5  # from line to line
TALL = GAP * (len(STRINGS) - 1)
NUMBER = 1.85  # size of fret numbers
SMALL = 1.5
LABEL = 1.45  # size of what stands over the staff
STROKE = 0.8
FINGER = 1.5
AIR = 0.22  # around a fret number
SIZES = {50: "1/4", 100: "1/2", 150: "3/4", 200: "full", 250: "1 1/4", 300: "1 1/2", 400: "2"}
HIGH = {50: 1.4, 100: 2.0, 200: 2.85, 300: 3.7}
ARROW = 1.4  # how far right of its fret a bend's arrow stands, at most
INTO = 1.3  # length of a slide from or to nowhere
TEXTS = {"rake": "rake", "slow": "slow", "late": "late", "tremolo": "trem."}
SPANS = {"pm": "P.M.", "ring": "let ring"}


@dataclass(slots=True)
class Column:
    """What sounds together.

    Attributes
    ----------
    event
        Its bar, from 0, and its number in it.
    nodes
        The written heads.
    x
        The middle.
    left, right
        What the fret numbers take.
    last
        Whether it is the event itself, not a grace note.
    until
        Where the next thing begins.
    """

    event: tuple[int, int]
    nodes: list[Node]
    x: float
    left: float
    right: float
    last: bool
    until: float = 0.0
    drawn: dict[str, Box] = field(default_factory=dict)


def pads(score: Score, made: Plan) -> dict[str, int]:
    """Return how much room, in unseen notes, is wanted before written heads."""
    found: dict[str, int] = {}
    owed = 0
    for bar, measure in enumerate(score.measures):
        for number, event in enumerate(measure.events):
            for index, column in enumerate(made.nodes[bar][number]):
                # The first of some grace notes comes too near to what stands before it.
                wanted = owed + int(not index and len(made.nodes[bar][number]) > 1)
                owed = 0
                for node in column:
                    if node.first and node.head.into:
                        wanted = max(wanted, 1 + (node.head.fret or 0) // 10)
                    if node.first and node.join and index:
                        wanted = max(wanted, 2 if node.join in "/\\" else 1)
                    elif node.join == "bend" or (node.first and node.join in ("/", "\\")):
                        wanted = max(wanted, 1)
                    signs = [move.sign for move in node.head.moves]
                    if event.beats < 1 and node.first:
                        bends = sum(sign in ("b", "r") for sign in signs)
                        bends -= len(made.nodes[bar][number]) > 1
                        owed = max(owed, bends, int("tr" in signs))
                    if sum("b" in [m.sign for m in n.head.moves] for n in column) > 1:
                        owed = max(owed, 1)
                    if any(m.sign in ("/", "\\") for m in node.head.moves) and event.beats < 1:
                        owed = max(owed, 1)
                if wanted:
                    found[column[0].name] = wanted
    return found


def columns(score: Score, made: Plan, system: System) -> list[Column]:
    """Return the columns of one system in order, with the room that their numbers take."""
    found = []
    for bar in sorted(system.bars):
        for number, event in enumerate(score.measures[bar].events):
            heads = _picked_together(made.nodes[bar][number])
            for index, nodes in enumerate(heads):
                last = index == len(heads) - 1
                x = _middle(made.nodes[bar][number][index - len(heads)], system)
                column = Column((bar, number), nodes, x, x, x, last)
                for node in nodes:
                    if _shown(node, first=not found):
                        box = _number(node, x, 0.0).box
                        column.left = min(column.left, box.left)
                        column.right = max(column.right, box.right)
                found.append(column)
            if event.rest and found:
                name = f"b{bar}e{number}"
                found[-1].until = found[-1].until or system.rests[name].left
    for column, after in zip(found, found[1:], strict=False):
        edge = after.left if after.left < after.x else after.x - 0.5
        column.until = min(column.until or edge, edge)
    if found and not found[-1].until:
        found[-1].until = system.width - 0.6
    return found


def _picked_together(every: Sequence[Sequence[Node]]) -> list[list[Node]]:
    """Return the columns of an event as they are played.

    In a double stop the small note before a bend is no grace note: it is picked with the others.
    """
    columns = [list(column) for column in every]
    if len(every) < 2 or len(every[-1]) < 2:
        return columns
    for column in columns[:-1]:
        moved = [node for node in column if not node.grace]
        columns[-1][:0] = moved
        column[:] = [node for node in column if node.grace]
    return [column for column in columns if column]


def _middle(nodes: Sequence[Node], system: System) -> float:
    boxes = [system.heads[node.name] for node in nodes]
    return sum(b.left + b.right for b in boxes) / 2 / len(boxes)


def _shown(node: Node, *, first: bool) -> bool:
    """Tell whether a head has a fret number: what is picked or reached, not what is held."""
    if node.join == "tie":
        return first
    if node.join == "release":
        return node.first and not node.cents
    return node.first and node.join not in ("bend", "pre")


def _row(string: str) -> float:
    return GAP * (len(STRINGS) - 1 - STRINGS.index(string))


def _number(node: Node, x: float, y: float) -> Ink:
    """Return a fret number, in brackets where nothing new is picked."""
    head = node.head
    size = SMALL if node.grace else NUMBER
    text = "×" if head.fret is None else str(head.fret)
    if head.fret is None:
        size *= 1.35
    if node.join in ("tie", "release") or "ghost" in head.marks:
        text = f"({text})"
    drawn = lettering.text(text, size, "bold")
    return ink.outline("fret", drawn, x, y + _drop(text, size), 0.5, node.name)


def _drop(text: str, size: float) -> float:
    """Return how far a number's baseline lies below its line."""
    return size * (0.25 if "×" in text else lettering.CAP / 2 - 0.005)


@dataclass(slots=True)
class _Staff:
    score: Score
    made: Plan
    system: System
    columns: list[Column]
    before: dict[str, Node]
    marks: bool
    inks: list[Ink] = field(default_factory=list)
    sky: Skyline = field(default_factory=lambda: Skyline(-0.3))
    peaks: dict[str, tuple[float, float]] = field(default_factory=dict)
    spots: dict[str, Column] = field(default_factory=dict)

    def add(self, *inks: Ink) -> None:
        self.inks += inks
        self.sky.add(*inks)

    def event(self, column: Column) -> Event:
        return self.score.measures[column.event[0]].events[column.event[1]]


def tab(
    score: Score,
    made: Plan,
    system: System,
    *,
    marks: bool = True,
    after: System | None = None,
) -> list[Ink]:
    """Return everything on and around the tab staff of one system.

    Parameters
    ----------
    score, made
        The music and its written heads.
    system
        Where they stand.
    marks
        Whether strokes and fingers are wanted.
    after
        The system that follows, into which slides may lead.
    """
    staff = _Staff(score, made, system, columns(score, made, system), {}, marks)
    for column in staff.columns:
        for node in column.nodes:
            staff.spots[node.name] = column
    _numbers(staff)
    _lines(staff)
    for join in made.joins:
        _join(staff, join.sign, join.start, join.end)
    for column in staff.columns:
        _nowhere(staff, column)
    _bends(staff)
    _letters(staff)
    _waves(staff)
    _texts(staff)
    if marks:
        _below(staff)
    return staff.inks


def _numbers(staff: _Staff) -> None:
    first = True
    for column in staff.columns:
        for node in column.nodes:
            y = _row(node.head.string)
            if _shown(node, first=first):
                number = _number(node, column.x, y)
                staff.add(number)
                column.drawn[node.head.string] = number.box
        first = False


def _lines(staff: _Staff) -> None:
    """Draw the six lines, open where a number stands, the bar lines and the word TAB."""
    width = staff.system.width
    for string in STRINGS:
        y = _row(string)
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
    lefts = {left for left, _ in staff.system.bars.values()}
    bars = sorted(staff.system.bars.values())
    final = max(staff.system.bars) == len(staff.score.measures) - 1
    for number, (left, right) in enumerate(bars):
        if number == 0:
            staff.inks.append(ink.line("bar line", (0.07, 0.0, 0.07, TALL), 0.14))
        last = number == len(bars) - 1
        if last and final:
            staff.inks.append(ink.line("bar line", (right - 0.25, 0, right - 0.25, TALL), 0.5))
            staff.inks.append(ink.line("bar line", (right - 0.95, 0, right - 0.95, TALL), 0.14))
        else:
            staff.inks.append(ink.line("bar line", (right - 0.07, 0, right - 0.07, TALL), 0.14))
    assert lefts
    for letter, y in zip("TAB", (1.95, 4.35, 6.75), strict=True):
        staff.inks.append(ink.words("tab sign", letter, 1.8, y, 2.4, face="bold"))


def _join(staff: _Staff, sign: str, start: str, end: str) -> None:
    """Draw a slide, or the arc of a hammer-on or pull-off."""
    one, two = staff.spots.get(start), staff.spots.get(end)
    if sign not in ("/", "\\", "h", "p") or (one is None and two is None):
        return
    string = (start if one else end).rpartition("-")[2]
    y = _row(string)
    left = one.drawn[string].right if one and string in one.drawn else None
    right = two.drawn[string].left if two and string in two.drawn else None
    if one is not None and left is None:
        left = one.x  # held by a tie
    if left is None:
        assert right is not None
        left = max(staff.system.start + 0.3, right - 2.0)
    if right is None:
        right = staff.system.width - 0.5
    owner = f"{start} {end}"
    if sign in ("/", "\\"):
        rise = 0.45 if sign == "/" else -0.45
        ends = (left + 0.25, y + rise, right - 0.25, y - rise)
        staff.add(ink.line("slide", ends, 0.16, owner=owner))
        return
    base = y - 0.62
    points = [
        (left + 0.1, base),
        (left + 0.4, base - 0.55),
        (right - 0.4, base - 0.55),
        (right - 0.1, base),
    ]
    staff.add(ink.curve("arc", points, 0.15, owner=owner))


def _nowhere(staff: _Staff, column: Column) -> None:
    """Draw slides from and to nowhere."""
    for node in column.nodes:
        box = column.drawn.get(node.head.string)
        y = _row(node.head.string)
        if box is not None and node.first and node.head.into:
            rise = 0.5 if node.head.into == "/" else -0.5
            ends = (box.left - 0.2 - INTO, y + rise, box.left - 0.2, y - rise)
            staff.add(ink.line("slide", ends, 0.16, owner=node.name))
        for move in node.head.moves:
            if move.sign in ("/", "\\") and move.fret is None and not node.small:
                rise = 0.5 if move.sign == "/" else -0.5
                x = (box.right if box is not None else column.x) + 0.2
                ends = (x, y + rise, min(x + INTO, column.until - 0.2), y - rise)
                staff.add(ink.line("slide", ends, 0.16, owner=node.name))


def _chains(staff: _Staff, column: Column) -> Iterator[tuple[Node, list[tuple[str, int]]]]:
    """Yield the bends and releases of each head of a column, with the cents they reach."""
    for node in column.nodes:
        head = node.head
        if not node.first and node.join not in ("bend", "release"):
            continue
        moves = [move.sign for move in head.moves if move.sign in ("b", "pb", "r")]
        steps = list(zip(moves, head.stations[1:], strict=True))
        if steps:
            yield node, steps


def _bends(staff: _Staff) -> None:
    labels: list[Ink] = []
    done: set[int] = set()
    for column in staff.columns:
        place = 0
        chains = sorted(_chains(staff, column), key=lambda pair: _row(pair[0].head.string))
        for node, steps in chains:
            if id(node.head) in done:
                continue
            done.add(id(node.head))
            _bend(staff, column, node, steps, place, labels)
            place += 1
    for label in labels:
        placed = staff.sky.put(label, 0.2, 0.1)
        staff.inks.append(placed)


def _high(cents: int) -> float:
    return -max(high for size, high in HIGH.items() if size <= max(cents, 50))


def _bend(
    staff: _Staff,
    column: Column,
    node: Node,
    steps: Sequence[tuple[str, int]],
    place: int,
    labels: list[Ink],
) -> None:
    """Draw the arrows of one head: out of the number, and down again."""
    string = node.head.string
    y = _row(string)
    owner = node.name
    # Bends of a stroke that happen at once need room for each.
    flat = [step for step in steps if step[0] != "pb"]
    end = _room(staff, column)
    x = column.right + AIR
    room = max(0.8, end - x - 0.5)
    step = min(ARROW, room / max(1, len(flat)))
    if place:
        step = min(step + 1.0 * place, room)
    peak = staff.peaks.get(string)
    held = node.head.bent
    prefix = node.name.split("n")[0]
    targets = [
        other.x
        for other in staff.columns
        for one in other.nodes
        if one.join == "bend" and one.head is node.head and one.name.startswith(prefix)
    ]
    for number, (sign, cents) in enumerate(steps):
        tip = _high(cents)
        if sign == "pb":
            alone = string == _top(column)
            px = column.x if alone else x
            foot = y - 0.85 if alone else y
            staff.add(ink.line("bend", (px, foot, px, tip + 0.5), 0.15, owner=owner))
            staff.add(ink.head("bend", px, tip, -1, owner=owner))
            labels.append(_label(cents, px, owner))
            peak = (px, tip)
            x = max(x, px)
        elif sign == "b":
            if held and peak is not None:
                px, py = max(peak[0], column.x), peak[1]
                if px > peak[0] + 1.0:
                    ends = (peak[0] + 0.5, py, px, py)
                    staff.add(ink.line("hold", ends, 0.13, owner=owner, dash="0.5 0.4"))
            else:
                px, py = x, y
            to = max(x + step, px + 0.7)
            if number < len(targets) and px + 0.9 < targets[number] < px + 2.6:
                to = targets[number]
            points = [(px, py), (px + 0.75 * (to - px), py), (to, (py + tip) / 2), (to, tip + 0.4)]
            staff.add(ink.curve("bend", points, 0.15, owner=owner))
            staff.add(ink.head("bend", to, tip, -1, owner=owner))
            labels.append(_label(cents, to, owner))
            peak = (to, tip)
            x = to
        else:
            peak = _release(staff, column, node, cents, peak, x, step, held, labels)
            x = peak[0] if peak else x
        held = cents
    if peak is not None and held:
        staff.peaks[string] = peak
    else:
        staff.peaks.pop(string, None)


def _release(
    staff: _Staff,
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
    timed = not any(sign == "b" or sign == "pb" for sign in _before(node, cents))
    if timed:
        # It is counted: the arrow comes down on the column itself.
        box = column.drawn.get(node.head.string)
        upper = min((b.top for b in column.drawn.values()), default=_row(node.head.string))
        foot = min(upper, 0.0) - 0.25 if not cents else _high(cents)
        to = column.x if box is None or box.top <= upper else column.x
        turn = to - 1.3
        start = peak[0] if peak is not None and peak[0] < turn else turn - 0.4
        start = max(start, staff.system.start + 0.2)
    else:
        start = turn = peak[0] if peak is not None else x
        to = max(x + step, start + 0.7)
        foot = -0.2 if not cents else _high(cents)
    top_y = top if not timed else top + 0.0
    if turn > start + 0.6 and timed:
        left = start + 0.55
        staff.add(ink.line("hold", (left, top_y, turn, top_y), 0.13, owner=owner, dash="0.5 0.4"))
    points = [
        (turn, top_y),
        (turn + 0.75 * (to - turn), top_y),
        (to, (top_y + foot) / 2),
        (to, foot - 0.4),
    ]
    staff.add(ink.curve("bend", points, 0.15, owner=owner))
    staff.add(ink.head("bend", to, foot, 1, owner=owner))
    if cents:
        labels.append(_label(cents, to, owner))
    return (to, foot)


def _before(node: Node, cents: int) -> list[str]:
    """Return the bends of a head that come before its release."""
    found = []
    for move in node.head.moves:
        if move.sign == "r":
            break
        found.append(move.sign)
    return found


def _room(staff: _Staff, column: Column) -> float:
    """Return where the next thing on any string begins."""
    bar = staff.system.bars[column.event[0]]
    edge = column.until
    if column.x < bar[1] < edge:
        edge = bar[1]
    return edge


def _top(column: Column) -> str:
    return min(column.drawn, key=_row, default="")


def _label(cents: int, x: float, owner: str) -> Ink:
    return ink.words("bend size", SIZES.get(cents, f"{cents / 200:g}"), x, 0.0, LABEL, owner=owner)


def _letters(staff: _Staff) -> None:
    """Write H and P over their arcs, and trills."""
    for join in staff.made.joins:
        one, two = staff.spots.get(join.start), staff.spots.get(join.end)
        if join.sign in ("h", "p") and one is not None and two is not None:
            middle = (one.x + two.x) / 2
            letter = ink.words("letter", join.sign.upper(), middle, 0.0, LABEL, owner=join.end)
            if not any(i.kind == "letter" and abs(i.box.left - letter.box.left) < 0.1
                       for i in staff.inks):  # fmt: skip
                staff.inks.append(staff.sky.put(letter, 0.2, 0.1))
    for column in staff.columns:
        for node in column.nodes:
            trills = [move for move in node.head.moves if move.sign == "tr"]
            if trills and node.first:
                box = column.drawn.get(node.head.string)
                x = (box.right if box is not None else column.x) + 0.3
                text = f"({trills[0].fret})"
                y = _row(node.head.string) + _drop(text, SMALL)
                number = ink.words(
                    "fret", text, x, y, SMALL, face="bold", anchor=0.0, owner=node.name
                )
                staff.add(number)
                _open(staff, node.head.string, number.box)
                sign = ink.music("trill", "trill", column.x, 0.0, 1.0, owner=node.name)
                placed = staff.sky.put(sign)
                staff.inks.append(placed)
                right = column.until - 0.3
                if right - placed.box.right > 1.6:
                    wave = ink.wave("trill", placed.box.right + 0.3, right, owner=node.name)
                    staff.inks.append(staff.sky.put(wave, 0.5))


def _open(staff: _Staff, string: str, box: Box) -> None:
    """Part the line under something drawn later."""
    y = _row(string)
    kept = []
    for one in staff.inks:
        line = one.box
        if one.kind == "tab line" and abs(line.top + 0.045 - y) < 0.1 and line.meets(box):
            for left, right in ((line.left, box.left - AIR), (box.right + AIR, line.right)):
                if right > left:
                    kept.append(ink.line("tab line", (left, y, right, y), 0.09))
        else:
            kept.append(one)
    staff.inks = kept


def _waves(staff: _Staff) -> None:
    """Draw vibrato over the notes it shakes, after the arrow of a bend."""
    for left, right, wide, owner in waves(staff.columns):
        own = [
            i.box.right
            for i in staff.inks
            if i.kind in ("bend", "bend size") and left - 0.5 < i.box.left < right
            and _same(i.owner, owner)
        ]  # fmt: skip
        start = max([left, *(edge + 0.3 for edge in own)])
        if right - start < 1.6:
            start = left
        right = max(right, start + 1.6)
        staff.inks.append(
            staff.sky.put(ink.wave("vibrato", start, right, wide=wide, owner=owner), 0.3)
        )


def _same(one: str, other: str) -> bool:
    """Tell whether two ids are of one event and string."""
    return one.split("n")[0] == other.split("n")[0] and one[-1:] == other[-1:]


def waves(every: Sequence[Column]) -> list[tuple[float, float, bool, str]]:
    """Return where vibrato begins and ends, whether it is wide, and the head that begins it."""
    found: list[tuple[float, float, bool, str]] = []
    last: Column | None = None
    for column in every:
        swaying = [node for node in column.nodes if node.head.sway]
        if not swaying or not column.last:
            last = None if column.last else last
            continue
        wide = any(node.head.sway == "~~" for node in swaying)
        right = column.until - 0.3
        if last is not None and all(node.join == "tie" for node in column.nodes):
            left, _, was, owner = found[-1]
            found[-1] = (left, right, was or wide, owner)
        else:
            left = column.x - 0.4
            found.append((left, max(right, left + 1.6), wide, swaying[0].name))
        last = column
    return found


def _texts(staff: _Staff) -> None:
    """Write palm mutes, ringing and other words over the staff."""
    for mark, text in SPANS.items():
        run: list[Column] = []
        for column in [*staff.columns, None]:
            if column is not None and any(mark in _marks(node.head) for node in column.nodes):
                run.append(column)
            elif column is None or any(node.first and not node.join for node in column.nodes):
                if run:
                    _span(staff, text, run)
                run = []
    for column in staff.columns:
        words = {m for node in column.nodes if node.first for m in node.head.marks}
        for mark, text in TEXTS.items():
            if mark in words or (mark == "late" and any(word.endswith("ms") for word in words)):
                word = ink.words(
                    "word", text, column.x - 0.5, 0.0, LABEL, face="italic", anchor=0.0,
                    owner=column.nodes[0].name,
                )  # fmt: skip
                staff.inks.append(staff.sky.put(word, 0.3, 0.6))


def _marks(head: Head) -> set[str]:
    return {mark for one in head.chain for mark in one.marks}


def _span(staff: _Staff, text: str, run: Sequence[Column]) -> None:
    owner = run[0].nodes[0].name
    word = ink.words("word", text, run[0].left, 0.0, LABEL, face="italic", anchor=0.0, owner=owner)
    end = run[-1].right if text == "P.M." else run[-1].until - 0.3
    left = word.box.right + 0.35
    if end < left + 1.0:
        staff.inks.append(staff.sky.put(word))
        return
    line = ink.line("span", (left, -0.45, end, -0.45), owner=owner, dash="0.6 0.5")
    hook = ink.line("span", (end, -0.45, end, 0.15), owner=owner)
    svg = word.draw() + line.draw() + hook.draw()
    box = ink.around([word.box, line.box, hook.box])
    staff.inks.append(staff.sky.put(Ink("word", (box,), svg, owner=owner)))


def _below(staff: _Staff) -> None:
    """Set strokes and fingers in rows under the staff."""
    rows: list[tuple[str, list[Ink]]] = [("strokes", []), ("fingers", [])]
    floor = Skyline(TALL, up=False)
    floor.add(*(one for one in staff.inks if one.kind not in ("tab line", "bar line", "tab sign")))
    for column in staff.columns:
        strokes = {m for n in column.nodes if n.first for m in n.head.marks if m in ("d", "u")}
        if strokes:
            name = "down" if "d" in strokes else "up"
            sign = ink.music("stroke", name, column.x, 0.0, STROKE, owner=column.nodes[0].name)
            rows[0][1].append(sign.moved(0.0, -sign.box.top))
        down = 0.0
        for node in sorted(column.nodes, key=lambda n: _row(n.head.string)):
            for mark in node.head.marks if node.first else ():
                if mark in ("1", "2", "3", "4"):
                    finger = ink.words("finger", mark, column.x, 0.0, FINGER, owner=node.name)
                    rows[1][1].append(finger.moved(0.0, down - finger.box.top))
                    down += FINGER * 0.95
    for _, row in rows:
        if not row:
            continue
        edge = max(floor.edge(one.box.left - 0.2, one.box.right + 0.2) for one in row)
        placed = [one.moved(0.0, edge + 0.5) for one in row]
        floor.add(*placed)
        staff.inks += placed
