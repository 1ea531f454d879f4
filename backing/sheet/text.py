"""Tablature in plain text, for chats and e-mail.

Conventions: six lines from the high string to the low one, with the count above each note; what
is counted in brackets is silence from there. A line is at most `WIDTH` characters wide and breaks
at a bar line, or within a bar that is wider than that. References: the signs are those usual in
plain-text tablature; a bend tells the fret whose pitch it reaches.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from backing.sheet.score import Event, Head, Measure, Score
from phrases.counting import count_word
from phrases.errors import RangeError
from phrases.fretboard import STRINGS
from phrases.phrase import Move, bend_cents

__all__ = ["NARROWEST", "SIGNS", "WIDTH", "text_tab"]

WIDTH = 80
NARROWEST = 40
GAPS = (4, 3, 2, 1)  # dashes for a beat, widest first
STROKES = ("d", "u")
FINGERS = ("1", "2", "3", "4")

# Each sign with what it means; a text explains those that it uses.
SIGNS: dict[str, str] = {
    "h": "hammer-on",
    "p": "pull-off",
    "/": "slide up",
    "\\": "slide down",
    "b": "bend to the pitch of that fret",
    "(1/4)": "a quarter tone",
    "r": "release",
    "pb": "bent before it is picked",
    "~": "vibrato",
    "~~": "wide vibrato",
    "tr": "trill",
    "x": "muted string",
    "()": "ghost note",
    "(3)": "silence from that count",
    ">": "accent",
    ".": "short",
    "ring": "let it ring",
    "PM": "palm mute",
    "rake": "rake across the muted strings",
    "trem": "tremolo picking",
    "slow": "slow bend",
    "sup": "supported by more fingers",
    "late": "after the beat",
    "d": "down-stroke",
    "u": "up-stroke",
}
TOUCHES: dict[str, str] = {
    "accent": ">",
    "short": ".",
    "ring": "ring",
    "pm": "PM",
    "rake": "rake",
    "tremolo": "trem",
    "slow": "slow",
    "supported": "sup",
    "late": "late",
}
ABOVE = ("label", "tip", "chord", "count")
BELOW = ("stroke", "finger", "touch")


@dataclass(slots=True)
class _Column:
    """What stands at one place.

    Attributes
    ----------
    cells
        By string, what leads to the fret (a sign) and what stands from there on.
    words
        By row of `ABOVE` and `BELOW`.
    beats
        How long until the next column.
    bar
        Whether it is a bar line.
    """

    cells: dict[str, tuple[str, str]] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    beats: Fraction = Fraction(0)
    bar: bool = False

    @property
    def lead(self) -> int:
        return max((len(lead) for lead, _ in self.cells.values()), default=0)

    def width(self, gap: int) -> int:
        """Return how many characters it takes where a beat has so many dashes."""
        if self.bar:
            return 2
        body = max((len(text) for _, text in self.cells.values()), default=0)
        words = max((len(word) for word in self.words.values()), default=0)
        room = 1 + int(self.beats * gap)
        return self.lead + max(body + room, words + 1)


def text_tab(
    score: Score, *, width: int = WIDTH, fingering: bool = True, variations: Sequence[str] = ()
) -> str:
    """Return written music as plain-text tablature.

    Parameters
    ----------
    score
        What to write.
    width
        The most characters in a line, at least `NARROWEST`.
    fingering
        Whether strokes and fingers stand below, where the phrase gives them.
    variations
        Names of the phrase's variations, which the text says it leaves out.

    Returns
    -------
    str
        Lines of ASCII signs (titles and tips keep their own letters), ended by a line feed. A line
        is wider than that only where what follows at once at one place is.

    Raises
    ------
    RangeError
        If the width is less than `NARROWEST`.
    """
    if width < NARROWEST:
        raise RangeError(f"width {width}: a tab needs at least {NARROWEST} characters")
    bars = [list(_columns(measure)) for measure in score.measures]
    below = BELOW if fingering else BELOW[2:]
    lines = list(_heading(score, width))
    for system in _systems(bars, width):
        lines += ["", *_drawn(system, width, below)]
    used = _used(bars, below)
    if used:
        legend = ", ".join(f"{sign} {SIGNS[sign]}" for sign in SIGNS if sign in used)
        lines += ["", *textwrap.wrap(legend, width)]
    for remark in score.remarks:
        place = f"[{remark.number}] {remark.place}: " if remark.number else ""
        lines += ["", *textwrap.wrap(place + " ".join(remark.text.split()), width)]
    if variations:
        names = ", ".join(f'"{name}"' for name in variations)
        lines += ["", *textwrap.wrap(f"Variations, not written here: {names}", width)]
    return "\n".join(lines) + "\n"


def _heading(score: Score, width: int) -> Iterator[str]:
    yield from textwrap.wrap(score.title, width)
    facts = [score.home if score.scale else f"key of {score.key}"]
    facts += [score.groove] if score.groove else []
    facts.append(f"{score.meter}, {float(score.tempo):g} beats a minute")
    if score.swung:
        facts.append("swung")
    yield from textwrap.wrap(", ".join(facts), width)


def _columns(measure: Measure) -> Iterator[_Column]:
    """Yield the columns of a bar, without its bar lines."""
    columns: list[_Column] = []
    beat, silent = 0, False
    for event in measure.events:
        column = _Column(beats=event.beats)
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
        if columns and not column.words and not column.cells:
            columns[-1].beats += column.beats
        else:
            columns.append(column)
    yield from columns


def _news(event: Event) -> bool:
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
    if move.sign not in ("b", "pb", "r"):
        return move.sign + ("" if move.fret is None else str(move.fret))
    cents = bend_cents(move, fret)
    if cents % 100:
        return f"{move.sign}(1/4)"
    return f"{move.sign}{fret + cents // 100}"


def _below(event: Event) -> Iterator[tuple[str, str]]:
    """Yield what stands under an event, by its row."""
    marks = [one.marks for head in event.heads for one in head.chain if one.marks]
    strokes = dict.fromkeys(mark for own in marks for mark in own if mark in STROKES)
    if strokes:
        yield "stroke", "".join(strokes)
    fingers = [mark for own in marks for mark in own if mark in FINGERS]
    if fingers:
        yield "finger", "+".join(fingers)
    touches = dict.fromkeys(
        TOUCHES.get(mark, "late" if mark.endswith("ms") else "") for own in marks for mark in own
    )
    if any(touches):
        yield "touch", " ".join(filter(None, touches))


def _systems(bars: Sequence[Sequence[_Column]], width: int) -> Iterator[list[_Column]]:
    """Yield what stands on each line: whole bars, or a part of one that is too wide."""
    line: list[_Column] = [_Column(bar=True)]
    for bar in bars:
        closed = [*bar, _Column(bar=True)]
        if len(line) > 1 and _wide([*line, *closed]) > width:
            yield line
            line = [_Column(bar=True)]
        line += closed
        broken = False
        while (fits := _fitting(line, width)) < len(line):
            yield line[:fits]
            line, broken = [_Column(), *line[fits:]], True
        if broken:
            yield line
            line = [_Column(bar=True)]
    if len(line) > 1:
        yield line


def _fitting(line: Sequence[_Column], width: int) -> int:
    """Return how many columns fit on a line; a place that is too wide for it has one to itself.

    A bar line never goes to the next line alone.
    """
    if _wide(line) <= width:
        return len(line)
    most = max(n for n in range(2, len(line)) if n == 2 or _wide(line[:n]) <= width)
    if most < len(line) - 1 or not line[-1].bar:
        return most
    return most - 1 if most > 2 else len(line)


def _wide(line: Sequence[_Column], gap: int = GAPS[1]) -> int:
    """Return the characters that a line takes, with the names of the strings."""
    return 1 + sum(column.width(gap) for column in line) - line[-1].bar


def _drawn(line: Sequence[_Column], width: int, below: Sequence[str]) -> Iterator[str]:
    gap = next((gap for gap in GAPS if _wide(line, gap) <= width), GAPS[-1])
    rows = dict.fromkeys((*ABOVE, *STRINGS, *below), " ")
    for number, string in enumerate(STRINGS):
        rows[string] = STRINGS[number]
    at = 1
    for column in line:
        start = at + column.lead
        for row in (*ABOVE, *below):
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
    for row in (*ABOVE, *reversed(STRINGS), *below):
        if rows[row].strip():
            yield rows[row].rstrip()


def _used(bars: Iterable[Iterable[_Column]], below: Sequence[str]) -> set[str]:
    """Return the keys of `SIGNS` that stand somewhere."""
    found: set[str] = set()
    for column in (column for bar in bars for column in bar):
        for lead, text in column.cells.values():
            found |= _signs(lead + text)
        found |= {"(3)"} if column.words.get("count", "").startswith("(") else set()
        for row in below[-1:]:
            found |= set(column.words.get(row, "").split())
        if "stroke" in below:
            found |= set(column.words.get("stroke", ""))
    return found & set(SIGNS)


def _signs(text: str) -> set[str]:
    found = set()
    for sign in ("(1/4)", "~~", "pb", "tr", "~", "h", "p", "b", "r", "/", "\\", "x", "("):
        if sign in text:
            found.add("()" if sign == "(" else sign)
            text = text.replace(sign, "")
    return found
