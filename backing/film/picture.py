"""Pictures of what is shown, drawn by typst once each, and as the planes that encoders take.

Conventions: a picture is an array of red, green, blue, 8 bits each. Planes are light and two
colours, of half the width and height, by ITU-R BT.709 in the narrow range (light 16 to 235).
Colours are those of the practice page. Written music is one ink on paper: how much of a pixel it
covers is kept, 0 to 255, and looked up in a table for whatever ground is under it.
"""

from __future__ import annotations

import math
import re
from collections import OrderedDict
from collections.abc import Hashable, Iterable, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backing.cautions import LOUD, SORE
from backing.film.shape import Area, Shape
from backing.film.story import Story
from backing.page.data import PageSystem
from backing.sheet import ink, lettering
from backing.sheet.layout import document
from backing.sheet.letters import foreign
from backing.sheet.markup import escaped, markdown, quoted
from phrases.fretboard import STRINGS

__all__ = ["COLOURS", "Drawer", "Planes", "ground", "planes"]

Bytes = NDArray[np.uint8]
Planes = tuple[Bytes, Bytes, Bytes]
TOKENS = files("backing.page").joinpath("tokens.css").read_text("utf-8")
COLOURS: dict[str, str] = dict(re.findall(r"--(\w+): (#\w{6});", TOKENS.partition("@media")[0]))
LUMA = (0.2126, 0.7152, 0.0722)  # BT.709, 3.2
BAND = 64  # rows that are worked out at a time, so that a large picture takes little memory
AT_ONCE = 64  # pictures that are drawn at a time
KEPT = 24 << 20  # bytes of planes that are kept
DOTS = {3: 1, 5: 1, 7: 1, 9: 1, 12: 2, 15: 1, 17: 1, 19: 1, 21: 1}  # of a neck, by fret


def _rgb(name: str) -> NDArray[np.float32]:
    code = COLOURS[name]
    return np.array([int(code[n : n + 2], 16) for n in (1, 3, 5)], np.float32)


def planes(rgb: NDArray[Any]) -> Planes:
    """Return an array of red, green, blue, shape (height, width, 3), as planes; even sizes."""
    bands = [_planes(rgb[first : first + BAND]) for first in range(0, len(rgb), BAND)]
    light, blues, reds = (np.concatenate(parts) for parts in zip(*bands, strict=True))
    return light, blues, reds


def _planes(rgb: NDArray[Any]) -> Planes:
    red, green, blue = np.moveaxis(rgb.astype(np.float32) / 255, 2, 0)
    light = LUMA[0] * red + LUMA[1] * green + LUMA[2] * blue

    def halved(one: NDArray[Any]) -> NDArray[Any]:
        high, wide = one.shape
        found: NDArray[Any] = one.reshape(high // 2, 2, wide // 2, 2).mean(axis=(1, 3))
        return found

    blues = halved(blue - light) / (2 * (1 - LUMA[2]))
    reds = halved(red - light) / (2 * (1 - LUMA[0]))
    return (
        np.rint(16 + 219 * light).astype(np.uint8),
        np.rint(128 + 224 * blues).astype(np.uint8),
        np.rint(128 + 224 * reds).astype(np.uint8),
    )


@cache
def ground(name: str) -> Planes:
    """Return luma and chroma of a ground under each share of ink, 0 to 255."""
    share = np.arange(256, dtype=np.float32)[:, None] / 255
    mixed = _rgb(name) * (1 - share) + _rgb("ink") * share
    light, blues, reds = planes(mixed.repeat(2, axis=0)[None].repeat(2, axis=0))
    return light[0, ::2], blues[0], reds[0]


class Drawer:
    """Draws what a story shows at the places of a shape."""

    def __init__(self, story: Story, shape: Shape) -> None:
        self.story, self.shape = story, shape
        self._drawn: dict[Hashable, bytes] = {}
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self.neck = _Neck(story, shape.places["neck"]) if "neck" in shape.places else None

    def draw(self) -> None:
        """Draw all that will be shown, several at a time."""
        wanted: list[tuple[str, Any]] = [] if self.shape.grounds else [("title", None)]
        for name in self.shape.places:
            wanted += [(name, value) for _, value in self.story.steps.get(name, ())]
        wanted += [("music", number) for number in range(len(self.story.systems))]
        new = list(dict.fromkeys(wanted))
        for first in range(0, len(new), AT_ONCE):
            some = new[first : first + AT_ONCE]
            pages = [self._page(*one) for one in some]
            self._drawn.update(zip(some, _compiled(pages, 72.0 * self.shape.scale), strict=True))

    def planes(self, name: str, value: Hashable) -> Planes:
        """Return the planes of what is shown at a place."""
        found: Planes = self._keep((name, value), lambda rgb: planes(rgb))
        return found

    def system(self, number: int) -> tuple[Bytes, Bytes]:
        """Return how much of each pixel of the music's place ink covers; the same halved."""

        def covered(rgb: Bytes) -> tuple[Bytes, Bytes]:
            share = 255 - rgb[:, :, 1]
            high, wide = share.shape
            blocks = share.reshape(high // 2, 2, wide // 2, 2).astype(np.uint16)
            return share, ((blocks.sum(axis=(1, 3), dtype=np.uint16) + 2) // 4).astype(np.uint8)

        found: tuple[Bytes, Bytes] = self._keep(("music", number), covered)
        return found

    def _keep(self, key: tuple[str, Hashable], make: Any) -> Any:
        if key not in self._kept:
            self._kept[key] = make(_decoded(self._drawn[key]))
            while sum(one.nbytes for kept in self._kept.values() for one in kept) > KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]

    def fitted(self, number: int) -> tuple[float, float, float]:
        """Return pixels of the smallest picture to a staff space of a system, and its x and y."""
        return fitted(self.story.systems[number], self.shape.places["music"])

    # --- typst ----------------------------------------------------------------

    def _page(self, name: str, value: Any) -> str:
        if name == "title":
            wide = self.shape.width // self.shape.scale
            high = self.shape.height // self.shape.scale
            return _paged(wide, high, "paper", self._title(wide, high))
        place = self.shape.places[name]
        body = getattr(self, f"_{name}")(place, value)
        ground = "white" if name == "music" else "paper"
        return _paged(place.width, place.height, ground, body)

    def _music(self, place: Area, number: int) -> str:
        one = self.story.systems[number]
        size, x, y = self.fitted(number)
        svg = one.svg.replace("currentColor", "#000")
        return (
            f"#place(dx: {x:.2f}pt, dy: {y:.2f}pt, image(bytes({quoted(svg)}), "
            f'format: "svg", width: {one.width * size:.2f}pt))'
        )

    def _chord(self, place: Area, name: str) -> str:
        size = place.height * 0.92
        return f"#place(left + horizon, box(height: 100%, align(horizon, {_chord(name, size)})))"

    def _next(self, place: Area, value: tuple[str, int] | None) -> str:
        if value is None:
            return ""
        name, beats = value
        wait = f" in {beats} beat{'s' if beats > 1 else ''}" if beats else ""
        size = self.shape.letters
        return _fit(f"then #{_chord(name, size)}{wait}", size)

    def _turn(self, place: Area, value: tuple[str, bool, bool]) -> str:
        text, near, yours = value
        size = self.shape.letters * (1.2 if near else 1.0)
        body = escaped(text)
        if yours:
            return (
                "#place(left + horizon, box(fill: pine, radius: 4pt, inset: (x: 14pt, y: 8pt), "
                f"text(fill: sheet, weight: 600, size: {size:g}pt, {quoted(text)})))"
            )
        return _fit(f"#strong[{body}]" if near else f"#emph[{body}]", size)

    def _bar(self, place: Area, text: str) -> str:
        return _fit(escaped(text), self.shape.letters, "right")

    def _beats(self, place: Area, value: tuple[int, int]) -> str:
        now, beats = value
        size = min(place.height - 12, place.width / beats - 6)  # clear of the words over it
        cells = "".join(
            f"box(width: {size:g}pt, height: {size:g}pt, radius: 50%, "
            + (
                f"fill: rust, stroke: none, {_number(n, 'sheet', 600, size)}), "
                if n == now
                else f"stroke: 2.5pt + edge, {_number(n, 'ink', 400, size)}), "
            )
            for n in range(1, beats + 1)
        )
        return f"#place(right + horizon, dx: -2pt, stack(dir: ltr, spacing: 6pt, {cells}))"

    def _tempo(self, place: Area, value: tuple[str, str]) -> str:
        tempo, name = value
        size = self.shape.letters
        number = tempo[:1].isdigit()
        if place.height < 2 * size:
            told = [name, f"at {tempo}" if number else tempo]
            return _fit(escaped(", ".join(word for word in told if word)), size, "right")
        rows = [f"{tempo} beats a minute" if number else tempo, name]
        return _fit(r" \ ".join(escaped(row) for row in rows if row), size, "right")

    def _tip(self, place: Area, value: tuple[str, str] | None) -> str:
        if value is None:
            return ""
        where, text = value
        at = f"#emph[{escaped(where[:1].upper() + where[1:])}:] " if where else ""
        size = self.shape.letters
        least = max(self.shape.height, 1) // self.shape.scale / 40
        inset = 16 if self.shape.grounds else 0
        return f"#tip({size}, {least:g}, {inset}pt, [{at}{markdown(text)}])"

    def _neck(self, place: Area, value: tuple[tuple[str, int | None, str, bool], ...]) -> str:
        assert self.neck is not None
        svg = self.neck.drawn(value)
        return f'#place(image(bytes({quoted(svg)}), format: "svg", width: 100%))'

    def _title(self, wide: int, high: int) -> str:
        stream = self.story.stream
        size = self.shape.letters
        phrase = stream.phrase
        assert phrase is not None
        music = stream.music
        tempos = list(
            dict.fromkeys(float(one.tempo) for one in music if one.kind in ("chorus", "pass"))
        )
        told = f"{tempos[0]:.4g}" + (f" to {tempos[-1]:.4g}" if len(tempos) > 1 else "")
        home = str(stream.key).removeprefix(stream.key.tonic)
        key = f"in #{_chord(stream.key.tonic, size * 1.5)}{escaped(home)}"
        rows = [
            f"#fit-words({size * 3.2:g}pt, {quoted(stream.title)})",
            f"#text(size: {size * 1.5:g}pt)[{key}, {told} beats a minute]",
        ]
        if phrase.credits.author:
            rows.append(f"#emph[{escaped(phrase.credits.author)}]")
        body = f"#stack(spacing: {size * 1.1:g}pt, {', '.join(f'[{row}]' for row in rows)})"
        side = wide // 20
        caution = f"#text(size: {size}pt)[{escaped(LOUD)} #linebreak() {escaped(SORE)}]"
        return (
            f"#place(center + horizon, dy: -6%, block(width: 100% - {2 * side}pt, "
            f"align(center, [{body}])))\n"
            f"#place(center + bottom, dy: -{high // 12}pt, block(width: 100% - {2 * side}pt, "
            f"inset: 20pt, stroke: 3pt + rust, radius: 4pt, align(center, [{caution}])))"
        )


def fitted(one: PageSystem, place: Area) -> tuple[float, float, float]:
    """Return pixels to a staff space, and where a system stands in its place."""
    inside, rim = 24.0, 11.0
    size = min((place.width - 2 * inside) / one.width, (place.height - 2 * rim) / one.height)
    return size, inside, (place.height - one.height * size) / 2


def _number(number: int, fill: str, weight: int, size: float) -> str:
    return (
        f"align(center + horizon, text(fill: {fill}, weight: {weight}, "
        f'size: {size * 0.6:g}pt, "{number}"))'
    )


def _chord(name: str, size: float, face: str = "bold") -> str:
    """Return a chord's or a key's name as an image in markup, its accidentals drawn."""
    if not name:
        return "[]"
    drawn = ink.outline("chord", lettering.chord_name(name, size, face=face), 0, 0, 0, name)
    box = drawn.box
    svg = document([drawn], box).replace("<svg ", f'<svg fill="{COLOURS["ink"]}" ', 1)
    below = box.bottom + 0.1
    return (
        f'box(baseline: {below:.2f}pt, image(bytes({quoted(svg)}), format: "svg", '
        f"width: {box.right - box.left + 0.2:.2f}pt))"
    )


def _fit(body: str, size: float, side: str = "left") -> str:
    return f"#fit({size:g}pt, {side}, [{body}])"


def _paged(width: int, height: int, ground: str, body: str) -> str:
    return f"#page(width: {width}pt, height: {height}pt, margin: 0pt, fill: {ground}, [{body}])\n"


SETTINGS = """
#set text(font: {font}, lang: "en", fill: ink, number-type: "lining", number-width: "tabular")
#set par(leading: 0.42em, spacing: 0.6em)
#show heading: set text(size: 1em)
// What does not fit its place is set smaller.
#let fit(size, side, body) = layout(room => {{
  let whole = measure(text(size: size, body))
  let share = calc.min(1, room.width / calc.max(1pt, whole.width),
    room.height / calc.max(1pt, whole.height))
  block(width: 100%, height: 100%, align(side + horizon, text(size: size * share, body)))
}})
// Smaller down to the least size that can be read; the rest of what is longer is left out.
#let tip(size, least, side, body) = layout(room => {{
  let sizes = range(8).map(n => size * 1pt + (least - size) * n / 7 * 1pt)
  let fits(s) = measure(width: room.width - 2 * side, text(size: s, body)).height <= room.height
  let s = sizes.find(fits)
  if s == none {{ s = least * 1pt }}
  block(width: 100%, height: 100%, clip: true, inset: (x: side),
    align(horizon, text(size: s, body)))
}})
#let fit-words(size, words) = layout(room => {{
  let one = measure(text(size: size, weight: 600, words)).width
  let longest = calc.max(1pt, ..words.split().map(w =>
    measure(text(size: size, weight: 600, w)).width))
  let share = if one > 2.5 * room.width {{ 0.6 }} else {{ 1 }}
  text(size: size * calc.min(share, 0.98 * room.width / longest), weight: 600, words)
}})
"""


def _compiled(pages: Sequence[str], ppi: float) -> list[bytes]:
    """Return the pages as PNG files."""
    import typst

    colours = "".join(f'#let {name} = rgb("{code}")\n' for name, code in COLOURS.items())
    text = colours + SETTINGS.format(font=quoted(lettering.FAMILY)) + "".join(pages)
    fonts: Any = [str(lettering.FONTS)]
    made: Any = typst.compile(
        text.encode(), format="png", ppi=ppi, font_paths=fonts,
        ignore_system_fonts=not foreign(text),
    )  # fmt: skip
    return list(made) if isinstance(made, list) else [made]


def _decoded(png: bytes) -> Bytes:
    import av

    reader: Any = av.CodecContext.create("png", "r")
    (frame,) = reader.decode(av.Packet(png))
    found: Bytes = frame.to_ndarray(format="rgb24")
    return found


class _Neck:
    """The neck with the places of a phrase, as SVG."""

    def __init__(self, story: Story, place: Area) -> None:
        self.place = place
        self.letters = 48 if place.height > 250 else 32
        # Half a row is free over the highest string and under the lowest, for what sounds there.
        self.row = (place.height - 0.75 * self.letters - 12) / 6
        self.top = self.row / 2 + 2
        frets = [one.fret for one in story.notes if one.fret] or [5]
        low, high = max(1, min(frets) - 1), min(24, max(frets) + 1)
        while high - low < 6:
            low, high = (low, high + 1) if high < 24 else (low - 1, high)
        self.low, self.high = low, high
        self.left = 64.0 + self.letters
        self.step = (place.width - self.left - 30) / (high - low + 1)
        self.radius = min(0.85 * self.letters, 0.47 * self.step)  # half the width of what sounds
        self.base = self._base(story)

    def _x(self, fret: int) -> float:
        return self.left + (fret - self.low + 0.5) * self.step if fret else self.left - 34

    def _y(self, string: str) -> float:
        return self.top + (len(STRINGS) - 1 - [*STRINGS].index(string)) * self.row

    def _base(self, story: Story) -> str:
        found = []
        bottom, right = self.top + 5 * self.row, self.left + (self.high - self.low + 1) * self.step
        for fret in range(self.low, self.high + 1):
            for n in range(DOTS.get(fret, 0)):
                y = self.top + (2.5 if DOTS[fret] == 1 else 1.5 + 2 * n) * self.row
                found.append(
                    f'<circle cx="{self._x(fret):.1f}" cy="{y:.1f}" r="11" '
                    f'fill="{COLOURS["wash"]}"/>'
                )
        for fret in range(self.low, self.high + 2):
            x = self.left + (fret - self.low) * self.step
            found.append(_line(x, self.top, x, bottom, 7 if fret == 1 else 3, "edge"))
        for number, string in enumerate(reversed([*STRINGS])):
            y = self._y(string)
            found.append(_line(self.left, y, right, y, 1.6 + 0.6 * number, "ink"))
            found.append(_word(string, 22, y + 0.35 * self.letters, self.letters))
        step = math.ceil(1.3 * self.letters / self.step)
        for fret in range(self.low, self.high + 1, step):
            found.append(
                _word(
                    str(fret),
                    self._x(fret),
                    self.place.height - 6,
                    self.letters,
                    "bold" if fret in DOTS else "regular",
                )
            )
        seen = {(one.string, one.fret) for one in story.notes if one.fret is not None}
        for string, fret in sorted(seen):
            found.append(
                f'<circle cx="{self._x(fret):.1f}" cy="{self._y(string):.1f}" r="10" '
                f'fill="{COLOURS["paper"]}" stroke="{COLOURS["ink"]}" stroke-width="3"/>'
            )
        return "".join(found)

    def drawn(self, lit: Iterable[tuple[str, int | None, str, bool]]) -> str:
        """Return the neck with what sounds filled, and what the student plays in thick rings."""
        found = []
        # No higher than a row, so that the places of the strings beside it are seen.
        half, high, size = self.radius - 2, self.row / 2 - 1, min(self.letters, 1.1 * self.row)
        for string, fret, name, yours in lit:
            if fret is None:
                continue
            x, y = self._x(fret), self._y(string)
            fill, edge = ("paper", "pine") if yours else ("rust", "rust")
            found.append(
                f'<rect x="{x - half:.1f}" y="{y - high:.1f}" width="{2 * half:.1f}" '
                f'height="{2 * high:.1f}" rx="{high:.1f}" '
                f'fill="{COLOURS[fill]}" stroke="{COLOURS[edge]}" stroke-width="4"/>'
            )
            letters = lettering.chord_name(re.sub(r"\d.*", "", name), size, face="bold")
            one = ink.outline("note", letters, x, y + 0.35 * size, 0.5, "")
            colour = COLOURS["ink" if yours else "sheet"]
            found.append(f'<g fill="{colour}">{one.draw()}</g>')
        svg = lettering.outlined(self.base + "".join(found))
        wide, high = self.place.width, self.place.height
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" '
            f'viewBox="0 0 {wide} {high}">{svg}</svg>'
        )


def _line(x1: float, y1: float, x2: float, y2: float, width: float, colour: str) -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" '
        f'stroke="{COLOURS[colour]}" stroke-width="{width:.1f}"/>'
    )


def _word(text: str, x: float, y: float, size: float, face: str = "regular") -> str:
    one = ink.words("word", text, x, y, size, face=face)
    return f'<g fill="{COLOURS["ink"]}">{one.draw()}</g>'
