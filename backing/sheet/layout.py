"""A score in systems: how notation, tab and what stands over them stack.

Conventions: lengths are in staff spaces; y grows downwards. Everything that is not engraved is
stacked on skylines, so nothing is put where something stands already.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial

from backing.sheet import ink, lettering
from backing.sheet.columns import TALL
from backing.sheet.ink import Box, Ink, Skyline
from backing.sheet.score import Score, Spans
from backing.sheet.spacing import STAVES, Drawn, Style, spaced
from backing.sheet.staff import System
from backing.sheet.wording import spanned

__all__ = ["STAVES", "Picture", "Style", "pictures"]

STAFF = 4.0  # height of the notation staff
ROOM = 1.0  # between what hangs under the notation and what stands over the tab
NEAREST = 4.0  # from staff to staff
CHORD = 2.3
NUMBER = 1.45
TIP = 1.3
LABEL = 1.6
OPEN = 1.6  # between the lines of a hairpin where it is widest
SLOWING = 1.9


@dataclass(frozen=True, slots=True)
class Picture:
    """One drawn system."""

    box: Box  # what it covers
    inks: tuple[Ink, ...]  # everything drawn, in the same coordinates
    bars: tuple[int, ...]  # numbers of its bars as printed

    @property
    def svg(self) -> str:
        """A whole SVG document, its letters as outlines."""
        return document(self.inks, self.box)


def pictures(score: Score, style: Style) -> list[Picture]:
    """Return the systems of a score."""
    return [
        _picture(score, one, style, not number) for number, one in enumerate(spaced(score, style))
    ]


def _picture(score: Score, drawn: Drawn, style: Style, first: bool) -> Picture:
    system = drawn.system
    inks = list(drawn.upper)
    if style.staves != "notation":
        down = 0.0
        if style.staves == "both":
            down = _down(inks, drawn.lower)
            inks.append(ink.line("bar line", (0.07, 0.0, 0.07, down), 0.14))
        inks += [one.moved(0.0, down) for one in drawn.lower]
    top = Skyline(-0.4)
    top.add(*inks)
    if not first or score.measures[min(system.bars)].number > 1:
        number = str(score.measures[min(system.bars)].number)
        inks.append(top.put(ink.words(
            "bar number", number, 0.1, 0.0, NUMBER, face="italic", anchor=0.0
        ), 0.35))  # fmt: skip
    tips = _tips(score, system, top)
    inks += tips
    inks += _row(top, _words(score, system, "chords", _chord), 0.7, beside=1.0, over=tips)
    labels = _words(score, system, "labels", partial(ink.framed, "label", y=0.0, size=LABEL))
    inks += _row(top, _hairpins(score, system), 0.5, beside=1.0)
    inks += _row(top, [*labels, *_slowings(score, system, labels)], 0.6, beside=2.0)
    box = ink.around(box for one in inks for box in one.boxes)
    box = Box(min(box.left, 0.0), box.top, max(box.right, system.width), box.bottom)
    numbers = (score.measures[bar].number for bar in sorted(system.bars))
    return Picture(box, tuple(inks), tuple(numbers))


def document(inks: Iterable[Ink], box: Box, *, letters: bool = False) -> str:
    """Return a drawing as a whole SVG document, as large as what it covers.

    `letters` leaves letters as text, for a reader that has the font; else they are outlines.
    """
    left, top, right, bottom = box
    svg = "".join(one.draw() for one in inks)
    svg = svg if letters else lettering.outlined(svg)
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


def _row(
    top: Skyline, row: Sequence[Ink], room: float, beside: float, over: Sequence[Ink] = ()
) -> list[Ink]:
    """Set inks on one line over everything that stands under any of them or near beside it.

    What is in `over` lies under the line wherever it stands.
    """
    if not row:
        return []
    edges = [top.edge(one.box.left - beside, one.box.right + beside) for one in row]
    edge = min([*edges, *(one.box.top + room / 2 for one in over)])
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


def _chord(text: str, x: float) -> Ink:
    return ink.outline("chord", lettering.chord_name(text, CHORD), x, 0.0, 0.0, text)


def _words(
    score: Score, system: System, kind: str, draw: Callable[[str, float], Ink]
) -> list[Ink]:
    """Return the chords or the labels of a system's bars, each right of the one before."""
    found: list[Ink] = []
    for bar in sorted(system.bars):
        for word in getattr(score.measures[bar], kind):
            x = _place(score, system, bar, word.at)
            found.append(draw(word.text, max([x, *(o.box.right + 0.8 for o in found[-1:])])))
    return found


def _spans(
    score: Score, system: System, every: Sequence[Spans]
) -> list[tuple[Spans, float, float, bool]]:
    """Return the spans of a system: the part that begins each, left, right, whether it ends."""
    found: list[tuple[Spans, float, float, bool]] = []
    for bar in sorted(system.bars):
        for one in score.within(every, score.measures[bar]):
            left, right = (_place(score, system, bar, at) for at in (one.at, one.end))
            if one.begins or not found:
                found.append((one, left, right, one.ends))
            else:
                found[-1] = (*found[-1][:2], right, one.ends)
    return found


def _hairpins(score: Score, system: System) -> list[Ink]:
    """Return where it becomes louder or softer: two lines that part or meet."""
    found = []
    for one, left, right, ends in _spans(score, system, score.hairpins):
        # What goes on from another system, or in one, is half open there.
        wide = (0.0 if one.begins else 0.4, 1.0 if ends else 0.6)
        here, there = wide if one.text == "cresc." else (1 - wide[0], 1 - wide[1])
        found.append(_hairpin(left, max(right - 0.4, left + 1.5), here, there))
    return found


def _hairpin(left: float, right: float, here: float, there: float) -> Ink:
    """Return two lines that are so far open, from 0 to 1, at the left and at the right."""
    lines = [
        ink.line(
            "hairpin", (left, OPEN / 2 * (way * here - 1), right, OPEN / 2 * (way * there - 1))
        )
        for way in (-1, 1)
    ]
    return ink.joined("hairpin", lines)


def _slowings(score: Score, system: System, labels: Sequence[Ink]) -> list[Ink]:
    """Return where it slows down, beside the labels; what goes on from before is in brackets."""
    found: list[Ink] = []
    for span, start, right, ends in _spans(score, system, score.slowings):
        right -= 0.3
        text = "rit." if span.begins else "(rit.)"
        end = min((one.box.left - 0.8 for one in labels if one.box.left > start), default=right)
        before = [one.box.right + 0.8 for one in (*labels, *found) if one.box.left <= start]
        left = max([start, *before])
        found.append(spanned(text, left, min(right, end), SLOWING, hook=ends))
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
