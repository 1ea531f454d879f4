"""Sheets as typst's documents: one sheet, or several under one cover.

Conventions: lengths are in millimetres. The same words give the same bytes: no time and no random
id is written.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from backing.sheet import ink, lettering
from backing.sheet.layout import document
from backing.sheet.letters import blank, foreign
from backing.sheet.markup import escaped, quoted
from backing.sheet.tempos import CLEAN
from backing.sheet.vector import inlined
from phrases.credits import NOBODY, Credits
from phrases.pitch import Key

__all__ = ["BOTTOM", "GUTTER", "PAPERS", "TOP", "Kind", "Paper", "Sheet", "book", "tonic"]

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# Millimetres: margins at the sides, on top and at the bottom, and down to the foot from there.
MARGIN, TOP, BOTTOM, DESCENT = 15.0, 12.0, 13.0, 3.9
SPACE = 1.72  # mm from line to line of the notation staff
LARGER = 1.28
GUTTER = 8.0  # mm between the diagram and the plan
AUTHOR = "porchband"
EPOCH = datetime(2020, 1, 1, tzinfo=UTC)
TEMPLATE = Path(__file__).parent / "sheet.typ"


@dataclass(frozen=True, slots=True)
class Paper:
    """The options of a sheet: its paper, staves, marks and credits."""

    size: str = "a4"  # a key of `PAPERS`
    larger: bool = False  # whether everything is printed larger
    left_handed: bool = False  # whether diagrams are mirrored
    staves: str = "both"  # one of `backing.sheet.layout.STAVES`
    marks: bool = True  # whether strokes and fingers are drawn
    fit: float = 1.0  # 1, or a little less to save a page
    # Whether letters in drawings are text, which a PDF is; else they are outlines.
    letters: bool = True
    # Rows of the practice plan, felt beats a minute; the usual ones if there are none.
    tempos: tuple[Fraction, ...] = ()
    signs: bool | None = None  # whether there is a key to the signs; None for easy phrases only

    @property
    def scale(self) -> float:
        """Enlargement of staff and text, as a factor."""
        return self.fit * (LARGER if self.larger else 1.0)

    @property
    def space(self) -> float:
        """Millimetres from line to line of the notation staff."""
        return SPACE * self.scale

    @property
    def column(self) -> float:
        """Millimetres from margin to margin."""
        return PAPERS[self.size][0] - 2 * MARGIN

    @property
    def width(self) -> float:
        """Of a system, in staff spaces."""
        return self.column / self.space - 0.3


Kind = Literal["pdf", "svg"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet as typst's markup."""

    name: str  # and `key`: of what is on it: its title, which stands in its foot
    key: Key
    body: str  # what stands on it
    paper: Paper  # and `kind`: how it is set
    kind: Kind
    credits: Credits = NOBODY  # who made it, in the foot and in the PDF's own data
    lift: float = 0.0  # millimetres that the lower margin is higher than usual

    def compiled(self) -> bytes:
        """Return the PDF or the SVG."""
        made = _compiled(self._text(), self.body + self.name, self.kind)
        if self.kind == "pdf":
            return made
        return inlined(made.decode(), f"{self.name} in {self.key}").encode()

    def extent(self) -> tuple[int, float]:
        """Return how many pages it has, and how full, 0 to 1, the last one is."""
        import typst

        fonts = _fonts(self.body + self.name)
        told = typst.query(
            self._text().encode(), "<end>", field="value", one=True, font_paths=fonts
        )
        end = json.loads(told)
        room = PAPERS[self.paper.size][1] - TOP - BOTTOM - self.lift
        return int(end["page"]), (float(end["y"]) - TOP) / room

    def _text(self) -> str:
        made = _credited(self.credits)
        last = "" if self.kind == "pdf" or made == "none" else f"#made-by({made})"
        name = f"{self.name} in {self.key}"
        return _settings(name, self.credits) + self.section() + last + END

    @property
    def title(self) -> str:
        """Its name and key as markup."""
        mode = escaped(str(self.key).removeprefix(self.key.tonic))
        return f"{escaped(f'{self.name} in ')}{tonic(self.key, self.paper)}{mode}"

    def section(self, label: str = "") -> str:
        """Return its pages as they stand in a document, with a label on the first."""
        # What stands at the foot of every page is not read aloud, and must hold no link there.
        made = f"[{escaped(self.credits.line)}]" if self.credits.line else "none"
        foot = f"running([{self.title}], {made})"
        return _page(self.paper, self.kind, foot, self.lift) + label + self.body.rstrip()


def book(title: str, cover: str, credits: Credits, sheets: Sequence[Sheet]) -> bytes:
    """Return one PDF of several sheets: a cover with the contents, then one after the other.

    `cover` is what stands on the cover besides, as markup; the sheets are all on one kind of
    paper.
    """
    rows = "".join(f"contents-row(<sheet-{n}>, [{one.title}]), " for n, one in enumerate(sheets))
    parts = [
        _settings(title, credits),
        _page(replace(sheets[0].paper, fit=1.0), "pdf", "none", 0.0),
        f"#cover({quoted(title)}, [{cover}], {_credited(credits)}, ({rows}))\n",
    ]
    parts += [one.section(f"#[#metadata(none)<sheet-{n}>]") for n, one in enumerate(sheets)]
    text = "".join(parts)
    return _compiled(text, text, "pdf")


def _compiled(text: str, words: str, kind: Kind) -> bytes:
    import typst

    def made(*standards: Literal["ua-1"]) -> bytes:
        done = typst.compile(
            text.encode(),
            format=kind,
            timestamp=int(EPOCH.timestamp()),
            pdf_standards=list(standards),
            pdf_tags=True,
            font_paths=_fonts(words),
        )
        assert isinstance(done, bytes)
        return done

    # Tagged, with a text for every drawing; but a letter without a font is not allowed there, nor
    # are some things that a tip may hold, such as a link without words.
    try:
        return made("ua-1") if kind == "pdf" and not blank(words) else made()
    except typst.TypstError as error:
        if "PDF/UA" not in str(error):
            raise
        return made()


def _fonts(words: str) -> Any:
    """Return the fonts for some words: the machine's, which differ, only where they are needed."""
    import typst

    return typst.Fonts(True, True, [str(lettering.FONTS)]) if foreign(words) else _own_fonts()


@lru_cache(maxsize=1)
def _own_fonts() -> Any:
    import typst

    return typst.Fonts(False, True, [str(lettering.FONTS)])


def _settings(title: str, credits: Credits) -> str:
    head = [
        f"#set document(title: {quoted(title)}, author: {quoted(credits.author or AUTHOR)}, "
        f"{_about(credits)})",
        f"#set text(font: {quoted(lettering.FAMILY)})",
        f"#let (gutter, clean) = ({GUTTER}mm, {CLEAN})",
    ]
    return "\n".join([*head, TEMPLATE.read_text(encoding="utf-8")])


def _page(paper: Paper, kind: Kind, foot: str, lift: float) -> str:
    width, height = PAPERS[paper.size]
    return PAGE.format(
        width=width,
        height=f"{height}mm" if kind == "pdf" else "auto",
        margin=MARGIN,
        top=TOP,
        bottom=BOTTOM + lift,
        descent=DESCENT + lift,
        foot=foot if kind == "pdf" else "none",
        size=f"{10.5 * paper.scale:g}",
    )


def _credited(credits: Credits) -> str:
    """Return the line that says who made something, as markup; ``none`` where nobody is named."""
    line, link = credits.line, credits.link
    if link:
        line = line.removesuffix(link)
        return f"[{escaped(line)}#link({quoted(link)})[{escaped(link)}]]"
    return f"[{escaped(line)}]" if line else "none"


PAGE = """
#set page(width: {width}mm, height: {height}, margin: (x: {margin}mm, top: {top}mm,
  bottom: {bottom:.2f}mm), footer-descent: {descent:.2f}mm, footer: {foot})
#set text(size: {size}pt)
"""
# Where the sheet ends.
END = "#context[#metadata((page: here().page(), y: here().position().y / 1mm))<end>]"


def _about(credits: Credits) -> str:
    """Return rights and date as typst's words for a PDF's metadata."""
    parts = [int(part) for part in credits.date.split("-")] if credits.date else []
    day = zip(("year", "month", "day"), (*parts, 1, 1), strict=False)
    date = f"datetime({', '.join(f'{name}: {n}' for name, n in day)})" if parts else "none"
    return f"date: {date}" + (f", description: {quoted(credits.rights)}" if credits.rights else "")


def tonic(key: Key, paper: Paper) -> str:
    """Return the tonic's name as markup for a line of any size, its accidental drawn."""
    if len(key.tonic) == 1:
        return escaped(key.tonic)
    em = 10.0
    name = lettering.chord_name(key.tonic, em, face="regular")
    drawn = ink.outline("key", name, 0.0, 0.0, 0.0, key.tonic)
    svg = document([drawn], drawn.box, letters=paper.letters)
    width = (drawn.box.right - drawn.box.left + 0.2) / em
    below = (drawn.box.bottom + 0.1) / em
    image = f"drawn({quoted(svg)}, {width:.3f}em, {quoted(key.tonic)})"
    return f"#box(baseline: {below:.3f}em, {image})"
