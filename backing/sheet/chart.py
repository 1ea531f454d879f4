"""The chord chart: a form in a key, four bars to a line where these have room.

Conventions: lengths are in staff spaces. Under each chord stands its degree, which is the
same in every key. A chord stands where it begins in its bar, the second of two in the middle; a
tick marks each beginning within a bar.
"""

from __future__ import annotations

from collections.abc import Sequence

from backing.forms import Form
from backing.forms.form import Bar
from backing.harmony import Chord
from backing.sheet import ink, lettering
from backing.sheet.ink import Ink
from phrases.pitch import Key

__all__ = ["HIGH", "LINE", "chart", "in_line", "numeral"]

LINE = 4  # bars
HIGH = 12.5
NAME = 5.4
DEGREE = 2.6
NUMBER = 1.6
INSET = 1.4  # from where a chord begins to its name
TICK = 1.0
LETTER = 1.7
METER = 4
LARGEST = 1.6  # size of the meter
NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
MINOR = ("m", "m6", "m7", "m9", "m7b5", "dim7")


def numeral(chord: Chord) -> str:
    """Return a chord as a degree, ``IV7`` or ``bVI7``; a minor one in small numerals, ``iv7``."""
    sign, step = chord.degree[:-1], NUMERALS[int(chord.degree[-1]) - 1]
    quality = chord.quality
    if quality in MINOR:
        step = step.lower()
        if quality.startswith("m") and quality != "m7b5":
            quality = quality[1:]
    return sign + step + quality + (f"/{chord.bass}" if chord.bass else "")


def in_line(bars: Sequence[Bar]) -> int:
    """Return how many bars of a chart are drawn on a line: fewer where one has many chords."""
    return LINE if all(len(bar) <= 2 for bar in bars) else LINE // 2


def chart(form: Form, key: Key, width: float, scale: float = 1.0) -> list[list[Ink]]:
    """Return the lines of a chart: a letter over each, the meter, and signs to go round.

    A line is `width` staff spaces wide; `scale` makes bars higher, and chords where they have
    room.
    """
    bars = form.bars(key)
    count = in_line(bars)
    measure = width / count
    high = HIGH * scale
    sizes = _sizes(bars, key, measure, scale)
    sign = min(scale, LARGEST)
    lines = []
    for line, first in enumerate(range(0, len(bars), count)):
        row = bars[first : first + count]
        letter = chr(ord("A") + line % 26) * (1 + line // 26)
        inks = [ink.framed("label", letter, 0.0, -0.7, LETTER)] if len(bars) > count else []
        for number, bar in enumerate(row):
            left = number * measure
            inks.append(ink.line("bar line", (left, 0.0, left, high), 0.16))
            begins, ends = not first + number, first + number + 1 == len(bars)
            if begins:
                inks += [*_repeat(left, 1, high), *_meter(left + 1.8 + sign, high, sign)]
            start = left + (1.8 + 2 * sign if begins else 0.0)
            label = str(first + number + 1)
            inks.append(ink.words(
                "bar number", label, start + 0.6, 1.9, NUMBER, face="italic", anchor=0.0
            ))  # fmt: skip
            inside = start, left + measure - (1.2 if ends else 0.0)
            inks += _chords(bar, key, inside, measure, scale, sizes[len(bar)])
        end = len(row) * measure
        last = first + count >= len(bars)
        inks += _repeat(end, -1, high) if last else []
        inks += [] if last else [ink.line("bar line", (end, 0.0, end, high), 0.16)]
        for y in (0.0, high):
            inks.append(ink.line("rule", (0.0, y, end, y), 0.1))
        lines.append(inks)
    return lines


def _repeat(x: float, way: int, high: float) -> list[Ink]:
    """Return a repeat sign at an end of a line; `way` is 1 where the repeat begins."""
    found = [ink.line("bar line", (x + way * 0.25, 0.0, x + way * 0.25, high), 0.5)]
    found.append(ink.line("bar line", (x + way * 0.85, 0.0, x + way * 0.85, high), 0.16))
    for y in (-1.2, 0.8):
        dot = ink.music("repeat", "dot", x + way * 1.35, 0.0)
        found.append(dot.moved(0.0, high / 2 + y - dot.box.top))
    return found


def _meter(x: float, high: float, size: float) -> list[Ink]:
    """Return four over four: every bar has four felt beats."""
    sign = ink.music("meter", f"time {METER}", x, 0.0, size)
    return [sign.level(high / 2 + y) for y in (-1.05 * size, 1.05 * size)]


def _sizes(form: Sequence[Bar], key: Key, measure: float, scale: float) -> dict[int, list[float]]:
    """Return the size of names and of degrees by how many chords a bar has."""
    found: dict[int, list[float]] = {}
    for many in {len(bar) for bar in form}:
        room = measure / many - INSET - 0.6
        found[many] = []
        for size, texts in (
            (NAME, [chord.name(key) for bar in form if len(bar) == many for _, chord in bar]),
            (DEGREE, [numeral(chord) for bar in form if len(bar) == many for _, chord in bar]),
        ):
            drawn = [lettering.chord_name(text, size) for text in texts]
            fits = min(room / (one.right - one.left) for one in drawn)
            found[many].append(size * min(scale, fits))
    return found


def _chords(
    bar: Bar,
    key: Key,
    ends: tuple[float, float],
    measure: float,
    scale: float,
    sizes: Sequence[float],
) -> list[Ink]:
    """Return the chords of a bar over their degrees; `ends` is where there is room for them."""
    left, wide = ends[0], ends[1] - ends[0]
    found = []
    for kind, size, y, texts in (
        ("chord", sizes[0], 7.4 * scale, [chord.name(key) for _, chord in bar]),
        ("degree", sizes[1], 11.1 * scale, [numeral(chord) for _, chord in bar]),
    ):
        # The meter and the sign to go round take some room of the first and the last bar.
        size *= wide / measure
        for (share, _), text in zip(bar, texts, strict=True):
            x = left + float(share) * wide + INSET
            found.append(ink.outline(kind, lettering.chord_name(text, size), x, y, 0.0, text))
    for share, _ in bar[1:]:
        x = left + float(share) * wide
        found += [ink.line("tick", (x, y, x, y + TICK), 0.16) for y in (0.0, HIGH * scale - TICK)]
    return found
