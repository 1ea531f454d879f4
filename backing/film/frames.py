"""Frames put together in the planes that the encoder takes: only what changes is touched.

One frame is kept and changed in place. A step of a place copies its picture there; the music is
looked up in tables, and from frame to frame only the cursor's old and new column are.
"""

from __future__ import annotations

import bisect
from collections.abc import Hashable
from typing import Any

import numpy as np

from backing.film.picture import Drawer, ground
from backing.film.shape import Area

__all__ = ["Compositor"]

CURSOR, LINE = 28, 4  # pixels of the smallest picture: the cursor's width, and its line's


class Compositor:
    """Puts the frames of a film together.

    `views` are the planes of the frame that is changed: light, two colours and, for a strip, how
    opaque it is.
    """

    def __init__(self, drawer: Drawer, views: list[Any]) -> None:
        self.drawer, self.views = drawer, views
        self.story, self.shape = drawer.story, drawer.shape
        self._times = {name: [at for at, _ in rows] for name, rows in self.story.steps.items()}
        self._starts = [run.start for run in self.story.runs]
        self._shown: dict[str, Hashable] = {}
        self._cursor: tuple[int, int, int] | None = None  # system, first and last column
        self._panel: tuple[int, bool] | None = None

    def put(self, second: float) -> None:
        """Change the frame to what is shown at a second of the piece, below 0 the title."""
        if second < 0:
            if self._shown.get("title") is None:
                self._copy(Area(0, 0, self.shape.width, self.shape.height), "title", None, 1)
                self._shown = {"title": True}
            return
        if self._shown.get("title") is not False:
            self._ground()
            self._shown = {"title": False}
            self._panel = None
        for name, place in self.shape.places.items():
            if name == "music":
                continue
            value = self._value(name, second)
            if name not in self._shown or self._shown[name] != value:
                self._shown[name] = value
                self._copy(place, name, value, self.shape.scale)
                if name == "tip" and self.shape.grounds:
                    self._cut(self.views[3], place, 1)[...] = 255 if value else 0
        self._music(second)

    def _value(self, name: str, second: float) -> Hashable:
        at = bisect.bisect_right(self._times[name], second + 1e-6) - 1
        return self.story.steps[name][max(0, at)][1]

    def _ground(self) -> None:
        """Cover everything with paper; in a strip only what is not transparent."""
        whole = Area(
            0, 0, self.shape.width // self.shape.scale, self.shape.height // self.shape.scale
        )
        for place in self.shape.grounds or (whole,):
            self._fill(place, "paper")
            for view in self.views[3:]:
                self._cut(view, place, 1)[...] = 255

    def _cut(self, view: Any, place: Area, half: int) -> Any:
        scale = self.shape.scale
        x, y, wide, high = (side * scale // half for side in place)
        return view[y : y + high, x : x + wide]

    def _fill(self, place: Area, colour: str) -> None:
        for number, table in enumerate(ground(colour)):
            self._cut(self.views[number], place, 1 if number == 0 else 2)[...] = table[0]

    def _copy(self, place: Area, name: str, value: Hashable, scale: int) -> None:
        x, y = place.x * scale, place.y * scale
        for number, plane in enumerate(self.drawer.planes(name, value)):
            half = 1 if number == 0 else 2
            high, wide = plane.shape
            self.views[number][y // half : y // half + high, x // half : x // half + wide] = plane

    # --- music ----------------------------------------------------------------

    def cursor(self, second: float) -> tuple[int, float | None]:
        """Return the system at a second and the cursor's x in it, in staff spaces."""
        run = self.story.runs[max(0, bisect.bisect_right(self._starts, second + 1e-6) - 1)]
        if not run.way or second < run.way[0][0] - 1e-6:
            return run.system, None
        times, xs = zip(*run.way, strict=True)
        return run.system, float(np.interp(second, times, xs))

    def _music(self, second: float) -> None:
        number, x = self.cursor(second)
        yours = bool(self._value("yours", second))
        scale = self.shape.scale
        if self._panel != (number, yours):
            self._panel = number, yours
            self._cursor = None
            place = self.shape.places["music"]
            edge = 8
            self._fill(place, "pine" if yours else "rule")
            inner = edge if yours else 2
            self._paint(0, place.width * scale, "yours" if yours else "sheet", inner * scale)
        if x is None:
            if self._cursor is not None:
                self._paint(*self._cursor[1:], "yours" if yours else "sheet")
                self._cursor = None
            return
        size, left, _ = self.drawer.fitted(number)
        middle = round((left + x * size) * scale)
        first, last = middle - CURSOR * scale // 2, middle + CURSOR * scale // 2
        if self._cursor is not None and self._cursor[1] == first:
            return
        if self._cursor is not None:
            self._paint(*self._cursor[1:], "yours" if yours else "sheet")
        self._paint(first, last, "glow")
        self._paint(middle - LINE * scale // 2, middle + LINE * scale // 2, "rust")
        self._cursor = number, first, last

    def _paint(self, first: int, last: int, colour: str, rim: int = 0) -> None:
        """Lay a ground under the columns of the system, in pixels of the music's place."""
        assert self._panel is not None
        place, scale = self.shape.places["music"], self.shape.scale
        rim = rim or 8 * scale
        first, last = max(rim, first), min(place.width * scale - rim, last)
        if last <= first:
            return
        left, top = place.x * scale, place.y * scale
        high = place.height * scale - rim
        shares = self.drawer.system(self._panel[0])
        tables = ground(colour)
        self.views[0][top + rim : top + high, left + first : left + last] = tables[0][
            shares[0][rim:high, first:last]
        ]
        first, last = first // 2, (last + 1) // 2
        for number in (1, 2):
            self.views[number][
                (top + rim) // 2 : (top + high) // 2, left // 2 + first : left // 2 + last
            ] = tables[number][shares[1][rim // 2 : high // 2, first:last]]
