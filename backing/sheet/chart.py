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

__all__ = ["LINE", "chart", "in_line", "numeral"]

LINE = 4  # bars
HIGH = 12.5
NAME = 5.4
DEGREE = 2.6
NUMBER = 1.6
INSET = 1.4  # from where a chord begins to its name
TICK = 1.0
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


def chart(form: Form, key: Key, width: float) -> list[list[Ink]]:
    """Return the lines of a chart.

    Parameters
    ----------
    form
        The chords in degrees.
    key
        Where they are played.
    width
        Of a line, in staff spaces.
    """
    bars = form.bars(key)
    count = in_line(bars)
    measure = width / count
    lines = []
    for first in range(0, len(bars), count):
        row = bars[first : first + count]
        inks: list[Ink] = []
        for number, bar in enumerate(row):
            left = number * measure
            inks.append(_bar_line(left, thick=False))
            label = str(first + number + 1)
            inks.append(
                ink.words("bar number", label, left + 0.6, 1.9, NUMBER, face="italic", anchor=0.0)
            )
            inks += _chords(bar, key, left, measure)
        end = len(row) * measure
        last = first + count >= len(bars)
        inks.append(_bar_line(end, thick=last))
        for y in (0.0, HIGH):
            inks.append(ink.line("rule", (0.0, y, end, y), 0.1))
        lines.append(inks)
    return lines


def _bar_line(x: float, *, thick: bool) -> Ink:
    if thick:
        return ink.line("bar line", (x - 0.25, 0.0, x - 0.25, HIGH), 0.5)
    return ink.line("bar line", (x, 0.0, x, HIGH), 0.16)


def _chords(bar: Bar, key: Key, left: float, measure: float) -> list[Ink]:
    """Return the chords of a bar over their degrees, all smaller where one lacks room."""
    found = []
    room = measure / len(bar) - INSET - 0.6
    for kind, size, y, texts in (
        ("chord", NAME, 7.4, [chord.name(key) for _, chord in bar]),
        ("degree", DEGREE, 11.1, [numeral(chord) for _, chord in bar]),
    ):
        drawn = [lettering.chord_name(text, size) for text in texts]
        size *= min(1.0, *(room / (one.right - one.left) for one in drawn))
        for (share, _), text in zip(bar, texts, strict=True):
            x = left + float(share) * measure + INSET
            found.append(ink.outline(kind, lettering.chord_name(text, size), x, y, 0.0, text))
    for share, _ in bar[1:]:
        x = left + float(share) * measure
        found += [ink.line("tick", (x, y, x, y + TICK), 0.16) for y in (0.0, HIGH - TICK)]
    return found
