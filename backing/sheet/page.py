"""The page: heading, systems, variations, tips, fretboard diagram and practice plan, set by typst.

Conventions: staff sizes are in millimetres, drawings in staff spaces. The same words give the same
bytes: no time and no random id is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any, Literal
from xml.sax.saxutils import escape

from backing.forms import Form
from backing.practice import usual_start
from backing.sheet import ink, lettering
from backing.sheet.chart import chart
from backing.sheet.diagram import diagram
from backing.sheet.ink import Ink
from backing.sheet.layout import Picture, Style, document, pictures
from backing.sheet.lettering import FONTS
from backing.sheet.score import Measure, Score
from backing.sheet.writing import over_form
from backing.tempo import step_tempos
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = ["PAPERS", "STEP", "Kind", "Paper", "chart_page", "sheet"]

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN = 15.0  # mm
SPACE = 1.72  # mm from line to line of the notation staff
LARGER = 1.28
FITS = (0.96, 0.92, 0.88)
STEP = Fraction(10)  # beats a minute from row to row of the plan
DIAGRAM = 2.6  # mm to a unit of the diagram
WIDEST = 95.0  # mm of a diagram
AUTHOR = "porchband"
EPOCH = datetime(2020, 1, 1, tzinfo=UTC)
FONT = "Fira Sans"


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
    """

    size: str = "a4"
    larger: bool = False
    left_handed: bool = False
    staves: str = "both"
    marks: bool = True
    fit: float = 1.0

    @property
    def scale(self) -> float:
        """How much larger than usual."""
        return self.fit * (LARGER if self.larger else 1.0)

    @property
    def space(self) -> float:
        """Millimetres from line to line of the notation staff."""
        return SPACE * self.scale

    @property
    def width(self) -> float:
        """Of a system, in staff spaces."""
        return (PAPERS[self.size][0] - 2 * MARGIN) / self.space - 0.3


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
        If the form is too short for the phrase, or it cannot be written.
    """
    paper = paper or Paper()
    made = _sheet(phrase, form, paper, chorus, kind)
    if kind == "pdf" and _pages(made) > 1:
        # A little smaller, it may do with a page less.
        for fit in FITS:
            closer = _sheet(phrase, form, replace(paper, fit=fit), chorus, kind)
            if _pages(closer) < _pages(made):
                return closer
    return made


def _sheet(phrase: Phrase, form: Form, paper: Paper, chorus: bool, kind: Kind) -> bytes:
    style = Style(paper.width, paper.staves, paper.marks, chorus)
    score = over_form(phrase, form, chorus=chorus)
    parts = [_heading(score, form, paper, chorus)]
    parts += [_system(picture, score, paper) for picture in pictures(score, style)]
    if not chorus:
        for name, other in phrase.variations:
            parts.append(f"#variation({_quoted(name)})\n")
            varied = _changed(phrase, other, over_form(other, form))
            parts += [_system(picture, varied, paper) for picture in pictures(varied, style)]
    parts.append(_tips(score))
    parts.append(_foot(phrase, paper))
    title = f"{phrase.title} in {_key(phrase.key)}"
    return _compiled(title, "".join(parts), paper, kind)


def _pages(pdf: bytes) -> int:
    """Return how many pages a PDF of typst's has."""
    found = re.search(rb"/Count (\d+)", pdf)
    return int(found[1]) if found else 1


def chart_page(form: Form, key: Key, paper: Paper | None = None, *, kind: Kind = "pdf") -> bytes:
    """Return the chord chart of a form in a key, as `sheet` does."""
    paper = paper or Paper()
    title = f"{form.title} in {_key(key)}"
    parts = [f"#heading-line({_quoted(form.title)}, {_key_image(key, paper)}, none)\n"]
    feel = form.feel[:1].upper() + form.feel[1:]
    parts.append(f"#facts([{_escaped(feel)}])\n" if feel else "")
    parts.append("#v(3mm)\n")
    bars = form.bars(key)
    for number, inks in enumerate(chart(form, key, paper.width)):
        line = bars[4 * number : 4 * number + 4]
        names = " | ".join(" ".join(chord.name(key) for _, chord in bar) for bar in line)
        alt = f"Bars {4 * number + 1} to {4 * number + len(line)}: {names}"
        parts.append(_image(inks, paper, alt) + "#v(3mm, weak: true)\n")
    return _compiled(title, "".join(parts), paper, kind)


def _key(key: Key) -> str:
    return f"{key.tonic} {key.mode}"


def _changed(phrase: Phrase, other: Phrase, score: Score) -> Score:
    """Return the bars of a variation that are not those of the phrase, without its tips."""
    changed = [
        (bar, part)
        for (bar, part), (_, old) in zip(other.placed(), phrase.placed(), strict=False)
        if part != old
    ] or list(other.placed())
    first, part = changed[0]
    first -= bool(part.pickup)
    last = changed[-1][0] + changed[-1][1].bars
    measures = [
        replace(measure, events=tuple(replace(event, tips=()) for event in measure.events))
        for measure in score.measures
        if first < measure.number <= last
    ]
    if part.pickup and measures and measures[0].number:
        measures[0] = _from_pickup(measures[0])
    return replace(score, measures=tuple(measures) or score.measures, remarks=())


def _from_pickup(measure: Measure) -> Measure:
    """Return the end of a bar, from the part that begins in it."""
    at = max((label.at for label in measure.labels), default=measure.start)
    return replace(
        measure,
        start=at,
        beats=measure.start + measure.beats - at,
        events=tuple(event for event in measure.events if event.at >= at),
        chords=(),
        labels=tuple(label for label in measure.labels if label.at >= at),
    )


def _heading(score: Score, form: Form, paper: Paper, chorus: bool) -> str:
    facts = [f"{_escaped(score.groove)}"] if score.groove else []
    if score.scale:
        facts.append(_escaped(score.scale))
    if chorus:
        facts.append(_escaped(f"over a {form.title.lower()} chorus"))
    if score.level:
        facts.append(_escaped(score.level))
    facts += [_escaped(tag) for tag in score.tags]
    tempo = _inline_image(_tempo(score), paper, _tempo_words(score))
    return (
        f"#heading-line({_quoted(score.title)}, {_key_image(score.key, paper)}, {tempo})\n"
        f"#facts([{' · '.join(facts)}])\n#v(3mm)\n"
    )


def _key_image(key: Key, paper: Paper) -> str:
    tonic = ink.outline("key", lettering.chord_name(key.tonic, 2.5), 0.0, 0.0, 0.0, "")
    mode = ink.words("key", key.mode, tonic.box.right + 1.0, 0.0, 2.5, anchor=0.0)
    # As tall as the title's letters, so that both stand on one line.
    return _inline_image([tonic, mode], paper, _key(key))


def _tempo_words(score: Score) -> str:
    beat = "dotted quarter" if score.meter.quarters != 1 else "quarter"
    words = f"Tempo: {beat} = {float(score.tempo):g}"
    return words + (f"; swung eighths, {score.swing:.3g} to 1" if score.swung else "")


def _tempo(score: Score) -> list[Ink]:
    """Draw the tempo, and the swing mark: two eighths are a triplet's quarter and eighth."""
    note = ink.music("tempo", "quarter", 0.6, 0.0, 0.8)
    found = [note]
    right = note.box.right
    if score.meter.quarters != 1:
        found.append(ink.music("tempo", "dot", right + 0.5, -0.3))
        right += 0.7
    text = f"= {float(score.tempo):g}"
    found.append(ink.words("tempo", text, right + 0.6, 0.0, 2.0, face="bold", anchor=0.0))
    if score.swung:
        x = found[-1].box.right + 3.0
        found += _pair(x)
        found.append(ink.words("swing", "=", x + 4.0, 0.0, 2.0, anchor=0.0))
        found += _triplet(x + 6.6)
        if abs(score.swing - 2) > 0.15:
            text = f"about {score.swing:.2g} : 1"
            found.append(ink.words("swing", text, x + 11.8, 0.0, 1.7, anchor=0.0))
    return found


def _pair(x: float) -> list[Ink]:
    heads = [ink.music("swing", "head", x + 2.1 * n, -0.1, 0.75) for n in (0, 1)]
    rights = [one.box.right - 0.07 for one in heads]
    found = [*heads, *(ink.line("swing", (r, -0.3, r, -2.7), 0.13) for r in rights)]
    found.append(ink.line("swing", (rights[0] - 0.06, -2.6, rights[1] + 0.06, -2.6), 0.4))
    return found


def _triplet(x: float) -> list[Ink]:
    quarter = ink.music("swing", "quarter", x, -0.1, 0.75)
    eighth = ink.music("swing", "eighth", x + 2.6, -0.1, 0.75)
    left, right, y = quarter.box.left, eighth.box.right, -3.5
    three = ink.words("swing", "3", (left + right) / 2, y + 0.45, 1.35, face="italic")
    found = [quarter, eighth, three]
    for a, b in ((left, three.box.left - 0.3), (three.box.right + 0.3, right)):
        found.append(ink.line("swing", (a, y, b, y), 0.1))
    for at in (left, right):
        found.append(ink.line("swing", (at, y, at, y + 0.5), 0.1))
    return found


def _system(picture: Picture, score: Score, paper: Paper) -> str:
    first, last = picture.bars[0], picture.bars[-1]
    if first == last:
        bars = f"bar {last}" if last else "pickup"
    else:
        bars = f"bars {first} to {last}" if first else f"pickup to bar {last}"
    staves = {"both": "notation and tablature", "tab": "tablature", "notation": "notation"}
    alt = f"{score.title}, {bars}, {staves[paper.staves]}"
    width = min(picture.box.right - picture.box.left + 0.2, paper.width + 0.3)
    return _placed(picture.svg, width, paper, alt, "system")


def _inline_image(inks: Sequence[Ink], paper: Paper, alt: str) -> str:
    """Return a drawing that stands on the line of the text around it."""
    box = ink.around(box for one in inks for box in one.boxes)
    svg = document("".join(one.draw() for one in inks), box)
    width = (box.right - box.left + 0.2) * paper.space
    below = (box.bottom + 0.1) * paper.space
    return f"box(baseline: {below:.3f}mm, drawn({_quoted(svg)}, {width:.3f}mm, {_quoted(alt)}))"


def _image(inks: Sequence[Ink], paper: Paper, alt: str) -> str:
    box = ink.around(box for one in inks for box in one.boxes)
    svg = document("".join(one.draw() for one in inks), box)
    return _placed(svg, box.right - box.left + 0.2, paper, alt, "system")


def _placed(svg: str, width: float, paper: Paper, alt: str, call: str) -> str:
    return f"#{call}({_quoted(svg)}, {width * paper.space:.3f}mm, {_quoted(alt)})\n"


def _tips(score: Score) -> str:
    if not score.remarks:
        return ""
    whole = [remark for remark in score.remarks if not remark.number]
    placed = [remark for remark in score.remarks if remark.number]
    parts = ["#section[Tips]\n"]
    parts += [f"{_markdown(remark.text)}\n\n" for remark in whole]
    parts += ["#v(1mm)\n"] if whole else []
    for remark in placed:
        parts.append(
            f"#tip({_quoted(str(remark.number))}, {_quoted(remark.place)})"
            f"[{_markdown(remark.text)}]\n"
        )
    return "".join(parts)


def _foot(phrase: Phrase, paper: Paper) -> str:
    inks = diagram(phrase, left_handed=paper.left_handed)
    box = ink.around(box for one in inks for box in one.boxes)
    svg = document("".join(one.draw() for one in inks), box)
    wide = box.right - box.left + 0.2
    size = min(DIAGRAM * paper.scale, WIDEST / wide) * wide
    alt = f"Fretboard diagram of {phrase.title} with degrees of {_key(phrase.key)}"
    if paper.left_handed:
        alt += ", left-handed"
    cells = ", ".join(_quoted(f"{float(tempo):g}") for tempo in _plan(phrase.tempo))
    return (
        f"#foot({_quoted(svg)}, {size:.3f}mm, {_quoted(alt)}, ({cells},), "
        f"{_quoted('dotted quarter' if phrase.meter.quarters != 1 else 'quarter')})\n"
    )


def _plan(tempo: Fraction) -> list[Fraction]:
    """Return the tempos to practise at; none that is all but the last."""
    tempos = list(step_tempos(usual_start(tempo), tempo, STEP))
    if len(tempos) > 2 and tempos[-1] - tempos[-2] < STEP / 3:
        del tempos[-2]
    return tempos


def _quoted(text: str) -> str:
    """Return a text as a string of typst's."""
    text = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{text}"'


def _escaped(text: str) -> str:
    return f"#{_quoted(text)}" if text else ""


_INLINE = re.compile(
    r"\*\*(?P<strong>[^*]+)\*\*|\*(?P<em>[^*]+)\*|\b_(?P<under>[^_]+)_\b|`(?P<raw>[^`]+)`"
    r"|\[(?P<label>[^\]]+)\]\([^)]*\)"
)


def _markdown(text: str) -> str:
    """Return a Markdown text, its paragraphs, lists and stresses, as typst's markup."""
    found = []
    for paragraph in re.split(r"\n\s*\n", text.strip()):
        lines = paragraph.splitlines()
        if all(re.match(r"\s*[-*] ", line) for line in lines):
            found.append("\n".join("- " + "".join(_inline(line.strip()[2:])) for line in lines))
        else:
            found.append("".join(_inline(" ".join(line.strip() for line in lines))))
    return "\n\n".join(found)


def _inline(text: str) -> Iterator[str]:
    at = 0
    for match in _INLINE.finditer(text):
        if match.start() > at:
            yield _escaped(text[at : match.start()])
        if match["strong"]:
            yield f"#strong[{_escaped(match['strong'])}]"
        elif match["em"] or match["under"]:
            yield f"#emph[{_escaped(match['em'] or match['under'])}]"
        else:
            yield _escaped(match["raw"] or match["label"] or "")
        at = match.end()
    if at < len(text):
        yield _escaped(text[at:])


SETTINGS = """
#set document(title: {title}, author: {author}, date: none)
#set page(width: {width}mm, height: {height}, margin: (x: {margin}mm, top: 12mm,
  bottom: 13mm){foot})
#set text(font: {font}, size: {size}pt, lang: "en", fill: black, number-type: "lining")
#set par(leading: 0.62em, spacing: 0.85em)
#show heading: set text(size: 1em, weight: "regular")
#show heading: set block(above: 0mm, below: 0mm, sticky: true)
#let heading-line(title, key, tempo) = block(below: 2.4mm, heading(level: 1, {{
  text(size: 2.1em, weight: 600, title)
  h(0.8em)
  key
  if tempo != none {{ h(1fr); tempo }}
}}))
#let facts(body) = block(below: 2mm, text(size: 0.95em, body))
#let drawn(svg, width, alt) = image(bytes(svg), format: "svg", width: width, alt: alt)
#let system(svg, width, alt) = block(breakable: false, above: 0mm, below: 4.2mm,
  drawn(svg, width, alt))
#let section(body) = block(above: 4mm, below: 2.4mm, sticky: true,
  heading(level: 2, text(size: 1.15em, weight: 600, body)))
#let variation(name) = block(above: 5mm, below: 3mm, sticky: true,
  heading(level: 2)[#text(size: 1.15em, weight: 600)[Variation:] #text(size: 1.15em, name)])
#let ring(number) = box(baseline: 22%, circle(radius: 0.62em, stroke: 0.7pt,
  inset: 0pt, align(center + horizon, text(size: 0.82em, weight: 600, number))))
#let tip(number, place, body) = block(breakable: false, above: 2.2mm, below: 2.2mm,
  grid(columns: (1.6em, 1fr), column-gutter: 0.4em, move(dy: -0.22em, ring(number)),
    [#text(style: "italic")[#upper(place.first())#place.slice(1):] #body]))
#let foot(svg, width, alt, tempos, beat) = block(breakable: false, above: 5mm, {{
  grid(columns: (auto, 1fr), column-gutter: 8mm, align: (left, left),
    [#section[On the neck] #drawn(svg, width, alt)],
    [#section[Practice plan]
     #table(columns: (auto, auto, 1fr), stroke: 0.6pt, inset: (x: 2mm, y: 1.15mm),
       align: (right, left, left),
       table.header([*#beat = *], [*clean passes*], [*date, what to mind*]),
       ..tempos.map(tempo => ([#tempo], range(4).map(_ => box(width: 0.85em, height: 0.85em,
         stroke: 0.7pt, baseline: 12%)).join(h(0.55em)), [])).flatten())])
}})
"""


def _compiled(title: str, body: str, paper: Paper, kind: Kind) -> bytes:
    import typst

    width, height = PAPERS[paper.size]
    page = kind != "svg"
    foot = (
        ', footer: context align(center, text(size: 0.8em)[' + _escaped(title)
        + ' · page #counter(page).display("1 of 1", both: true)])'
    )  # fmt: skip
    settings = SETTINGS.format(
        title=_quoted(title),
        author=_quoted(AUTHOR),
        width=width,
        height=f"{height}mm" if page else "auto",
        margin=MARGIN,
        foot=foot if page else "",
        font=_quoted(FONT),
        size=f"{10.5 * paper.scale:g}",
    )
    folders: Any = [str(FONTS)]
    made = typst.compile(
        (settings + body).encode(),
        font_paths=folders,
        ignore_system_fonts=True,
        format=kind,
        timestamp=int(EPOCH.timestamp()),
        pdf_tags=True,
    )
    assert isinstance(made, bytes)
    if kind == "pdf":
        return made
    start, end = made.split(b">", 1)
    return start + b">" + f"<title>{escape(title)}</title>".encode() + end
