"""Letters and music glyphs with their sizes known: letters as text or as outlines.

Conventions: lengths are in staff spaces, y goes down, a text's origin lies on its baseline.
Letters are set in Fira Sans (SIL Open Font License 1.1, beside this module), music glyphs in
Leipzig (the same licence, from verovio's data). In chord names ``b`` and ``#`` become true
accidentals; the letter is there as well, unseen, so that the name is found by a search.

A drawing holds its letters as ``<text>`` with the font's own advances, without kerning. `outlined`
makes outlines of them, for viewers that have not the font.

References: SMuFL 1.4, https://w3c.github.io/smufl/latest/ (code points; an em is four staff
spaces); fonts/README.md of https://github.com/rism-digital/verovio (Leipzig's licence).
"""

from __future__ import annotations

import re
from collections.abc import Container
from dataclasses import dataclass
from functools import lru_cache
from html import escape, unescape
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any

__all__ = [
    "CAP", "FACES", "FAMILY", "FONTS", "GLYPHS", "Outline", "bracketed", "chord_name", "glyph",
    "letters", "outlined", "text",
]  # fmt: skip

FONTS = Path(__file__).parent / "fonts"
FAMILY = "Fira Sans"
FACES = {"regular": "Regular", "italic": "Italic", "bold": "SemiBold"}
CAP = 0.692  # height of capitals and figures in Fira Sans, in ems
EM = 1000.0
STAFF_SPACES = 4.0  # in an em of a music font

GLYPHS: dict[str, str] = {
    "flat": "E260",
    "natural": "E261",
    "sharp": "E262",
    "double flat": "E264",
    "double sharp": "E263",
    "down": "E610",
    "up": "E612",
    "trill": "E566",
    "accent": "E4A0",
    "staccato": "E4A2",
    "eighth": "E1D7",
    "quarter": "E1D5",
    "dot": "E1E7",
    "head": "E0A4",
    **{f"time {digit}": f"E08{digit}" for digit in range(10)},
    **{f"rest {2**n}": f"E4E{3 + n:X}" for n in range(9)},  # by the share of a whole note
    **{f"flag {n}": f"E24{2 * n - 1:X}" for n in range(1, 7)},  # how many; down from a stem
    "three": "E883",
    "left bracket": "E0F5",
    "right bracket": "E0F6",
}


# How a face is asked for in SVG.
_ASKED = {"regular": "", "italic": ' font-style="italic"', "bold": ' font-weight="600"'}
_TEXT = re.compile(
    r'<text class="(?P<face>\w+)"(?P<unseen> fill-opacity="0")?[^>]*'
    r' font-size="(?P<size>[^"]+)"[^>]*>(?P<words>[^<]*)</text>'
)


@dataclass(frozen=True, slots=True)
class Outline:
    """A drawn text."""

    svg: str  # texts and paths, their origin at the left end of the baseline
    # `left` to `bottom`: what they cover; `top` is negative.
    left: float
    top: float
    right: float
    bottom: float
    advance: float  # where the next letter would stand


@lru_cache(maxsize=8)
def _face(face: str) -> tuple[Any, dict[int, str], dict[tuple[str, str], int]]:
    from fontTools.ttLib import TTFont

    data = BytesIO((FONTS / f"FiraSans-{FACES[face]}.ttf").read_bytes())
    font = TTFont(data, lazy=True)
    return font.getGlyphSet(), font.getBestCmap(), {}


def letters() -> Container[int]:
    """Return the code points of the letters that the font has."""
    return _face("regular")[1]


@lru_cache(maxsize=2048)
def _letter(face: str, letter: str) -> tuple[str, tuple[float, float, float, float] | None, float]:
    from fontTools.pens.boundsPen import BoundsPen
    from fontTools.pens.svgPathPen import SVGPathPen

    glyphs, names, _ = _face(face)
    drawn = glyphs[names.get(ord(letter), ".notdef")]
    path, bounds = SVGPathPen(glyphs), BoundsPen(glyphs)
    drawn.draw(path)
    drawn.draw(bounds)
    return path.getCommands(), bounds.bounds, drawn.width


@lru_cache(maxsize=512)
def glyph(name: str, size: float = 1.0) -> Outline:
    """Return a music glyph of `GLYPHS`; size 1 fits a staff whose lines are one unit apart."""
    from fontTools.pens.boundsPen import BoundsPen
    from fontTools.svgLib.path import parse_path

    found = find_spec("verovio")
    assert found is not None
    assert found.submodule_search_locations
    data = Path(found.submodule_search_locations[0]) / "data" / "Leipzig"
    drawn = re.search(r' d="([^"]*)"', (data / f"{GLYPHS[name]}.xml").read_text(encoding="utf-8"))
    assert drawn is not None
    pen = BoundsPen(None)
    parse_path(drawn[1], pen)
    scale = size * STAFF_SPACES / EM
    left, low, right, high = (scale * value for value in pen.bounds or (0, 0, 0, 0))
    svg = f'<path transform="scale({scale:.5g} {-scale:.5g})" d="{drawn[1]}"/>'
    return Outline(svg, left, -high, right, -low, right)


@lru_cache(maxsize=2048)
def text(words: str, size: float, face: str = "regular") -> Outline:
    """Return a line of text in a face of `FACES`; `size` is that of an em."""
    scale = size / EM
    x, left, top, right, bottom = 0.0, 0.0, 0.0, 0.0, 0.0
    first = True
    for letter in words:
        _, bounds, width = _letter(face, letter)
        if bounds is not None:
            left = scale * (x + bounds[0]) if first else left
            first = False
            right = scale * (x + bounds[2])
            top, bottom = min(top, -scale * bounds[3]), max(bottom, -scale * bounds[1])
        x += width
    return Outline(_text(words, size, face), left, top, right, bottom, scale * x)


def _text(words: str, size: float, face: str, *, seen: bool = True) -> str:
    unseen = "" if seen else ' fill-opacity="0"'
    return (
        f'<text class="{face}"{unseen} font-family="{FAMILY}"{_ASKED[face]}'
        f' font-size="{size:.5g}" style="font-kerning:none">{escape(words, quote=False)}</text>'
    )


def outlined(svg: str) -> str:
    """Return a drawing with its letters as outlines; those that are not seen are left out."""

    def drawn(found: re.Match[str]) -> str:
        if found["unseen"]:
            return ""
        return _paths(unescape(found["words"]), float(found["size"]), found["face"])

    return _TEXT.sub(drawn, svg)


@lru_cache(maxsize=2048)
def _paths(words: str, size: float, face: str) -> str:
    scale = size / EM
    parts = []
    x = 0.0
    for letter in words:
        path, bounds, width = _letter(face, letter)
        if bounds is not None:
            parts.append(
                f'<path transform="translate({scale * x:.4g} 0)'
                f' scale({scale:.5g} {-scale:.5g})" d="{path}"/>'
            )
        x += width
    return "".join(parts)


def bracketed(inside: Outline, size: float) -> Outline:
    """Return a line of text in brackets hardly higher than its figures; `size` is its em."""
    left, right = (text(bracket, 0.74 * size, "bold") for bracket in "()")
    low = -0.04 * size
    start = left.right - left.left + 0.05 * size
    end = start + inside.right - inside.left + 0.05 * size
    parts = (
        (left, -left.left, low),
        (inside, start - inside.left, 0.0),
        (right, end - right.left, low),
    )
    svg = "".join(
        f'<g transform="translate({x:.4g} {y:.4g})">{part.svg}</g>' for part, x, y in parts
    )
    width = end + right.right - right.left
    top, bottom = min(inside.top, left.top + low), max(inside.bottom, left.bottom + low)
    return Outline(svg, 0.0, top, width, bottom, width)


def _unseen(words: str, size: float, x: float, width: float, face: str) -> str:
    """Return letters that are not seen, as wide as the accidental that is seen there."""
    wide = text(words, size, face).advance
    placed = f"translate({x:.4g} 0) scale({width / wide:.4g} 1)"
    return f'<g transform="{placed}">{_text(words, size, face, seen=False)}</g>'


@lru_cache(maxsize=512)
def chord_name(name: str, size: float, sign_size: float = 0.32, face: str = "bold") -> Outline:
    """Return a chord symbol or the name of a note, its accidentals drawn as such.

    `name` is as `backing.harmony.Chord.name` gives it, ``Bb7`` or ``C#m7b5/E``; `size` that of an
    em, `sign_size` that of an accidental against the letters.
    """
    parts = []
    x, left, top, right, bottom = 0.0, 0.0, 0.0, 0.0, 0.0
    for piece in re.findall(r"bb|##|b|#|[^b#]+", name):
        sign = {"b": "flat", "#": "sharp", "bb": "double flat", "##": "double sharp"}.get(piece)
        if sign is None:
            drawn, raised = text(piece, size, face), 0.0
        else:
            drawn, raised = glyph(sign, size * sign_size), -0.27 * size
            x += 0.06 * size - drawn.left
        parts.append(f'<g transform="translate({x:.4g} {raised:.4g})">{drawn.svg}</g>')
        if sign is not None:
            parts.append(_unseen(piece, size, x + drawn.left, drawn.right - drawn.left, face))
        left = min(left, x + drawn.left)
        right = max(right, x + drawn.right)
        top, bottom = min(top, raised + drawn.top), max(bottom, raised + drawn.bottom)
        x += drawn.advance + (0.06 * size if sign else 0.0)
    return Outline("".join(parts), left, top, right, bottom, x)
