"""Forms: bars of chords in degrees, read from data files.

A form's chart is written as players read one, bars parted by ``|`` and the chords of a shared
bar by a space: ``I7 | IV7 | I7 | ii7 V7``. A second chart, ``minor``, serves minor keys; without
it the first is played with a minor I and IV.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

from backing.harmony import Chord, parse_degree
from phrases.errors import BluesError
from phrases.kinds import declare
from phrases.pitch import Key
from phrases.shelf import Shelf
from phrases.textfile import TextFile

__all__ = ["FORMS", "Form", "find_form", "form_names", "load_form"]

FORM = declare(
    "a form", ("chart",), "play it with --form", "`backing list forms` shows those that ship"
)
FORMS = Shelf(Path(__file__).parent, FORM)
FORM_KEYS = ("title", "feel", "chart", "minor")
MOST_BARS = 64
# What becomes of a major quality, and of the bass under it, in a minor key.
DARK = {
    "": "m",
    "6": "m6",
    "7": "m7",
    "9": "m9",
    "13": "m9",
    "maj7": "m7",
    "7#9": "m7",
    "7b9": "m7",
}
DARK_BASS = {"3": "b3", "6": "b6"}

Bar = tuple[tuple[Fraction, Chord], ...]


@dataclass(frozen=True, slots=True)
class Form:
    """A chorus of chords."""

    # `name` to `feel`: what the user types, what is printed, and a line about it.
    name: str
    title: str
    feel: str
    # `major` and `minor`: for each bar its chords with the share of the bar (0 to 1) at which each
    # starts.
    major: tuple[Bar, ...]
    minor: tuple[Bar, ...]

    def bars(self, key: Key) -> tuple[Bar, ...]:
        """Return the bars for a key's mode."""
        return self.major if key.mode == "major" else self.minor

    def lasting(self, bars: int) -> Form:
        """Return the form as one chorus of so many bars or more, played again if need be."""
        major, minor = (chart * -(-bars // len(chart)) for chart in (self.major, self.minor))
        return replace(self, major=major, minor=minor)


@lru_cache(maxsize=1)
def form_names() -> tuple[str, ...]:
    """Return the names of the forms that ship."""
    return FORMS.names()


def find_form(name: str) -> Form:
    """Return a form that ships by its name, or a user's own by the path of its file.

    ChoiceError names the nearest one if nothing that ships has the name; TextFileError says that
    the file is missing or has mistakes.
    """
    return load_form(FORMS.find(name))


@lru_cache(maxsize=64)
def load_form(path: Path) -> Form:
    """Read a form from a file.

    TextFileError tells every problem at its line and column.
    """
    file = TextFile.open(path, FORM)
    file.known_keys((), FORM_KEYS)
    title = file.get(("title",), str, ...)
    feel = file.get(("feel",), str, "")
    major = _chart(file, "chart")
    minor = _chart(file, "minor") if "minor" in file.data else tuple(map(_darkened, major))
    file.finish()
    return Form(path.stem, title, feel, major, minor)


def _chart(file: TextFile, key: str) -> tuple[Bar, ...]:
    text = file.get((key,), str, ...)
    if text is None:
        return ()
    bars: list[list[Chord]] = [[]]
    for found in re.finditer(r"\||[^\s|]+", text):
        if found[0] == "|":
            bars.append([])
            continue
        try:
            bars[-1].append(parse_degree(found[0]))
        except BluesError as error:
            file.complain((key,), str(error), offset=found.start())
            bars[-1].append(Chord("1", "7"))
    if not bars[-1] and len(bars) > 1:
        bars.pop()
    if any(not bar for bar in bars):
        file.complain(
            (key,), f"bar {bars.index([]) + 1} has no chord; write one, or take a | away"
        )
    odd = [number for number, bar in enumerate(bars, 1) if len(bar) not in (0, 1, 2, 4)]
    if odd:
        what = f"bar {odd[0]} has {len(bars[odd[0] - 1])} chords; a bar holds one, two or four"
        file.complain((key,), what)
    if len(bars) > MOST_BARS:
        file.complain((key,), f"{len(bars)} bars: a form has at most {MOST_BARS}")
    return tuple(
        tuple((Fraction(n, len(bar)), chord) for n, chord in enumerate(bar)) for bar in bars
    )


def _darkened(bar: Bar) -> Bar:
    """Turn the I and IV of a major chart into those of a minor key."""
    return tuple(
        (at, Chord(chord.degree, DARK[chord.quality], DARK_BASS.get(chord.bass, chord.bass)))
        if chord.degree in ("1", "4") and chord.quality in DARK
        else (at, chord)
        for at, chord in bar
    )
