"""What is drawn, and the room it takes: boxes, inks, skylines.

Conventions: lengths are in staff spaces (the distance of two lines of the notation staff), x goes
right and y down, as in SVG. An ink knows every box that it covers, so that a test can ask whether
two inks meet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

from backing.sheet import lettering
from backing.sheet.lettering import Outline

__all__ = [
    "THIN", "Box", "Ink", "Skyline", "around", "bezier", "brackets", "circled", "cleared",
    "crescent", "curve", "framed", "head", "joined", "line", "music", "outline", "wave", "words",
]  # fmt: skip

THIN = 0.13


class Box(NamedTuple):
    """A rectangle."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box, room: float = 0.0) -> bool:
        """Tell whether two boxes overlap or come nearer than `room`."""
        return (
            self.left < other.right + room
            and other.left < self.right + room
            and self.top < other.bottom + room
            and other.top < self.bottom + room
        )

    def moved(self, x: float, y: float) -> Box:
        """Return the same box elsewhere."""
        return Box(self.left + x, self.top + y, self.right + x, self.bottom + y)


@dataclass(frozen=True)
class Ink:
    """One drawn thing."""

    kind: str  # what it is: ``fret``, ``bend``, ``chord`` and so on
    boxes: tuple[Box, ...]  # what it covers; a curve has a box for each of its pieces
    svg: str  # how it is drawn, before it is moved
    x: float = 0.0  # and `y`: how far it is moved
    y: float = 0.0
    owner: str = ""  # what it belongs to: things of one owner may touch

    def moved(self, x: float, y: float) -> Ink:
        """Return the same ink elsewhere."""
        boxes = tuple(box.moved(x, y) for box in self.boxes)
        return Ink(self.kind, boxes, self.svg, self.x + x, self.y + y, self.owner)

    @cached_property
    def box(self) -> Box:
        """The box around all of it."""
        return around(self.boxes)

    def level(self, y: float) -> Ink:
        """Return the same ink with its middle at `y`."""
        return self.moved(0.0, y - (self.box.top + self.box.bottom) / 2)

    def draw(self) -> str:
        """Return the SVG."""
        if not self.x and not self.y:
            return self.svg
        return f'<g transform="translate({self.x:.4f} {self.y:.4f})">{self.svg}</g>'

    def meets(self, other: Ink, room: float = 0.0) -> bool:
        """Tell whether two inks overlap or come nearer than `room`."""
        if not self.box.meets(other.box, room):
            return False
        near = [b for b in other.boxes if self.box.meets(b, room)]
        return any(a.meets(b, room) for a in self.boxes for b in near)


def around(boxes: Iterable[Box]) -> Box:
    """Return the box around some boxes."""
    every = list(boxes)
    return Box(
        min(b.left for b in every),
        min(b.top for b in every),
        max(b.right for b in every),
        max(b.bottom for b in every),
    )


def outline(kind: str, drawn: Outline, x: float, y: float, anchor: float, owner: str) -> Ink:
    """Return a text or glyph as ink, its baseline at `y`.

    `anchor` is the part of its width that comes to `x`: 0 the left end, 0.5 the middle, 1 the
    right.
    """
    x -= drawn.left + anchor * (drawn.right - drawn.left)
    box = Box(drawn.left, drawn.top, drawn.right, drawn.bottom)
    return Ink(kind, (box,), drawn.svg, owner=owner).moved(x, y)


def words(
    kind: str,
    text: str,
    x: float,
    y: float,
    size: float,
    *,
    face: str = "regular",
    anchor: float = 0.5,
    owner: str = "",
) -> Ink:
    """Return a line of text as ink; see `outline`."""
    return outline(kind, lettering.text(text, size, face), x, y, anchor, owner)


def music(kind: str, name: str, x: float, y: float, size: float = 1.0, *, owner: str = "") -> Ink:
    """Return a music glyph centred on `x` as ink."""
    return outline(kind, lettering.glyph(name, size), x, y, 0.5, owner)


def line(
    kind: str,
    ends: tuple[float, float, float, float],
    width: float = THIN,
    *,
    owner: str = "",
    dash: str = "",
) -> Ink:
    """Return a straight line as ink, from x, y to x, y; a slanting one in eight boxes."""
    x1, y1, x2, y2 = ends
    pieces = 1 if x1 == x2 or y1 == y2 else 8
    points = [
        (x1 + (x2 - x1) * n / pieces, y1 + (y2 - y1) * n / pieces) for n in range(pieces + 1)
    ]
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    svg = (
        f'<path d="M{x1:.3f} {y1:.3f}L{x2:.3f} {y2:.3f}" fill="none" stroke="#000"'
        f' stroke-width="{width}"{dashes}/>'
    )
    return Ink(kind, _along(points, width), svg, owner=owner)


def curve(
    kind: str, points: Sequence[tuple[float, float]], width: float = THIN, *, owner: str = ""
) -> Ink:
    """Return a cubic Bezier curve through four control points as ink."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = points
    svg = (
        f'<path d="M{x0:.3f} {y0:.3f}C{x1:.3f} {y1:.3f} {x2:.3f} {y2:.3f} {x3:.3f} {y3:.3f}"'
        f' fill="none" stroke="#000" stroke-width="{width}"/>'
    )
    return Ink(kind, _along(_bezier(points), width), svg, owner=owner)


def crescent(kind: str, ends: tuple[float, float, float, float], high: float) -> Ink:
    """Return a slur or a tie as ink, from x, y to x, y; its middle lies `high` further down."""
    x1, y1, x2, y2 = ends
    reach = min(0.3 * (x2 - x1), 2.5)
    thick = 0.12 if high > 0 else -0.12
    # The middle of a cubic curve lies three quarters of the way to its control points.
    outer, inner = 4 / 3 * high + thick / 2, 4 / 3 * high - thick * 1.5
    points = [(x1, y1), (x1 + reach, y1 + outer), (x2 - reach, y2 + outer), (x2, y2)]
    svg = (
        f'<path d="M{x1:.3f} {y1:.3f}C{points[1][0]:.3f} {points[1][1]:.3f}'
        f" {points[2][0]:.3f} {points[2][1]:.3f} {x2:.3f} {y2:.3f}"
        f"C{points[2][0]:.3f} {y2 + inner:.3f} {points[1][0]:.3f} {y1 + inner:.3f}"
        f' {x1:.3f} {y1:.3f}Z" stroke="#000" stroke-width="0.06"/>'
    )
    return Ink(kind, _along(_bezier(points), 0.2), svg)


def bezier(points: Sequence[tuple[float, float]], t: float) -> tuple[float, float]:
    """Return the point of a cubic Bezier curve at `t`, 0 to 1."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = points
    a, b, c, d = (1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3
    return a * x0 + b * x1 + c * x2 + d * x3, a * y0 + b * y1 + c * y2 + d * y3


def _bezier(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return [bezier(points, n / 12) for n in range(13)]


def _along(points: Sequence[tuple[float, float]], width: float) -> tuple[Box, ...]:
    half = width / 2
    return tuple(
        Box(min(a, c) - half, min(b, d) - half, max(a, c) + half, max(b, d) + half)
        for (a, b), (c, d) in pairwise(points)
    )


def head(kind: str, x: float, y: float, way: int, *, owner: str = "") -> Ink:
    """Return an arrow head whose tip is at x, y; `way` is -1 for up and 1 for down."""
    back = y - way * 0.75
    svg = f'<path d="M{x:.3f} {y:.3f}L{x - 0.34:.3f} {back:.3f}H{x + 0.34:.3f}Z"/>'
    box = Box(x - 0.34, min(y, back), x + 0.34, max(y, back))
    return Ink(kind, (box,), svg, owner=owner)


def wave(kind: str, left: float, right: float, *, wide: bool = False, owner: str = "") -> Ink:
    """Return a wavy line whose middle is at y 0; a wide vibrato swings twice as far."""
    length, high = (1.25, 0.85) if wide else (0.95, 0.5)
    count = max(2, round((right - left) / length))
    step = (right - left) / count
    path = f"M{left:.3f} 0"
    for _ in range(count):
        path += f"q{step / 4:.3f} {-high:.3f} {step / 2:.3f} 0t{step / 2:.3f} 0"
    svg = f'<path d="{path}" fill="none" stroke="#000" stroke-width="0.18"/>'
    half = high / 2 + 0.1
    return Ink(kind, (Box(left, -half, right, half),), svg, owner=owner)


def circled(kind: str, text: str, x: float, y: float, size: float) -> Ink:
    """Return a small number in a circle whose middle is at x, y."""
    inside = words(kind, text, x, y + size * lettering.CAP / 2, size, face="bold")
    radius = max(0.72 * size, (inside.box.right - inside.box.left) / 2 + 0.25 * size)
    svg = (
        f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{radius:.3f}" fill="none" stroke="#000"'
        f' stroke-width="{THIN}"/>{inside.draw()}'
    )
    reach = radius + THIN / 2
    return Ink(kind, (Box(x - reach, y - reach, x + reach, y + reach),), svg)


def framed(kind: str, text: str, x: float, y: float, size: float) -> Ink:
    """Return a word in a frame; x is its left and y its bottom edge."""
    pad = 0.4 * size
    inside = words(kind, text, x + pad, y - pad, size, face="bold", anchor=0.0)
    box = Box(x, y - 2 * pad - size * lettering.CAP, inside.box.right + pad, y)
    svg = (
        f'<rect x="{x:.3f}" y="{box.top:.3f}" width="{box.right - x:.3f}"'
        f' height="{y - box.top:.3f}" rx="{0.2 * size:.3f}" fill="none" stroke="#000"'
        f' stroke-width="{THIN}"/>{inside.draw()}'
    )
    outer = Box(box.left - THIN / 2, box.top - THIN / 2, box.right + THIN / 2, y + THIN / 2)
    return Ink(kind, (outer,), svg)


def brackets(
    left: float, right: float, y: float, size: float, room: float, owner: str = ""
) -> list[Ink]:
    """Return a pair of brackets for ghost notes around what lies between two x."""
    found = []
    for name, edge, way in (("left bracket", left, -1), ("right bracket", right, 1)):
        one = music("ghost", name, 0.0, 0.0, size, owner=owner).level(y)
        found.append(one.moved(edge + way * (room + (one.box.right - one.box.left) / 2), 0.0))
    return found


def joined(kind: str, parts: Sequence[Ink], owner: str = "") -> Ink:
    """Return several inks as one that is moved as a whole."""
    boxes = tuple(box for part in parts for box in part.boxes)
    return Ink(kind, boxes, "".join(part.draw() for part in parts), owner=owner)


def cleared(
    one: Ink, near: Sequence[Ink], step: tuple[float, float], far: float, room: float
) -> Ink | None:
    """Return an ink moved step by step until it meets nothing; None where that is too `far`."""
    count = round(far / max(map(abs, step)))
    tries = (one.moved(n * step[0], n * step[1]) for n in range(count))
    return next((tried for tried in tries if not any(tried.meets(o, room) for o in near)), None)


class Skyline:
    """How high (or, turned over, how low) things reach at each x.

    `rest` is the y where nothing stands yet, `right` the x beyond which nothing is put.
    """

    def __init__(self, rest: float, *, up: bool = True, right: float = math.inf) -> None:
        self.rest = rest
        self.up = up
        self.right = right
        self.boxes: list[Box] = []

    def add(self, *inks: Ink) -> None:
        """Let things stand where they are."""
        self.boxes += [box for ink in inks for box in ink.boxes]

    def edge(self, left: float, right: float) -> float:
        """Return the outermost y over a span."""
        here = [b for b in self.boxes if b.left < right and left < b.right]
        if self.up:
            return min([self.rest, *(b.top for b in here)])
        return max([self.rest, *(b.bottom for b in here)])

    def put(
        self, ink: Ink, room: float = 0.3, beside: float = 0.25, *, around: float = 0.0
    ) -> Ink:
        """Move a thing straight up (or down) to where it is free, and let it stand there.

        It keeps `room` from what stands under it, which is what is nearer than `beside` to its
        sides; what is put later keeps so much more room `around` it.
        """
        ink = ink.moved(min(0.0, self.right - ink.box.right), 0.0)
        box = ink.box
        edge = self.edge(box.left - beside, box.right + beside)
        shift = edge - room - box.bottom if self.up else edge + room - box.top
        placed = ink.moved(0.0, shift)
        left, top, right, bottom = placed.box
        self.boxes.append(Box(left - around, top - around, right + around, bottom + around))
        return placed
