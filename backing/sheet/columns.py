"""The columns of a tab staff: which numbers stand where, and what room they take.

Conventions: as in `backing.sheet.tab`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from backing.sheet import ink, lettering
from backing.sheet.ink import Box, Ink, Skyline
from backing.sheet.mei import Engraving, Node
from backing.sheet.score import Score
from backing.sheet.staff import System
from phrases.fretboard import STRINGS
from phrases.techniques import TECHNIQUES

__all__ = [
    "FINGER", "GAP", "INTO", "LABEL", "NUMBER", "SIZES", "SMALL", "STROKE", "TALL", "WAVE",
    "Column", "Staff", "columns", "drop", "number_ink", "pads", "row", "shown",
    "trill_ink", "waves",
]  # fmt: skip

GAP = 1.5  # from line to line
TALL = GAP * (len(STRINGS) - 1)
NUMBER = 1.85  # size of fret numbers
SMALL = 1.5
LABEL = 1.6  # size of what stands over the staff
STROKE = 0.9
FINGER = 1.65
NARROW = 40.0  # cents; what sways further has a wide wave
WAVE = 0.18  # more room than others that words and waves keep from each other
INTO = 1.3  # length of a slide from or to nowhere
SIZES = {50: "1/4", 100: "1/2", 150: "3/4", 200: "full", 250: "1 1/4", 300: "1 1/2", 400: "2"}


@dataclass(slots=True)
class Column:
    """Notes that are picked at the same beat."""

    event: tuple[int, int]  # its bar, from 0, and its number in it
    nodes: list[Node]  # the written heads
    x: float  # the middle
    left: float  # and `right`: what the fret numbers take
    right: float
    last: bool  # whether it is the event itself, not a grace note
    until: float = 0.0  # where the next thing begins
    drawn: dict[str, Box] = field(default_factory=dict)


@dataclass(slots=True)
class Staff:
    """A tab staff on which things are put."""

    # `score` to `columns`: the music, its written heads, where they stand, and its columns.
    score: Score
    made: Engraving
    system: System
    columns: list[Column]
    inks: list[Ink] = field(default_factory=list)  # what is drawn so far
    sky: Skyline = field(default_factory=lambda: Skyline(-0.3))  # how high it reaches
    # Where each string that is held bent has its arrow.
    peaks: dict[str, tuple[float, float]] = field(default_factory=dict)
    # The column of each written head by its id.
    spots: dict[str, Column] = field(default_factory=dict)

    def add(self, *inks: Ink) -> None:
        """Draw things where they are."""
        self.inks += inks
        self.sky.add(*inks)


def pads(score: Score, made: Engraving) -> dict[str, int]:
    """Return how much room, in unseen notes, is wanted before written heads."""
    found: dict[str, int] = {}
    owed = 0
    for bar, measure in enumerate(score.measures):
        for number, event in enumerate(measure.events):
            for index, column in enumerate(made.nodes[bar][number]):
                # The first of some grace notes comes too near to what stands before it.
                wanted = owed + int(
                    bool(number) and not index and len(made.nodes[bar][number]) > 1
                )
                owed = 0
                for node in column:
                    if node.first and node.head.into:
                        wanted = max(wanted, 2)
                    if node.first and node.join and index:
                        wanted = max(wanted, 2 if node.join in "/\\" else 1)
                    elif node.join == "bend" or (node.first and node.join in ("/", "\\")):
                        wanted = max(wanted, 2 if index and len(column) > 1 else 1)
                    kinds = [move.technique for move in node.head.moves]
                    if event.beats < 1 and node.first:
                        bends = sum(kind.bending in ("bend", "release") for kind in kinds)
                        bends -= len(made.nodes[bar][number]) > 1 == len(event.heads)
                        trilled = any(kind.motion == "flutter" for kind in kinds)
                        owed = max(owed, bends, int(trilled))
                    bent = [{m.technique.bending for m in n.head.moves} for n in column]
                    if sum("bend" in each for each in bent) > 1:
                        owed = max(owed, 1)
                    if node.head.out and event.beats < 1:
                        owed = max(owed, 2)
                if wanted:
                    found[column[0].name] = wanted
    return found


def columns(score: Score, made: Engraving, system: System) -> list[Column]:
    """Return the columns of one system in order, with the room that their numbers take."""
    found: list[Column] = []
    for bar in sorted(system.bars):
        for number, event in enumerate(score.measures[bar].events):
            heads = _picked_together(made.nodes[bar][number])
            for index, nodes in enumerate(heads):
                last = index == len(heads) - 1
                x = _middle(made.nodes[bar][number][-1] if last else nodes, system)
                column = Column((bar, number), nodes, x, x, x, last)
                for node in nodes:
                    if shown(node, first=made.alone or not found):
                        box = number_ink(node, x, 0.0).box
                        column.left = min(column.left, box.left)
                        trill = trill_ink(node, box.right)
                        right = box.right if trill is None else trill.box.right
                        column.right = max(column.right, right)
                found.append(column)
            if event.rest and found:
                name = f"b{bar}e{number}"
                found[-1].until = found[-1].until or system.rests[name].left
    for column, after in pairwise(found):
        edge = after.left if after.left < after.x else after.x - 0.5
        if any(node.first and node.head.into for node in after.nodes):
            edge -= INTO + 0.3
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


def shown(node: Node, *, first: bool) -> bool:
    """Tell whether a head has a fret number: what is picked or reached, and what is held.

    `first` says whether what is held from before is shown: in brackets, as the first thing of a
    system or where no notation staff shows it. What begins or ends something is shown anyway.
    """
    if node.join == "tie":
        leaves = node.head.out or node.head.leads
        trilled = any(move.technique.motion == "flutter" for move in node.head.moves)
        return first or bool(leaves) or trilled
    if node.join == "release":
        return node.first and not node.cents
    # A bend that begins on a tied head rises from the fret in brackets.
    return node.first and node.join != "pre"


def row(string: str) -> float:
    """Return the y of a string."""
    return GAP * (len(STRINGS) - 1 - STRINGS.index(string))


def number_ink(node: Node, x: float, y: float) -> Ink:
    """Return a fret number, in brackets where nothing new is picked."""
    head = node.head
    size = SMALL if node.grace else NUMBER
    text = "×" if head.fret is None else str(head.fret)
    if head.fret is None:
        size *= 1.35
    drawn = lettering.text(text, size, "bold")
    if node.join in ("tie", "release", "bend") or "ghost" in head.marks:
        drawn = lettering.bracketed(drawn, SMALL if node.grace else NUMBER)
    return ink.outline("fret", drawn, x, y + drop(text, size), 0.5, node.name)


def trill_ink(node: Node, left: float) -> Ink | None:
    """Return the fret that a trill goes to, in brackets right of its number."""
    frets = [move.fret for move in node.head.moves if move.technique.motion == "flutter"]
    if not frets or not node.first:
        return None
    drawn = lettering.bracketed(lettering.text(str(frets[0]), SMALL, "bold"), SMALL)
    y = row(node.head.string) + drop("0", SMALL)
    return ink.outline("fret", drawn, left + 0.3, y, 0.0, node.name)


def drop(text: str, size: float) -> float:
    """Return how far a number's baseline lies below its line."""
    return size * (0.25 if "×" in text else lettering.CAP / 2 - 0.005)


def waves(every: Sequence[Column]) -> list[tuple[float, float, bool, str]]:
    """Return where vibrato begins and ends, whether it is wide, and the head that begins it."""
    found: list[tuple[float, float, bool, str]] = []
    last: Column | None = None
    for column in every:
        swaying = [node for node in column.nodes if node.head.sway]
        if not swaying or not column.last:
            last = None if column.last else last
            continue
        wide = any(TECHNIQUES[node.head.sway].cents > NARROW for node in swaying)
        right = column.until - 0.3
        if last is not None and found[-1][2] == wide and all(n.join == "tie" for n in swaying):
            found[-1] = (found[-1][0], right, wide, found[-1][3])
        else:
            left = column.x - 0.4
            found.append((left, max(right, left + 1.6), wide, swaying[0].name))
        last = column
    return found
