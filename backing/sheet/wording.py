"""Words over a staff, and strokes and fingers under it: the same for notation and tablature.

Conventions: as in `backing.sheet.tab`. References: signs and words are common practice.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence

from backing.sheet import ink
from backing.sheet.columns import FINGER, LABEL, STROKE, Column, row
from backing.sheet.ink import Ink, Skyline
from backing.sheet.score import Head
from phrases.techniques import MARKS, TECHNIQUES

__all__ = ["hands", "spanned", "techniques", "wording"]

TEXTS = {n: one.over for n, one in MARKS.items() if one.over and not one.over.endswith("-")}
SPANS = {n: one.over[:-1] for n, one in MARKS.items() if one.over.endswith("-")}
STROKES = {"d": "down", "u": "up"}
FINGERS = ("1", "2", "3", "4")


def wording(
    every: Sequence[Column], sky: Skyline, *, without: Container[str] = ()
) -> Iterator[Ink]:
    """Yield palm mutes, ringing and other words over a staff.

    They are set over the `sky`, which they raise, `without` marks that the staff shows otherwise.
    """
    for mark, text in SPANS.items():
        for run in _runs(every, mark):
            yield sky.put(_span(text, run), 0.3)
    for column in every:
        marks = {m for node in column.nodes if node.first for m in node.head.marks}
        marks |= {"late"} if any(mark.endswith("ms") for mark in marks) else set()
        said = [text for mark, text in TEXTS.items() if mark in marks and mark not in without]
        if said:
            word = ink.words(
                "word", ", ".join(said), column.x - 0.5, 0.0, LABEL, face="italic", anchor=0.0,
                owner=column.nodes[0].name,
            )  # fmt: skip
            yield sky.put(word, 0.3, 0.6)


def techniques(every: Sequence[Column], sky: Skyline, *, manner: bool) -> Iterator[Ink]:
    """Yield the words that the table of techniques wants over a staff.

    `manner` says too how wide, how long or how fast something is done.
    """
    for column in every:
        said = [
            (words, node.name)
            for node in column.nodes
            if node.first
            for words in _said(node.head, manner=manner)
            if words
        ]
        if said:
            words = ", ".join(dict.fromkeys(word for word, _ in said))
            word = ink.words("technique", words, column.x, 0.0, LABEL, owner=said[0][1])
            yield sky.put(word, 0.3, 0.2)


def _said(head: Head, *, manner: bool) -> Iterator[str]:
    if head.link:
        yield TECHNIQUES[head.link].over
    for move in head.moves:
        yield from (move.technique.over, move.words if manner else "")


def _runs(every: Sequence[Column], mark: str) -> Iterator[list[Column]]:
    """Yield neighbours that have a mark; what only rings on between them does not part them."""
    run: list[Column] = []
    for column in every:
        if any(mark in link.marks for node in column.nodes for link in node.head.chain):
            run.append(column)
        elif run and any(node.first and not node.join for node in column.nodes):
            yield run
            run = []
    if run:
        yield run


def _span(text: str, run: Sequence[Column]) -> Ink:
    """Return a word with a dashed line to the end of what it is said of."""
    left = min(run[0].left, run[0].x - 0.5)
    end = max(run[-1].right, run[-1].x + 0.5) if text == "P.M." else run[-1].until - 0.3
    return spanned(text, left, end, owner=run[0].nodes[0].name)


def spanned(
    text: str, left: float, end: float, size: float = LABEL, *, hook: bool = True, owner: str = ""
) -> Ink:
    """Return a word at `left` with a dashed line to `end`, where there is room for one.

    The line is closed by a `hook`, but where it goes on in the next system.
    """
    word = ink.words("word", text, left, 0.0, size, face="italic", anchor=0.0, owner=owner)
    left = word.box.right + 0.35
    if end < left + 1.0:
        return word
    drawn = [word, ink.line("span", (left, -0.45, end, -0.45), owner=owner, dash="0.6 0.5")]
    drawn += [ink.line("span", (end, -0.45, end, 0.15), owner=owner)] if hook else []
    box = ink.around(one.box for one in drawn)
    return Ink("word", (box,), "".join(one.draw() for one in drawn), owner=owner)


def hands(every: Sequence[Column], floor: Skyline) -> Iterator[Ink]:
    """Yield strokes and fingers in two rows under a staff, the high string's finger on top."""
    strokes, fingers = list[Ink](), list[Ink]()
    for column in every:
        nodes = sorted((n for n in column.nodes if n.first), key=lambda n: row(n.head.string))
        marks = {mark for node in nodes for mark in node.head.marks}
        sign = next((name for mark, name in STROKES.items() if mark in marks), None)
        if sign is not None:
            one = ink.music("stroke", sign, column.x, 0.0, STROKE, owner=column.nodes[0].name)
            strokes.append(one.moved(0.0, -one.box.top))
        down = 0.0
        for node in nodes if marks & set(FINGERS) else ():
            # An open string of a chord has a 0, so that each finger stands for its string.
            own = next((mark for mark in node.head.marks if mark in FINGERS), "")
            own = own or ("0" if node.head.fret == 0 else "")
            if own:
                one = ink.words("finger", own, column.x, 0.0, FINGER, owner=node.name)
                fingers.append(one.moved(0.0, down - one.box.top))
                down += FINGER * 0.95
    for line in filter(None, (strokes, fingers)):
        edge = max(floor.edge(one.box.left - 0.2, one.box.right + 0.2) for one in line)
        placed = [one.moved(0.0, edge + 0.5) for one in line]
        floor.add(*placed)
        yield from placed
