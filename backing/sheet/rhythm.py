"""Stems, beams and rests under a tab that stands alone, so that it tells the rhythm.

Conventions: as in `backing.sheet.tab`. References: common practice: stems under the staff, a short
stem for a half note, none for a whole note.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from backing.sheet import ink, lettering
from backing.sheet.columns import TALL, Column
from backing.sheet.ink import Ink
from backing.sheet.score import Score, beamed
from backing.sheet.staff import System
from backing.sheet.values import VALUES

__all__ = ["rhythm"]

START, END = 0.7, 3.6  # of a stem, under the staff
HALF = 1.3  # length of a half note's
ROOM = 2  # flags for which a stem is long enough
BEAM, SPACE = 0.5, 0.75
METER = 1.35
STEP, FURTHEST = 0.1, 2.5  # by which a rest moves
FLAGS = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4, "128th": 5, "256th": 6}


def rhythm(
    score: Score, system: System, every: Sequence[Column], others: Sequence[Ink]
) -> list[Ink]:
    """Return the rhythm of a system, and its rests, under and on the tab staff."""
    low = max([TALL, *(b.bottom for one in others for b in one.boxes if one.kind != "bar line")])
    low = low - TALL if low > TALL + 0.2 else 0.0
    shortest = max(
        FLAGS.get(event.value, 0) for bar in system.bars for event in score.measures[bar].events
    )
    stem = TALL + low + START, TALL + low + END + SPACE * max(0, shortest - ROOM)
    found: list[Ink] = []
    where = {column.event: column.x for column in every if column.last}
    for bar in sorted(system.bars):
        events = score.measures[bar].events
        for number, event in enumerate(events):
            if event.rest:
                box = system.rests[f"b{bar}e{number}"]
                name = f"rest {VALUES[event.value].denominator}"
                middle = box.left + 0.6 if event.dots else (box.left + box.right) / 2
                sign = ink.music("rest", name, middle, 0.0).level(TALL / 2)
                # Right of the arrows and slides of what rings before it.
                near = [one for one in others if one.kind in ("bend", "slide", "fret")]
                sign = ink.cleared(sign, near, (STEP, 0.0), FURTHEST, STEP) or sign
                found.append(sign)
                if event.dots:
                    found.append(_dot(sign.box.right + 0.5, TALL / 2))
        for numbers in beamed(events):
            if not events[numbers[0]].rest:
                found += _group(score, bar, numbers, where, stem)
        found += _tuplets(score, system, bar, where, stem[1] + 1.4)
    return found + _meter(score, system)


def _meter(score: Score, system: System) -> list[Ink]:
    """Return the time signature where the system has one."""
    if system.meter is None:
        return []
    x = (system.meter.left + system.meter.right) / 2
    found = []
    for number, y in ((score.meter.numerator, TALL * 0.3), (score.meter.denominator, TALL * 0.7)):
        digits = [lettering.glyph(f"time {digit}", METER) for digit in str(number)]
        at = x - sum(one.advance for one in digits) / 2
        for one in digits:
            found.append(ink.outline("meter", one, at, 0.0, 0.0, "").level(y))
            at += one.advance
    return found


def _tuplets(
    score: Score, system: System, bar: int, where: dict[tuple[int, int], float], y: float
) -> list[Ink]:
    """Return the numbers of tuplets, with a bracket where no beam holds them together."""
    found: list[Ink] = []
    events = score.measures[bar].events
    start = 0
    for number, event in enumerate(events):
        if event.tuplet is None:
            continue
        if event.tuplet.start:
            start = number
        if not event.tuplet.stop:
            continue
        owner = f"b{bar}e{number}"
        xs = []
        for n in range(start, number + 1):
            rest = system.rests.get(f"b{bar}e{n}")
            xs.append(where[bar, n] if rest is None else (rest.left + rest.right) / 2)
        middle = (xs[0] + xs[-1]) / 2
        text = ink.words(
            "tuplet", str(event.tuplet.actual), middle, y, 1.4, face="italic", owner=owner
        )
        found.append(text)
        inside = events[start : number + 1]
        beamed = all(e.value in FLAGS and not e.rest for e in inside)
        if not beamed or int(inside[0].at) != int(inside[-1].at):
            for a, b in ((xs[0] - 0.4, text.box.left - 0.3), (text.box.right + 0.3, xs[-1] + 0.4)):
                found.append(ink.line("tuplet", (a, y - 0.45, b, y - 0.45), 0.11, owner=owner))
            for at in (xs[0] - 0.4, xs[-1] + 0.4):
                found.append(ink.line("tuplet", (at, y - 0.95, at, y - 0.45), 0.11, owner=owner))
    return found


def _group(
    score: Score,
    bar: int,
    numbers: list[int],
    where: dict[tuple[int, int], float],
    stem: tuple[float, float],
) -> list[Ink]:
    """Return the stems, dots, flags and beams of notes that are beamed together."""
    events = score.measures[bar].events
    found: list[Ink] = []
    top, end = stem
    xs = [where[bar, n] for n in numbers]
    counts = [FLAGS.get(events[n].value, 0) for n in numbers]
    for n, x, count in zip(numbers, xs, counts, strict=True):
        event = events[n]
        if event.value != "whole":
            foot = top + HALF if event.value == "half" else end
            found.append(ink.line("stem", (x, top, x, foot), 0.13))
        if event.dots:
            flagged = len(numbers) == 1 and count
            found.append(
                _dot(x + (1.6 if flagged else 0.55), top + HALF - 0.35 if not count else top + 0.3)
            )
        if len(numbers) == 1 and count:
            sign = ink.outline("flag", lettering.glyph(f"flag {count}"), x, end, 0.0, "")
            found.append(sign.moved(0.0, min(0.0, end - sign.box.bottom)))
    if len(numbers) > 1:
        for level in range(1, max(counts) + 1):
            y = end - (level - 1) * SPACE - BEAM / 2
            for left, right in _beams(xs, counts, level):
                found.append(ink.line("beam", (left, y, right, y), BEAM))
    return found


def _beams(xs: Sequence[float], counts: Sequence[int], level: int) -> list[tuple[float, float]]:
    """Return where the beams of a level begin and end; a lone note has half a beam."""
    found = []
    for flagged, group in groupby(range(len(xs)), lambda n: counts[n] >= level):
        run = list(group)
        if not flagged:
            continue
        left, right = xs[run[0]] - 0.06, xs[run[-1]] + 0.06
        if len(run) == 1:
            left, right = (left, left + 1.1) if run[0] == 0 else (right - 1.1, right)
        found.append((left, right))
    return found


def _dot(x: float, y: float) -> Ink:
    return ink.music("dot", "dot", x, y)
