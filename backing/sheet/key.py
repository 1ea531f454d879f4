"""The key to the signs: each sign that stands on a sheet, drawn, with what it means.

Conventions: lengths are in staff spaces; a sign stands around y 0. What a technique or a mark is
called comes from their tables. References: common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from backing.sheet import ink, lettering
from backing.sheet.columns import FINGER, LABEL, NUMBER, SMALL, STROKE
from backing.sheet.ink import Ink
from backing.sheet.score import Head, Score
from phrases.techniques import MARKS, STEPS, TECHNIQUES

__all__ = ["signs"]

MEANT = {
    **dict.fromkeys("/\\", "along the string; where there is an arc it is not picked again"),
    "h": "the next finger sounds the note, without a pick",
    "p": "the finger plucks the note behind it, without a pick",
    "b": "push the string until it sounds as much higher: 1/4, 1/2 or a full step",
    "r": "let the bent string down again",
    "pb": "bend first, then pick",
    "tr": "to and fro with the fret in brackets",
    "late": "a little after the beat",
    "ghost": "hardly heard; or what still rings",
}


def signs(scores: Iterable[Score], staves: str, *, marks: bool) -> list[tuple[list[Ink], str]]:
    """Return each sign of some music and what it means; `marks` has strokes and fingers too."""
    every = list(scores)
    heads = [
        link
        for score in every
        for measure in score.measures
        for event in measure.events
        for head in event.heads
        for link in head.chain
    ]
    used = {sign for head in heads for sign in _used(head)}
    found: list[tuple[list[Ink], str]] = []
    if marks:
        for way, sign in (("d", "down"), ("u", "up")):
            if way in used:
                stroke = ink.music("stroke", sign, 0.0, 0.0, STROKE).level(0.0)
                found.append(([stroke], MARKS[way].name))
        if used & set("1234"):
            found.append(([_word("1 2 3 4", FINGER)], "fingers, from the index on"))
    for sign, technique in TECHNIQUES.items():
        if sign in used:
            drawn = DRAWN[sign]() if sign in DRAWN else [_word(technique.over or sign)]
            found.append((drawn, _told(sign, technique.name)))
    if "x" in used:
        found.append(
            ([ink.words("fret", "×", 0, 0.6, NUMBER * 1.35, face="bold")], "muted string")
        )
    for name, mark in MARKS.items():
        if name in used and mark.kind not in ("stroke", "finger"):
            found.append((_marked(name), _told(name, mark.name, mark.meaning)))
    if staves != "tab" and any(TECHNIQUES[sign].bending for sign in used & TECHNIQUES.keys()):
        found.append((_hat(), "in notes: a bend or release from one to the next, by one pick"))
    if staves == "tab":
        found.append(
            (_stems(), "stems: a half note, a quarter note, two eighths; none: a whole note")
        )
    if any(score.remarks for score in every):
        found.append(([ink.circled("tip", "1", 0, 0, 1.3)], "see the tip of this number"))
    if any(score.slowings for score in every):
        found.append(([_word("rit.")], "slow down, while the band keeps its tempo"))
    return found


def _used(head: Head) -> Iterable[str]:
    """Yield what is drawn of a head, by its technique's sign or its mark's name."""
    yield from (move.sign for move in head.moves)
    yield from (sign for sign in (head.link, head.into, head.out) if sign)
    yield from ("late" if mark.endswith("ms") else mark for mark in head.marks)
    if head.tied:
        yield "ghost"
    if head.fret is None:
        yield "x"


def _told(sign: str, name: str, meaning: str = "") -> str:
    meaning = MEANT.get(sign) or meaning
    return f"{name}: {meaning}" if meaning else name


def _word(text: str, size: float = LABEL) -> Ink:
    return ink.words("word", text, 0.0, size * lettering.CAP / 2, size, face="italic")


def _number(text: str, x: float) -> Ink:
    return ink.words("fret", text, x, SMALL * lettering.CAP / 2, SMALL, face="bold")


def _slide(rise: float) -> list[Ink]:
    line = ink.line("slide", (-1.0, rise, 1.0, -rise), 0.16)
    low, high = ("5", "7") if rise > 0 else ("7", "5")
    return [_number(low, -1.8), line, _number(high, 1.8)]


def _arc(sign: str) -> list[Ink]:
    points = [(-1.4, -0.6), (-1.0, -1.0), (1.0, -1.0), (1.4, -0.6)]
    arc = ink.curve("arc", points, 0.15)
    one, other = ("5", "7") if TECHNIQUES[sign].way > 0 else ("7", "5")
    word = ink.words("word", TECHNIQUES[sign].over or sign.upper(), 0, -1.3, 1.2)
    return [_number(one, -1.5), _number(other, 1.5), arc, word]


def _arrow(way: int) -> list[Ink]:
    """Return the arrow of a bend (-1) or of a release (1)."""
    points = [(-1.2, -way * 1.0), (0.2, -way * 1.0), (0.8, 0.0), (0.8, way * 0.6)]
    return [ink.curve("bend", points, 0.15), ink.head("bend", 0.8, way * 1.2, way)]


def _hat() -> list[Ink]:
    ends = ((-1.3, 0.4, 0.0, -0.5), (0.0, -0.5, 1.3, 0.4))
    return [ink.line("angle", one, 0.14) for one in ends]


def _stems() -> list[Ink]:
    found = [ink.line("stem", (-2.2, -1.2, -2.2, -0.2), 0.13)]
    found += [ink.line("stem", (x, -1.2, x, 1.2), 0.13) for x in (-0.9, 0.4, 1.8)]
    return [*found, ink.line("beam", (0.35, 1.0, 1.85, 1.0), 0.5)]


def _marked(name: str) -> list[Ink]:
    if name == "ghost":
        drawn = lettering.bracketed(lettering.text("5", SMALL, "bold"), SMALL)
        return [ink.outline("fret", drawn, 0.0, SMALL * lettering.CAP / 2, 0.5, "")]
    if name in ("accent", "short"):
        return [ink.music("artic", "accent" if name == "accent" else "staccato", 0.0, 0.0)]
    return [_word(MARKS[name].over.rstrip("-") or name)]


DRAWN: dict[str, Callable[[], list[Ink]]] = {
    "/": lambda: _slide(0.38),
    "\\": lambda: _slide(-0.38),
    **{sign: partial(_arc, sign) for sign in STEPS},
    "b": lambda: _arrow(-1),
    "r": lambda: _arrow(1),
    "pb": lambda: [ink.line("bend", (0, 1.2, 0, -0.8), 0.15), ink.head("bend", 0, -1.2, -1)],
    "~": lambda: [ink.wave("vibrato", -1.9, 1.9)],
    "~~": lambda: [ink.wave("vibrato", -1.9, 1.9, wide=True)],
    "tr": lambda: [ink.music("trill", "trill", 0.0, 0.5)],
}
