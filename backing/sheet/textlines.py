"""The lines of plain-text tablature: columns of signs, and how they break into systems.

Conventions: as in `backing.sheet.text`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from backing.sheet.score import Head, Measure, Score, ScoreEvent
from phrases.counting import count_word
from phrases.fretboard import STRINGS
from phrases.phrase import Move, bend_cents
from phrases.techniques import MARKS, TECHNIQUES

__all__ = ["SIGNS", "TextColumn", "columns", "systems", "used"]

GAPS = (4, 3, 2, 1)  # dashes for a beat, widest first
STROKES = ("d", "u")
FINGERS = ("1", "2", "3", "4")

# Each sign with what it means; a text explains those that it uses.
SIGNS: dict[str, str] = {
    **{one.sign: one.meaning or one.name for one in TECHNIQUES.values()},
    "(1/4)": "a quarter tone",
    "x": "muted string",
    "()": "ghost note",
    "(3)": "silence from that count",
    **{one.text: one.told or one.name for one in MARKS.values() if one.text},
    "d": "down-stroke",
    "u": "up-stroke",
    "cresc.": "louder and louder",
    "dim.": "softer and softer",
    "rit.": "slower and slower, while the band keeps its tempo",
}
TOUCHES = {name: one.text for name, one in MARKS.items() if one.text}
SLOWING = "rit."
_MANNER = re.compile(r"\(([^)]*[a-z/][^)]*)\)")  # how wide, how long: in words
ABOVE = ("label", "slowing", "loud", "tip", "chord", "count")
BELOW = ("stroke", "finger", "touch")


@dataclass(slots=True)
class TextColumn:
    """The notes and signs written at one horizontal place."""

    # By string, what leads to the fret (a sign) and what stands from there on.
    cells: dict[str, tuple[str, str]] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)  # by row of `ABOVE` and `BELOW`
    beats: Fraction = Fraction(0)  # how long until the next column
    bar: bool = False  # whether it is a bar line
    slows: bool = False  # whether it is played slower

    @property
    def lead(self) -> int:
        """Number of characters before the widest fret."""
        return max((len(lead) for lead, _ in self.cells.values()), default=0)

    def width(self, gap: int) -> int:
        """Return its width in characters, at so many dashes a beat."""
        if self.bar:
            return 2
        body = max((len(text) for _, text in self.cells.values()), default=0)
        words = max((len(word) for word in self.words.values()), default=0)
        room = 1 + int(self.beats * gap)
        return self.lead + max(body + room, words + 1)


def columns(score: Score, measure: Measure) -> list[TextColumn]:
    """Return the columns of a bar, without its bar lines."""
    found: list[TextColumn] = []
    slowings = list(score.within(score.slowings, measure))
    beat, silent = 0, False
    for event in measure.events:
        column = TextColumn(beats=event.beats)
        news = _news(event)
        starts_rest = event.rest and not silent
        silent = event.rest
        if news or starts_rest:
            beat_now = int(event.at) + 1
            word = count_word(beat_now, event.at % 1, beat)
            beat = beat_now
            column.words["count"] = f"({word})" if event.rest else word
        if event.tips:
            column.words["tip"] = "".join(f"[{number}]" for number in event.tips)
        if news:
            column.cells = {head.string: _cell(head) for head in event.heads}
            column.words.update(_below(event))
        for row, labels in (("label", measure.labels), ("chord", measure.chords)):
            names = [
                label.text
                for label in labels
                if event.at <= max(label.at, measure.start) < event.end
            ]
            if names:
                column.words[row] = " ".join(names)
        loud = [
            one.text
            for one in score.within(score.hairpins, measure)
            if one.begins and event.at <= one.at < event.end
        ]
        if loud:
            column.words["loud"] = loud[0]
        column.slows = any(one.at < event.end and event.at < one.end for one in slowings)
        if any(one.begins and event.at <= one.at < event.end for one in slowings):
            column.words["slowing"] = SLOWING
        same = found and found[-1].slows == column.slows
        if same and not column.words and not column.cells:
            found[-1].beats += column.beats
        else:
            found.append(column)
    return found


def _news(event: ScoreEvent) -> bool:
    """Tell whether something begins at an event that has heads."""
    return any(not one.tied or one.moves for head in event.heads for one in head.chain)


def _cell(head: Head) -> tuple[str, str]:
    first = head.chain[0]
    lead = first.link or first.into
    return lead, "".join(_written(one, led=number == 0) for number, one in enumerate(head.chain))


def _written(head: Head, *, led: bool) -> str:
    fret = "x" if head.fret is None else str(head.fret)
    if "ghost" in head.marks:
        fret = f"({fret})"
    text = "" if head.tied else fret if led else head.link + fret
    return text + "".join(_technique(move, head.fret or 0) for move in head.moves)


def _technique(move: Move, fret: int) -> str:
    if not move.technique.bending:
        return str(move)
    cents = bend_cents(move, fret)
    if cents % 100:
        return f"{move.sign}({' '.join(('1/4', *move.manner))})"
    told = f"({' '.join(move.manner)})" if move.manner else ""
    return f"{move.sign}{fret + cents // 100}{told}"


def _below(event: ScoreEvent) -> Iterator[tuple[str, str]]:
    """Yield what stands under an event, by its row."""
    marks = [one.marks for head in event.heads for one in head.chain if one.marks]
    strokes = dict.fromkeys(mark for own in marks for mark in own if mark in STROKES)
    if strokes:
        yield "stroke", "".join(strokes)
    # An open string of a chord has a 0, so that each finger stands for its string.
    fingers = [
        next((mark for mark in first.marks if mark in FINGERS), "0" if first.fret == 0 else "")
        for first in (head.chain[0] for head in event.heads)
        if first.picked
    ]
    if set(fingers) & set(FINGERS):
        yield "finger", "+".join(filter(None, fingers))
    touches = dict.fromkeys(
        TOUCHES.get(mark, "late" if mark.endswith("ms") else "") for own in marks for mark in own
    )
    if any(touches):
        yield "touch", " ".join(filter(None, touches))


def systems(
    bars: Sequence[Sequence[TextColumn]], width: int, *, fingering: bool
) -> Iterator[Iterator[str]]:
    """Yield the lines of each system: whole bars, or a part of one that is too wide.

    A line has `width` characters at most; `fingering` says whether strokes and fingers stand
    below.
    """
    below = BELOW if fingering else BELOW[2:]
    for line in _broken(bars, width):
        yield _drawn(line, width, below)


def _broken(bars: Sequence[Sequence[TextColumn]], width: int) -> Iterator[list[TextColumn]]:
    line: list[TextColumn] = [TextColumn(bar=True)]
    for bar in bars:
        closed = [*bar, TextColumn(bar=True)]
        if len(line) > 1 and _wide([*line, *closed]) > width:
            yield line
            line = [TextColumn(bar=True)]
        line += closed
        broken = False
        while (fits := _fitting(line, width)) < len(line):
            yield line[:fits]
            line, broken = [TextColumn(), *line[fits:]], True
        if broken:
            yield line
            line = [TextColumn(bar=True)]
    if len(line) > 1:
        yield line


def _fitting(line: Sequence[TextColumn], width: int) -> int:
    """Return how many columns fit on a line; a place that is too wide for it has one to itself.

    A bar line never goes to the next line alone.
    """
    if _wide(line) <= width:
        return len(line)
    most = max(n for n in range(2, len(line)) if n == 2 or _wide(line[:n]) <= width)
    if most < len(line) - 1 or not line[-1].bar:
        return most
    return most - 1 if most > 2 else len(line)


def _wide(line: Sequence[TextColumn], gap: int = GAPS[1]) -> int:
    """Return the characters that a line takes, with the names of the strings."""
    return 1 + sum(column.width(gap) for column in line) - line[-1].bar


def _drawn(line: Sequence[TextColumn], width: int, below: Sequence[str]) -> Iterator[str]:
    gap = next((gap for gap in GAPS if _wide(line, gap) <= width), GAPS[-1])
    rows = dict.fromkeys((*ABOVE, *STRINGS, *below), " ")
    for number, string in enumerate(STRINGS):
        rows[string] = STRINGS[number]
    at = 1
    for column in line:
        start = at + column.lead
        for row in (*ABOVE, *below):
            if row != "slowing":
                rows[row] = rows[row].ljust(start) + column.words.get(row, "")
        end = at + column.width(gap)
        for string in STRINGS:
            lead, text = column.cells.get(string, ("", ""))
            text = lead.rjust(column.lead, "-") + text if column.cells else ""
            rows[string] += "|-" if column.bar else text.ljust(end - at, "-")
        at = end
    if line[-1].bar:
        for string in STRINGS:
            rows[string] = rows[string][:-1]
    for start, end, word in _slowed(line, gap):
        dashes = " -" * ((end - start - len(word)) // 2)
        rows["slowing"] = rows["slowing"].ljust(start) + word + dashes
    for row in (*ABOVE, *reversed(STRINGS), *below):
        if rows[row].strip():
            yield rows[row].rstrip()


def _slowed(line: Sequence[TextColumn], gap: int) -> Iterator[tuple[int, int, str]]:
    """Yield where on a line it slows down and until where, with the word that stands there."""
    at, start, word = 1, 0, ""
    for column in (*line, TextColumn()):
        begins = SLOWING in column.words.values()
        if word and (begins or not (column.slows or column.bar)):
            yield start, at, word
            word = ""
        if column.slows and not word:
            start, word = at + column.lead, SLOWING if begins else f"({SLOWING})"
        at += column.width(gap)


def used(bars: Iterable[Iterable[TextColumn]], *, fingering: bool) -> set[str]:
    """Return the keys of `SIGNS` that stand somewhere."""
    found: set[str] = set()
    for column in (column for bar in bars for column in bar):
        for lead, text in column.cells.values():
            found |= _signs(lead + text)
        found |= {"(3)"} if column.words.get("count", "").startswith("(") else set()
        found |= set(column.words.get("touch", "").split())
        found |= {column.words[row] for row in ("slowing", "loud") if row in column.words}
        if fingering:
            found |= set(column.words.get("stroke", ""))
    return found & set(SIGNS)


def _signs(text: str) -> set[str]:
    found = set()
    text = _MANNER.sub(lambda told: "(1/4)" if told[1].startswith("1/4") else "", text)
    for sign in ("(1/4)", *sorted(TECHNIQUES, key=len, reverse=True), "x", "("):
        if sign in text:
            found.add("()" if sign == "(" else sign)
            text = text.replace(sign, "")
    return found
