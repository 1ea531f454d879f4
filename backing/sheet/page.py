"""The page: heading, systems, variations, tips, fretboard diagram and practice plan, set by typst.

Conventions: staff sizes are in millimetres, drawings in staff spaces. The same words give the same
bytes: no time and no random id is written.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from html import escape
from typing import Any, Literal

from backing.forms import Form
from backing.sheet import heading, ink, lettering
from backing.sheet.changes import changed
from backing.sheet.chart import HIGH, chart, in_line
from backing.sheet.diagram import diagram
from backing.sheet.ink import Ink
from backing.sheet.key import signs
from backing.sheet.layout import Picture, Style, document, pictures
from backing.sheet.letters import foreign
from backing.sheet.markup import escaped, markdown, quoted
from backing.sheet.score import Score
from backing.sheet.spoken import spoken
from backing.sheet.tempos import CLEAN, practice_tempos
from backing.sheet.vector import inlined
from backing.sheet.writing import over_form
from phrases.credits import NOBODY, Credits
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = ["PAPERS", "Kind", "Paper", "chart_page", "sheet"]

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# Millimetres: margins at the sides, on top and at the bottom, and down to the foot from there.
MARGIN, TOP, BOTTOM, DESCENT = 15.0, 12.0, 13.0, 3.9
SPACE = 1.72  # mm from line to line of the notation staff
LARGER = 1.28
LEAST = 0.36  # of the last of several pages is filled
TRIES = 8
FITS = (0.96, 0.92, 0.88)
LONG = 100  # strokes, from which only the smallest size is tried: each takes its time
DIAGRAM = 2.6  # mm to a unit of the diagram
FURNITURE = 58.0  # mm of a chart's sheet that are not its lines
BETWEEN = 8.0  # mm between two lines of a chart
HIGHEST = 2.4  # how much higher than usual a chart's bars are at most
SIGN = 1.0  # size of the signs in their key
GUTTER = 8.0  # mm between the diagram and the plan
# Millimetres that the plan wants beside the diagram, by its beat: its columns and room to write.
PLANS = {"quarter": 90.0, "dotted quarter": 103.0}
AUTHOR = "porchband"
EPOCH = datetime(2020, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Paper:
    """How a sheet is set.

    Attributes
    ----------
    size
        A key of `PAPERS`.
    larger
        Whether everything is printed larger.
    left_handed
        Whether diagrams are mirrored.
    staves
        One of `backing.sheet.layout.STAVES`.
    marks
        Whether strokes and fingers are drawn.
    fit
        1, or a little less to save a page.
    letters
        Whether letters in drawings are text, which a PDF is; else they are outlines.
    signs
        Whether there is a key to the signs; None for easy phrases only.
    tempos
        Rows of the practice plan, felt beats a minute; the usual ones if there are none.
    """

    size: str = "a4"
    larger: bool = False
    left_handed: bool = False
    staves: str = "both"
    marks: bool = True
    fit: float = 1.0
    letters: bool = True
    tempos: tuple[Fraction, ...] = ()
    signs: bool | None = None

    @property
    def scale(self) -> float:
        """How much larger than usual."""
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


def sheet(
    phrase: Phrase,
    form: Form,
    paper: Paper | None = None,
    *,
    chorus: bool = False,
    kind: Kind = "pdf",
) -> bytes:
    """Return the sheet of a phrase.

    Parameters
    ----------
    phrase
        In the key in which it is to be written.
    form
        Whose chords stand over it.
    paper
        How it is set.
    chorus
        Write the whole form, with the phrase in its bars.
    kind
        ``pdf``, or ``svg`` for one long page.

    Raises
    ------
    RangeError
        If the phrase cannot be written, or its pickup would start while it still plays.
    """
    paper = replace(paper or Paper(), letters=kind == "pdf")
    made = _sheet(phrase, form, paper, chorus, kind)
    done = made.compiled()
    pages_of = re.search(rb"/Count (\d+)", done)  # typst writes the pages first
    if kind == "svg" or (pages_of and pages_of[1] == b"1"):
        return done
    pages = made.extent()[0]

    def closer(fit: float) -> Sheet:
        return _sheet(phrase, form, replace(paper, fit=fit), chorus, kind)

    # A little smaller, it may do with a page less; if the smallest does not, none does.
    smallest = closer(FITS[-1])
    if smallest.extent()[0] < pages:
        long = sum(len(part.strokes) for part in phrase.parts) > LONG
        tries = (closer(fit) for fit in (() if long else FITS[:-1]))
        made = next((one for one in tries if one.extent()[0] < pages), smallest)
    return _balanced(made).compiled()


def _balanced(made: Sheet) -> Sheet:
    """Return a sheet whose last page holds enough, the pages before it so much less."""
    pages, filled = made.extent()
    if pages == 1 or filled >= LEAST:
        return made
    lift = (LEAST - filled) * (PAPERS[made.paper.size][1] - 2 * TOP) / (pages - 1)
    for step in range(TRIES):
        tried = replace(made, lift=lift * (1 + step / 2))
        found, share = tried.extent()
        if found == pages and share >= LEAST:
            return tried
    return made


def _sheet(phrase: Phrase, form: Form, paper: Paper, chorus: bool, kind: Kind) -> Sheet:
    style = Style(paper.width, paper.staves, paper.marks, chorus)
    score = over_form(phrase, form, chorus=chorus)
    parts = [_heading(score, phrase, form, paper, chorus)]
    parts += [_system(picture, score, paper) for picture in pictures(score, style)]
    scores = [score]
    if not chorus:
        for name, other in phrase.variations:
            parts.append(f"#variation({quoted(name)})\n")
            varied = changed(phrase, other, over_form(other, form))
            parts += [_system(picture, varied, paper) for picture in pictures(varied, style)]
            scores.append(varied)
    if score.remarks:
        parts += _tips(score)
    if phrase.level == "easy" if paper.signs is None else paper.signs:
        parts.append(_signs(scores, paper))
    # The neck and the plan never stand on a page alone.
    parts[-1] = f"#with-next[{parts[-1]}]\n"
    parts.append(_foot(phrase, paper))
    return Sheet(phrase.title, phrase.key, "".join(parts), paper, kind, phrase.credits)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet as typst's markup.

    Attributes
    ----------
    name, key
        Of what is on it: its title, which stands in its foot.
    body
        What stands on it.
    paper, kind
        How it is set.
    credits
        Who made it, in the foot and in the PDF's own data.
    lift
        Millimetres that the lower margin is higher than usual.
    """

    name: str
    key: Key
    body: str
    paper: Paper
    kind: Kind
    credits: Credits = NOBODY
    lift: float = 0.0

    def compiled(self) -> bytes:
        """Return the PDF or the SVG."""
        import typst

        made = typst.compile(
            self._text(),
            format=self.kind,
            timestamp=int(EPOCH.timestamp()),
            pdf_tags=True,
            **self._fonts(),
        )
        assert isinstance(made, bytes)
        if self.kind == "pdf":
            return made
        return inlined(made.decode(), f"{self.name} in {self.key}").encode()

    def extent(self) -> tuple[int, float]:
        """Return how many pages it has, and how full, 0 to 1, the last one is."""
        import typst

        told = typst.query(self._text(), "<end>", field="value", one=True, **self._fonts())
        end = json.loads(told)
        room = PAPERS[self.paper.size][1] - TOP - BOTTOM - self.lift
        return int(end["page"]), (float(end["y"]) - TOP) / room

    def _fonts(self) -> dict[str, Any]:
        # Those of the machine are asked only where they are needed: they differ.
        return {
            "font_paths": [str(lettering.FONTS)],
            "ignore_system_fonts": not foreign(self.body + self.name),
        }

    def _credits(self) -> str:
        """Return the line in the foot that says who made it."""
        line, link = self.credits.line, self.credits.link
        if link:
            line = line.removesuffix(link)
            return f"[{escaped(line)}#link({quoted(link)})[{escaped(link)}]]"
        return f"[{escaped(line)}]" if line else "none"

    def _text(self) -> bytes:
        width, height = PAPERS[self.paper.size]
        page = self.kind != "svg"
        tonic = _tonic(self.key, self.paper)
        mode = escaped(str(self.key).removeprefix(self.key.tonic))
        told, made = f"{escaped(f'{self.name} in ')}{tonic}{mode}", self._credits()
        last = "" if page or made == "none" else f"#made-by({made})"
        settings = SETTINGS.format(
            title=quoted(f"{self.name} in {self.key}"),
            author=quoted(self.credits.author or AUTHOR),
            about=_about(self.credits),
            width=width,
            height=f"{height}mm" if page else "auto",
            margin=MARGIN,
            top=TOP,
            bottom=BOTTOM + self.lift,
            descent=DESCENT + self.lift,
            gutter=GUTTER,
            clean=CLEAN,
            foot=f", footer: running([{told}], {made})" if page else "",
            font=quoted(lettering.FAMILY),
            size=f"{10.5 * self.paper.scale:g}",
        )
        return (settings + self.body.rstrip() + last + END).encode()


def chart_page(form: Form, key: Key, paper: Paper | None = None, *, kind: Kind = "pdf") -> bytes:
    """Return the chord chart of a form in a key, as `sheet` does."""
    paper = replace(paper or Paper(), letters=kind == "pdf")
    parts = [f"#heading-line({quoted(form.title)}, {_home_image(key, str(key), paper)}, none)\n"]
    feel = form.feel[:1].upper() + form.feel[1:]
    parts.append(f"#facts([{escaped(feel)}])\n" if feel else "")
    bars = form.bars(key)
    count = in_line(bars)
    lines = -(-len(bars) // count)
    # As large as the sheet allows, so that it is read from where one plays.
    letters = 3.2 * paper.space
    room = (PAPERS[paper.size][1] - FURNITURE * paper.scale) / lines - BETWEEN - letters
    scale = min(HIGHEST, max(1.0, room / (HIGH * paper.space))) if kind == "pdf" else 1.0
    for number, inks in enumerate(chart(form, key, paper.width, scale)):
        first = count * number
        line = bars[first : first + count]
        names = " | ".join(" ".join(chord.name(key) for _, chord in bar) for bar in line)
        alt = f"Bars {first + 1} to {first + len(line)}: {names}"
        parts.append(f"#v({BETWEEN - 4.2 if number else 3}mm)\n" + _image(inks, paper, alt))
    return Sheet(form.title, key, "".join(parts), paper, kind).compiled()


def _heading(score: Score, phrase: Phrase, form: Form, paper: Paper, chorus: bool) -> str:
    over = form if chorus else None
    facts = [escaped(fact) for fact in heading.facts(score, phrase, over)]
    home = _home_image(score.key, score.home, paper)
    tempo = _inline_image(heading.tempo(score), paper, heading.tempo_words(score))
    return (
        f"#heading-line({quoted(score.title)}, {home}, {tempo})\n"
        f"#facts([{' · '.join(facts)}])\n#v(3mm)\n"
    )


def _home_image(key: Key, home: str, paper: Paper) -> str:
    return _inline_image(heading.home(key.tonic, home[len(key.tonic) :].strip()), paper, home)


def _system(picture: Picture, score: Score, paper: Paper) -> str:
    staves = {"both": "notation and tablature", "tab": "tablature", "notation": "notation"}
    told = spoken(score, picture.bars)
    alt = f"{score.title}, {staves[paper.staves]}. {told}"
    width = min(picture.box.right - picture.box.left + 0.2, paper.width + 0.3)
    svg = document(picture.inks, picture.box, letters=paper.letters)
    return _placed(svg, width, paper, alt)


def _inline_image(inks: Sequence[Ink], paper: Paper, alt: str) -> str:
    """Return a drawing that stands on the line of the text around it."""
    box = ink.around(box for one in inks for box in one.boxes)
    svg = document(inks, box, letters=paper.letters)
    width = (box.right - box.left + 0.2) * paper.space
    below = (box.bottom + 0.1) * paper.space
    image = f"drawn({quoted(_titled(svg, alt))}, {width:.3f}mm, {quoted(alt)})"
    return f"box(baseline: {below:.3f}mm, {image})"


def _image(inks: Sequence[Ink], paper: Paper, alt: str) -> str:
    box = ink.around(box for one in inks for box in one.boxes)
    svg = document(inks, box, letters=paper.letters)
    return _placed(svg, box.right - box.left + 0.2, paper, alt)


def _placed(svg: str, width: float, paper: Paper, alt: str) -> str:
    return f"#system({quoted(_titled(svg, alt))}, {width * paper.space:.3f}mm, {quoted(alt)})\n"


def _titled(svg: str, alt: str) -> str:
    """Return a drawing with its alternative text inside, for a page that is an SVG itself."""
    start, end = svg.split(">", 1)
    return f'{start} role="img"><title>{escape(alt, quote=False)}</title>{end}'


def _tips(score: Score) -> list[str]:
    whole = [remark for remark in score.remarks if not remark.number]
    placed = [remark for remark in score.remarks if remark.number]
    parts = ["#section[Tips]\n"]
    parts += [f"{markdown(remark.text)}\n\n" for remark in whole]
    parts += ["#v(1mm)\n"] if whole else []
    for remark in placed:
        parts.append(
            f"#tip({quoted(str(remark.number))}, {quoted(remark.place)})"
            f"[{markdown(remark.text)}]\n"
        )
    return parts


def _signs(scores: Sequence[Score], paper: Paper) -> str:
    rows = []
    for inks, told in signs(scores, paper.staves, marks=paper.marks):
        box = ink.around(box for one in inks for box in one.boxes)
        svg = document(inks, box, letters=paper.letters)
        width = (box.right - box.left + 0.2) * paper.space * SIGN
        alt = told.partition(":")[0]
        rows.append(f"(drawn({quoted(_titled(svg, alt))}, {width:.3f}mm, {quoted(alt)}), "
                    f"{quoted(told)}), ")  # fmt: skip
    return f"#signs(({''.join(rows)}))\n"


def _foot(phrase: Phrase, paper: Paper) -> str:
    inks = diagram(phrase, left_handed=paper.left_handed)
    box = ink.around(box for one in inks for box in one.boxes)
    svg = document(inks, box, letters=paper.letters)
    wide = box.right - box.left + 0.2
    size = min(DIAGRAM * paper.scale * wide, paper.column)
    # A long neck or large print leaves no room for the plan beside it.
    beat = "dotted quarter" if phrase.meter.quarters != 1 else "quarter"
    beside = size + GUTTER + PLANS[beat] * paper.scale <= paper.column
    alt = f"Fretboard diagram of {phrase.title} with degrees of {phrase.key}"
    if paper.left_handed:
        alt += ", left-handed"
    tempos = paper.tempos or practice_tempos(phrase.tempo)
    cells = ", ".join(quoted(f"{float(tempo):g}") for tempo in tempos)
    return (
        f"#foot({quoted(_titled(svg, alt))}, {size:.3f}mm, {quoted(alt)}, "
        f"[{_tonic(phrase.key, paper)}], ({cells},), {quoted(beat)}, {str(beside).lower()})\n"
    )


SETTINGS = """
// One line; a title that would be too small there stands at the head only.
#let running(title, credits) = context layout(room => {{
  let number = [page #counter(page).display("1 of 1", both: true)]
  let line = [#title · #number]
  let fitting = 0.98pt * (room.width / measure(text(size: 1pt, line)).width)
  let size = calc.min(0.8em.to-absolute(), fitting)
  align(center, {{
    if size < 7pt {{ text(size: 0.8em, number) }} else {{ text(size: size, line) }}
    if credits != none {{ linebreak(); text(size: 0.72em, credits) }}
  }})
}})
#let drawn(svg, width, alt) = image(bytes(svg), format: "svg", width: width, alt: alt)
#set document(title: {title}, author: {author}, {about})
#set page(width: {width}mm, height: {height}, margin: (x: {margin}mm, top: {top}mm,
  bottom: {bottom:.2f}mm), footer-descent: {descent:.2f}mm{foot})
#set text(font: {font}, size: {size}pt, lang: "en", fill: black, number-type: "lining")
#set par(leading: 0.62em, spacing: 0.85em)
#show heading: set text(size: 1em, weight: "regular")
#show heading: set block(above: 0mm, below: 0mm, sticky: true)
// A word that no line can hold may break at any letter, and is one word for a search.
#show regex("\\S{{30,}}"): it => it.text.clusters().join(box())
#set list(marker: ([•], [–]))
#show raw: set text(size: 1.1em)
// A long title is set smaller; one that would be too small has lines of its own.
#let heading-line(title, key, tempo) = layout(room => {{
  let wide(body) = measure(text(weight: 600, body)).width
  let beside = measure(key).width + if tempo == none {{ 0pt }} else {{ measure(tempo).width }}
  // A name without any ink has no width.
  let fitting = (room.width - beside - 3em.to-absolute()) / calc.max(1pt, wide(title))
  let alone = fitting < 1.4
  let longest = calc.max(1pt, ..title.split().map(wide))
  let size = if alone {{ calc.clamp(0.98 * room.width / longest, 1, 1.6) }} else {{ fitting }}
  block(below: 2.4mm, heading(level: 1, {{
    text(size: calc.min(size, 2.1) * 1em, weight: 600, title)
    if alone {{ linebreak() }} else {{ h(0.8em) }}
    key
    if tempo != none {{ h(1fr); tempo }}
  }}))
}})
#let facts(body) = block(below: 2mm, text(size: 0.95em, body))
#let system(svg, width, alt) = block(breakable: false, above: 0mm, below: 4.2mm,
  drawn(svg, width, alt))
#let made-by(credits) = block(above: 4mm, text(size: 0.72em, credits))
#let with-next(body) = block(sticky: true, above: 0mm, below: 0mm, body)
#let section(body) = block(above: 4mm, below: 2.4mm, sticky: true,
  heading(level: 2, text(size: 1.15em, weight: 600, body)))
#let variation(name) = block(above: 4mm, below: 3mm, sticky: true,
  heading(level: 2)[#text(size: 1.15em, weight: 600)[Variation:] #text(size: 1.15em, name)])
#let ring(number) = box(baseline: 22%, circle(radius: 0.62em, stroke: 0.7pt,
  inset: 0pt, align(center + horizon, text(size: 0.82em, weight: 600, number))))
#let tip(number, place, body) = block(breakable: false, above: 1em, below: 1em,
  grid(columns: (1.6em, 1fr), column-gutter: 0.4em,
    box(height: 0.7em, move(dy: -0.22em, ring(number))),
    [#text(style: "italic")[#upper(place.first())#place.slice(1):] #body]))
#let signs(rows) = block(breakable: false, above: 4mm)[#section[Signs]
  #set text(size: 0.85em)
  #grid(columns: (auto, 1fr, auto, 1fr), column-gutter: 0.7em, row-gutter: 0.75em,
    align: (center + horizon, left + horizon), ..rows.flatten())]
#let neck(svg, width, alt, tonic) = block(breakable: false, sticky: true, above: 4mm)[
  #section[On the neck #text(size: 0.85em, weight: "regular")[degrees of #tonic]]
  #drawn(svg, width, alt)]
#let plan(tempos, beat) = block(breakable: false, above: 4mm)[#section[Practice plan]
  #table(columns: (auto, auto, 1fr), stroke: 0.6pt, inset: (x: 2mm, y: 1.15mm),
    align: (right, left, left),
    table.header([*#beat = *], [*clean passes*], [*date, what to mind*]),
    ..tempos.map(tempo => ([#tempo], range({clean}).map(_ => box(width: 0.85em, height: 0.85em,
      stroke: 0.7pt, baseline: 12%)).join(h(0.55em)), [])).flatten())]
#let foot(svg, width, alt, tonic, tempos, beat, beside) = if beside {{
  block(breakable: false, above: 4mm, grid(columns: (auto, 1fr), column-gutter: {gutter}mm,
    align: (left, left), neck(svg, width, alt, tonic), plan(tempos, beat)))
}} else {{
  neck(svg, width, alt, tonic)
  plan(tempos, beat)
}}
"""


def _about(credits: Credits) -> str:
    """Return what a PDF's own data say of its rights and its day."""
    parts = [int(part) for part in credits.date.split("-")] if credits.date else []
    day = ", ".join(map(str, [*parts, 1, 1][:3]))
    date = f"datetime(year: {day.replace(', ', ', month: ', 1)})" if parts else "none"
    date = re.sub(r"(month: \d+), ", r"\1, day: ", date)
    told = f", description: {quoted(credits.rights)}" if credits.rights else ""
    return f"date: {date}{told}"


# Where the sheet ends.
END = "#context[#metadata((page: here().page(), y: here().position().y / 1mm))<end>]"


def _tonic(key: Key, paper: Paper) -> str:
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
