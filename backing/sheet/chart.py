"""The chord chart: a form in a key, four bars to a line.

Conventions: lengths are in staff spaces. Under each chord stands its degree, which is the
same in every key.
"""

from __future__ import annotations

from backing.forms import Form
from backing.harmony import Chord
from backing.sheet import ink, lettering
from backing.sheet.ink import Ink
from phrases.pitch import Key

__all__ = ["LINE", "chart", "numeral"]

LINE = 4  # bars
HIGH = 12.5
NAME = 5.4
DEGREE = 2.6
NUMBER = 1.6
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
    measure = width / LINE
    lines = []
    for first in range(0, len(bars), LINE):
        row = bars[first : first + LINE]
        inks: list[Ink] = []
        for number, bar in enumerate(row):
            left = number * measure
            inks.append(_bar_line(left, thick=False))
            label = str(first + number + 1)
            inks.append(
                ink.words("bar number", label, left + 0.6, 1.9, NUMBER, face="italic", anchor=0.0)
            )
            for place, (share, chord) in enumerate(bar):
                x = left + 1.6 + float(share) * (measure - 1.0)
                room = (measure - 1.0) / len(bar) - (1.2 if len(bar) == 1 else 2.2)
                inks += _chord(chord, key, x, room)
                if place:
                    inks.append(ink.line("share", (x - 0.6, 3.6, x - 1.4, 7.4), 0.16))
        end = len(row) * measure
        last = first + LINE >= len(bars)
        inks.append(_bar_line(end, thick=last))
        for y in (0.0, HIGH):
            inks.append(ink.line("rule", (0.0, y, end, y), 0.1))
        lines.append(inks)
    return lines


def _bar_line(x: float, *, thick: bool) -> Ink:
    if thick:
        return ink.line("bar line", (x - 0.25, 0.0, x - 0.25, HIGH), 0.5)
    return ink.line("bar line", (x, 0.0, x, HIGH), 0.16)


def _chord(chord: Chord, key: Key, x: float, room: float) -> list[Ink]:
    """Return a chord name over its degree, made smaller where the room is short."""
    found = []
    for kind, text, size, y in (
        ("chord", chord.name(key), NAME, 7.4),
        ("degree", numeral(chord), DEGREE, 11.1),
    ):
        drawn = lettering.chord_name(text, size)
        if drawn.right - drawn.left > room:
            drawn = lettering.chord_name(text, size * room / (drawn.right - drawn.left))
        found.append(ink.outline(kind, drawn, x, y, 0.0, text))
    return found
