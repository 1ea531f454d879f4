"""The notation staff: verovio engraves it, system by system, and its drawing is read back.

Conventions: lengths are in staff spaces, y is 0 on the top line of the staff and grows downwards,
x is 0 at the system's left end. Texts are not left to verovio: everything it draws is a glyph or
a line, so that every box is known.
"""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

from backing.sheet.ink import Box, Ink, around, bezier, line
from backing.sheet.mei import Engraving, mei
from backing.sheet.score import Score

__all__ = ["System", "engrave", "widths"]

UNITS = 180.0  # of verovio's drawing in a staff space
PAGE_UNITS = 18.0  # of its page in a staff space
WIDEST = 5000.0  # staff spaces
OPTIONS = {
    "pageHeight": 2000,
    "adjustPageHeight": True,
    "pageMarginLeft": 0,
    "pageMarginRight": 0,
    "pageMarginTop": 100,
    "pageMarginBottom": 100,
    "header": "none",
    "footer": "none",
    "font": "Leipzig",
    "svgRemoveXlink": True,
    "svgViewBox": True,
    "measureMinWidth": 8,
    "xmlIdChecksum": True,
    # So that slurs clear accidentals, and ledger lines those of their own chord.
    "slurMargin": 3.0,
    "ledgerLineExtension": 0.3,
}
# What verovio draws whose box is asked for by kind.
KINDS = (
    "notehead", "stem", "flag", "accid", "artic", "dots", "beam", "rest", "mRest", "slur", "tie",
    "tupletNum", "tupletBracket", "barLine", "clef", "keySig", "meterSig", "ledgerLines", "staff",
)  # fmt: skip
FRAME = ("barLine", "clef", "keySig", "meterSig", "staff")
NAMED = ("note", "chord", "rest", "mRest", "slur")
# Glyphs with corners so empty that others stand in them: their boxes are strips.
HOLLOW = ("accid", "flag")
STRIPS = 6
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@dataclass(slots=True)
class System:
    """One engraved system."""

    inks: list[Ink] = field(default_factory=list)  # what is drawn, piece by piece
    heads: dict[str, Box] = field(default_factory=dict)  # the box of each written head by its id
    # The box of each rest by the id of its event.
    rests: dict[str, Box] = field(default_factory=dict)
    # For each bar of the system, by its number in the score, where it begins and ends.
    bars: dict[int, tuple[float, float]] = field(default_factory=dict)
    meter: Box | None = None
    start: float = 0.0  # where the music begins, after clef, key and time signature
    width: float = 0.0  # from the left end to the last bar line


def widths(score: Score, made: Engraving, *, loose: float = 0.3, bare: bool = False) -> System:
    """Return the bars of a score in one long system, each as wide as it wants to be."""
    return _rendered(mei(score, made, bare=bare), WIDEST, loose, justified=False, only=FRAME)[0]


def engrave(
    score: Score,
    made: Engraving,
    breaks: Sequence[int],
    width: float,
    *,
    loose: float = 0.3,
    bare: bool = False,
) -> list[System]:
    """Return the systems of a score, each `width` staff spaces wide.

    `breaks` are the numbers of the bars, from 0, before which a system ends; `loose` says how far
    apart short notes are, 0.2 to 0.6; `bare` leaves out key and accidentals.
    """
    return _rendered(mei(score, made, breaks, bare=bare), width, loose, justified=True)


_HERE = threading.local()  # a toolkit is slow to make, and of one thread


def _toolkit() -> Any:
    if not hasattr(_HERE, "toolkit"):
        import verovio

        verovio.enableLog(verovio.LOG_OFF)
        _HERE.toolkit = verovio.toolkit()
    return _HERE.toolkit


def _rendered(
    text: str, width: float, loose: float, *, justified: bool, only: Container[str] = KINDS
) -> list[System]:
    toolkit = _toolkit()
    options = OPTIONS | {
        "breaks": "encoded",
        "pageWidth": math.floor(width * PAGE_UNITS),
        "noJustification": not justified,
        "minLastJustification": 0.0,
        "spacingLinear": loose,
    }
    toolkit.setOptions(options)
    if not toolkit.loadData(text):
        raise AssertionError("verovio did not take the music")
    pages = range(1, toolkit.getPageCount() + 1)
    return [_read(toolkit.renderToSVG(page), only) for page in pages]


def _read(svg: str, only: Container[str]) -> System:
    root = ElementTree.fromstring(svg)
    space = "{http://www.w3.org/2000/svg}"
    glyphs = {
        drawn.get("id", ""): path.get("d", "")
        for defs in root.iter(f"{space}defs")
        for drawn in defs
        for path in drawn.iter(f"{space}path")
    }
    system = System()
    pieces: list[tuple[str, str, str, ElementTree.Element]] = []
    page = next(g for g in root.iter(f"{space}g") if g.get("class") == "page-margin")
    moved = [float(n) for n in _NUMBER.findall(page.get("transform", ""))] or [0.0, 0.0]
    lines: list[float] = []
    _walk(page, "", "", pieces)
    for kind, _, measure, element in pieces:
        if kind == "staff" and measure:
            lines.append(_numbers(element.get("d", ""))[1])
    top = min(lines)
    drawn = ""
    for kind, name, measure, element in pieces:
        ink = _piece(kind, name, element, glyphs, top) if kind in only else None
        if ink is None:
            continue
        if kind == "staff":
            drawn += ink.svg
        else:
            system.inks.append(ink)
        _note(system, kind, name, measure, ink.box)
    assert moved[0] == 0.0
    system.width = max(right for _, right in system.bars.values())
    system.inks.append(Ink("staff", (Box(0.0, 0.0, system.width, 4.0),), drawn))
    signs = [ink.box.right for ink in system.inks if ink.kind in ("clef", "keySig", "meterSig")]
    system.start = max(signs, default=0.0)
    meters = [ink.box for ink in system.inks if ink.kind == "meterSig"]
    system.meter = around(meters) if meters else None
    return system


def _walk(
    element: ElementTree.Element,
    kind: str,
    name: str,
    pieces: list[tuple[str, str, str, ElementTree.Element]],
    measure: str = "",
) -> None:
    """List what is drawn with the kind and the id of the group that it belongs to."""
    for child in element:
        tag = child.tag.rpartition("}")[2]
        if tag == "g":
            group = child.get("class", "").split(" ")[0]
            if child.get("visibility") == "hidden":
                continue
            if "Milestone" in child.get("class", "") and group != "section":
                continue
            inner = group if group in KINDS else kind
            named = child.get("id", "") if group in NAMED else name
            bar = child.get("id", "") if group == "measure" else measure
            _walk(child, inner, named or name, pieces, bar)
        else:
            pieces.append((kind, name, measure, child))


def _numbers(text: str) -> list[float]:
    return [float(number) for number in _NUMBER.findall(text)]


def _piece(
    kind: str, name: str, element: ElementTree.Element, glyphs: dict[str, str], top: float
) -> Ink | None:
    """Return one drawn element as ink."""
    tag = element.tag.rpartition("}")[2]
    if not kind:
        return None  # the places of things that are not drawn
    width = float(element.get("stroke-width", "0")) / UNITS
    stroke = f' stroke="#000" stroke-width="{width:.3f}"'
    if tag == "use":
        path = glyphs[element.get("href", "").lstrip("#")]
        x, y, scale = ([*_numbers(element.get("transform", "")), 1.0])[:3]
        x, y, scale = x / UNITS, (y - top) / UNITS, scale / UNITS
        svg = f'<path transform="translate({x:.3f} {y:.3f})scale({scale:.5g} {-scale:.5g})"'
        svg += f' d="{path}"/>'
        cells = _strips(path) if kind in HOLLOW else (_bounds(path),)
        boxes = [
            Box(x + scale * left, y - scale * high, x + scale * right, y - scale * low)
            for left, low, right, high in cells
        ]
        return Ink(kind, tuple(boxes), svg, owner=name)
    if tag in ("polygon", "polyline"):
        points = _placed(element.get("points", ""), top)
        pairs = list(zip(points[::2], points[1::2], strict=True))
        if tag == "polygon":
            boxes = list(_slices(pairs, width))
        else:  # a line with corners, such as half a bracket
            parts = [line("", (*start, *end), width) for start, end in pairwise(pairs)]
            boxes = [box for part in parts for box in part.boxes]
        svg = f'<{tag} points="{" ".join(f"{x:.3f},{y:.3f}" for x, y in pairs)}"'
        svg += "/>" if tag == "polygon" else f' fill="none"{stroke}/>'
        return Ink(kind, tuple(boxes), svg, owner=name)
    if tag == "rect":
        x, y = _placed(f"{element.get('x', '0')} {element.get('y', '0')}", top)
        box = Box(
            x, y, x + float(element.get("width", "0")) / UNITS,
            y + float(element.get("height", "0")) / UNITS,
        )  # fmt: skip
        size = f'width="{box.right - x:.3f}" height="{box.bottom - y:.3f}"'
        return Ink(kind, (box,), f'<rect x="{x:.3f}" y="{y:.3f}" {size}/>', owner=name)
    if tag == "ellipse":
        x, y = _placed(f"{element.get('cx', '0')} {element.get('cy', '0')}", top)
        a, b = (float(element.get(r, "0")) / UNITS for r in ("rx", "ry"))
        svg = f'<ellipse cx="{x:.3f}" cy="{y:.3f}" rx="{a:.3f}" ry="{b:.3f}"/>'
        return Ink(kind, (Box(x - a, y - b, x + a, y + b),), svg, owner=name)
    if tag == "path":
        numbers = _placed(element.get("d", ""), top)
        letters = re.findall(r"[A-Za-z]|-?[\d.]+", element.get("d", ""))
        rest = iter(numbers)
        path = "".join(one if one.isalpha() else f"{next(rest):.3f} " for one in letters)
        curved = "C" in path
        fill = "" if curved else ' fill="none"'
        svg = f'<path d="{path}"{fill}{stroke}/>'
        pairs = list(zip(numbers[::2], numbers[1::2], strict=True))
        boxes = _curved(pairs, width) if curved else [_hull(pairs, width)]
        return Ink(kind, tuple(boxes), svg, owner=name)
    return None


def _placed(text: str, top: float) -> list[float]:
    """Return the numbers of some x and y by turns, in staff spaces from the top line."""
    return [
        (number - (top if place % 2 else 0.0)) / UNITS
        for place, number in enumerate(_numbers(text))
    ]


@lru_cache(maxsize=256)
def _bounds(path: str) -> tuple[float, float, float, float]:
    from fontTools.pens.boundsPen import BoundsPen
    from fontTools.svgLib.path import parse_path

    pen = BoundsPen(None)
    parse_path(path, pen)
    return pen.bounds or (0.0, 0.0, 0.0, 0.0)


@lru_cache(maxsize=64)
def _strips(path: str) -> tuple[tuple[float, float, float, float], ...]:
    """Cut a glyph into upright strips, each as tall as its ink there."""
    from fontTools.pens.recordingPen import RecordingPen
    from fontTools.svgLib.path import parse_path

    pen = RecordingPen()
    parse_path(path, pen)
    points: list[tuple[float, float]] = []
    lines: list[tuple[tuple[float, float], tuple[float, float]]] = []
    for name, args in pen.value:
        if name == "closePath":
            continue
        before = points[-1] if points and name != "moveTo" else None
        if before is not None and name == "curveTo":
            steps = [bezier((before, *args), t / 8) for t in range(1, 9)]
        else:
            steps = list(args)
        for step in steps:
            if before is not None:
                lines.append((before, step))
            points.append(step)
            before = step
    left, _, right, _ = _bounds(path)
    step_wide = (right - left) / STRIPS
    found = []
    for n in range(STRIPS):
        a, b = left + n * step_wide, left + (n + 1) * step_wide
        ys = [y for line in lines for y in _between(line, a, b)]
        if ys:
            found.append((a, min(ys), b, max(ys)))
    return tuple(found)


def _between(
    line: tuple[tuple[float, float], tuple[float, float]], left: float, right: float
) -> Iterator[float]:
    """Yield the ends, in y, of the part of a line between two x."""
    (x1, y1), (x2, y2) = sorted(line)
    if x2 < left or x1 > right:
        return
    for x in (max(left, x1), min(right, x2)):
        yield y1 if x1 == x2 else y1 + (y2 - y1) * (x - x1) / (x2 - x1)
    if x1 == x2:
        yield y2


def _hull(points: Sequence[tuple[float, float]], width: float) -> Box:
    xs, ys = [x for x, _ in points], [y for _, y in points]
    half = width / 2
    return Box(min(xs) - half, min(ys) - half, max(xs) + half, max(ys) + half)


def _slices(points: list[tuple[float, float]], width: float) -> Iterator[Box]:
    """Cut a beam, which is a slanting band, into upright pieces."""
    if len(points) != 4:
        xs, ys = [x for x, _ in points], [y for _, y in points]
        yield Box(min(xs) - width / 2, min(ys) - width / 2, max(xs) + width / 2, max(ys))
        return
    (x1, y1), (x2, y2), (_, y3), (_, y4) = points
    pieces = max(1, math.ceil(abs(x2 - x1) / 0.5))
    for n in range(pieces):
        a, b = n / pieces, (n + 1) / pieces
        ys = [y1 + (y2 - y1) * t for t in (a, b)] + [y4 + (y3 - y4) * t for t in (a, b)]
        yield Box(x1 + (x2 - x1) * a, min(ys), x1 + (x2 - x1) * b, max(ys))


def _curved(points: Sequence[tuple[float, float]], width: float) -> list[Box]:
    """Cut a slur into pieces along its outer edge."""
    outer, inner = points[:4], points[3:7]
    boxes = []
    for n in range(12):
        at = [bezier(outer, t / 12) for t in (n, n + 1)]
        at += [bezier(inner, 1 - t / 12) for t in (n, n + 1)] if len(inner) == 4 else []
        boxes.append(_hull(at, width))
    return boxes


def _note(system: System, kind: str, name: str, measure: str, box: Box) -> None:
    """Remember what others ask for."""
    if kind == "notehead" and name not in system.heads:
        system.heads[name] = box
    elif kind in ("rest", "mRest"):
        system.rests[name] = around([box, *([system.rests[name]] if name in system.rests else [])])
    if measure and kind in ("staff", "barLine"):
        bar = int(measure[1:])
        left, right = system.bars.get(bar, (box.left, box.right))
        system.bars[bar] = (min(left, box.left), max(right, box.right))
