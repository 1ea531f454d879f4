"""The fretboard diagram: where a phrase lies on the neck, and which degree each note is.

Conventions: lengths are in staff spaces. The neck lies as in tablature, the high e string on top
and the nut on the left; for a left hand it is mirrored. Roots are filled, other notes of the
phrase are in rings, notes of its scale that it leaves out are small.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from backing.sheet import ink, lettering
from backing.sheet.ink import Box, Ink
from phrases.fretboard import LAST_FRET, STRINGS, fret_pitch
from phrases.phrase import Phrase, StringNote
from phrases.pitch import DEGREES, SCALES, degree_semitones

__all__ = ["diagram", "places"]

STRING = 2.1  # from string to string
FRET = 3.6  # from fret to fret
DOT = 1.0  # radius
SMALL = 0.88
MARKED = (3, 5, 7, 9, 15, 17, 19, 21)
FEWEST = 5
LEGEND = {"root": "root", "used": "played", "scale": "in the scale"}
KEY = 0.5  # radius of its dots
WORD = 1.05  # size of the legend


def places(phrase: Phrase) -> set[tuple[str, int]]:
    """Return the strings and frets that a phrase stops, slides, hammer-ons and pull-offs too."""
    return {
        (note.string, fret)
        for part in phrase.parts
        for stroke in part.strokes
        for note in stroke.notes
        for fret in _frets(note)
    }


def _frets(note: StringNote) -> Iterator[int]:
    if note.fret is not None:
        yield note.fret
    for move in note.moves:
        if move.fret is not None and move.technique.takes in ("fret", "slide"):
            yield move.fret


def _range(used: Iterable[tuple[str, int]]) -> tuple[int, int]:
    """Return the lowest and the highest fret to draw."""
    frets = [fret for _, fret in used if fret] or [1]
    low, high = min(frets), max(frets)
    while high - low + 1 < FEWEST:
        if high < LAST_FRET:
            high += 1
        else:
            low -= 1
    return (1 if low <= 2 else low), high


def diagram(phrase: Phrase, *, left_handed: bool = False) -> list[Ink]:
    """Return the fretboard diagram of a phrase, its nut on the right for a left hand."""
    used = places(phrase)
    low, high = _range(used)
    has_open = any(not fret for _, fret in used)
    wide = (high - low + 1) * FRET
    turn = -1.0 if left_handed else 1.0
    found: list[Ink] = []

    def x(fret: int) -> float:
        """Return the middle of a fret, where a finger stands; an open string is before the nut."""
        return turn * ((fret - low + 0.5) * FRET if fret else -1.7)

    def edges(a: float, b: float) -> tuple[float, float]:
        return (min(turn * a, turn * b), max(turn * a, turn * b))

    tall = STRING * (len(STRINGS) - 1)
    dots = _dots(phrase, used, low, high)
    for number, string in enumerate(reversed(STRINGS)):
        y = number * STRING
        cuts = sorted(
            (x(fret) - radius, x(fret) + radius)
            for (name, fret), (_, radius, _) in dots.items()
            if name == string and fret
        )
        start, end = edges(0.0, wide)
        at = start
        for a, b in [*cuts, (end, end)]:
            if a > at:
                found.append(ink.line("string", (at, y, a, y), 0.08 + 0.025 * number))
            at = max(at, b)
        name_x = turn * (-1.7 - (2.0 if has_open else 0.0))
        found.append(ink.words("string name", string, name_x, y + 0.55, 1.5))
    for fret in range(low - 1, high + 1):
        at = turn * (fret - low + 1) * FRET
        nut = fret == 0
        found.append(ink.line("fret wire", (at, 0.0, at, tall), 0.4 if nut else 0.12))
    for fret in range(low, high + 1):
        face = "bold" if fret in (*MARKED, 12, 24) else "regular"
        found.append(ink.words("fret number", str(fret), x(fret), tall + 2.5, 1.5, face=face))
    for (string, fret), (degree, radius, kind) in sorted(dots.items()):
        y = STRING * (len(STRINGS) - 1 - STRINGS.index(string))
        found.append(_dot(x(fret), y, degree, radius, kind))
    kinds = {kind for _, _, kind in dots.values()}
    return found + _legend([kind for kind in LEGEND if kind in kinds], start, tall + 4.4)


def _dots(
    phrase: Phrase, used: set[tuple[str, int]], low: int, high: int
) -> dict[tuple[str, int], tuple[str, float, str]]:
    """Return for each place its degree, the size of its dot and how it is drawn."""
    scale = {degree_semitones(d) % 12: d for d in SCALES.get(phrase.scale, ())}
    found = {}
    tuned = phrase.tuned
    for string in STRINGS:
        for fret in {0, *range(low, high + 1)}:
            semitones = (fret_pitch(string, fret) + tuned[string] - phrase.key.pitch_class) % 12
            degree = scale.get(semitones, DEGREES[semitones])
            if (string, fret) in used:
                found[string, fret] = (degree, DOT, "root" if semitones == 0 else "used")
            elif semitones in scale and fret:
                found[string, fret] = (degree, SMALL, "scale")
    return found


def _legend(kinds: Sequence[str], left: float, y: float) -> list[Ink]:
    """Return the legend of the dots, in a line from `left` on."""
    found: list[Ink] = []
    for kind in kinds:
        dot = _dot(left + KEY, y - WORD * lettering.CAP / 2, "", KEY, kind)
        found.append(replace(dot, kind="legend"))
        word = ink.words("legend", LEGEND[kind], left + 2 * KEY + 0.5, y, WORD, anchor=0.0)
        found.append(word)
        left = word.box.right + 1.1
    return found


def _dot(x: float, y: float, degree: str, radius: float, kind: str) -> Ink:
    size = 1.3 if kind != "scale" else 1.15
    name = lettering.chord_name(degree, size, 0.42)
    word = ink.outline("degree", name, x, y + size * 0.346, 0.5, "")
    if kind == "root":
        svg = f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{radius}"/><g fill="#fff">{word.draw()}</g>'
    else:
        width = 0.16 if kind == "used" else 0.07
        dash = "" if kind == "used" else ' stroke-dasharray="0.25 0.2"'
        svg = (
            f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{radius - width / 2:.3f}" fill="none"'
            f' stroke="#000" stroke-width="{width}"{dash}/>{word.draw()}'
        )
    box = Box(x - radius, y - radius, x + radius, y + radius)
    return Ink(f"{kind} dot", (box,), svg)
