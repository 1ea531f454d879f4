"""The page: heading, systems, variations, tips, fretboard diagram and practice plan, set by typst.

Conventions: staff sizes are in millimetres, drawings in staff spaces. The same words give the same
bytes: no time and no random id is written.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from html import escape

from backing.forms import Form
from backing.sheet import heading, ink
from backing.sheet.changes import changed
from backing.sheet.chart import HIGH, chart, in_line
from backing.sheet.diagram import diagram
from backing.sheet.ink import Ink
from backing.sheet.key import signs
from backing.sheet.layout import Picture, Style, document, pictures
from backing.sheet.markup import escaped, markdown, quoted
from backing.sheet.score import Score
from backing.sheet.spoken import spoken
from backing.sheet.tempos import practice_tempos
from backing.sheet.typeset import GUTTER, PAPERS, TOP, Kind, Paper, Sheet, tonic
from backing.sheet.writing import over_form
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = ["PAPERS", "Kind", "Paper", "chart_page", "laid_out", "sheet"]

LEAST = 0.36  # of the last of several pages is filled
TRIES = 8
FITS = (0.96, 0.92, 0.88)
# What its size takes from the height of a sheet, as a power: usually, and at best.
USUAL, BEST = 0.9, 0.95
DIAGRAM = 1.51  # staff spaces to a unit of the diagram
FURNITURE = 58.0  # mm of a chart's sheet that are not its lines
BETWEEN = 8.0  # mm between two lines of a chart
HIGHEST = 2.4  # how much higher than usual a chart's bars are at most
# Millimetres that the plan wants beside the diagram, by its beat: its columns and room to write.
PLANS = {"quarter": 90.0, "dotted quarter": 103.0}


def sheet(
    phrase: Phrase,
    form: Form,
    paper: Paper | None = None,
    *,
    chorus: bool = False,
    kind: Kind = "pdf",
) -> bytes:
    """Return the sheet of a phrase in its key, under the chords of a form.

    `chorus` writes the whole form, with the phrase in its bars; `kind` is ``pdf``, or ``svg`` for
    one long page. Raises `RangeError` where the phrase cannot be written, or its pickup would
    start while it still plays.
    """
    if kind == "pdf":
        return laid_out(phrase, form, paper, chorus=chorus).compiled()
    paper = replace(paper or Paper(), letters=False)
    return _sheet(phrase, form, paper, chorus, kind).compiled()


def laid_out(
    phrase: Phrase, form: Form, paper: Paper | None = None, *, chorus: bool = False
) -> Sheet:
    """Return the sheet of a phrase, its pages filled; see `sheet`."""
    paper = paper or Paper()
    made = _sheet(phrase, form, paper, chorus, "pdf")
    pages = made.extent()[0]
    if pages == 1:
        return made

    # A little smaller, it may do with a page less; how much there is of it tells which sizes may.
    whole = replace(made, kind="svg").extent()[1]
    likely = [fit for fit in FITS if whole * fit**USUAL <= pages - 1]
    if not likely and whole * FITS[-1] ** BEST <= pages - 1:
        likely = [FITS[-1]]
    for fit in likely:
        tried = _sheet(phrase, form, replace(paper, fit=fit), chorus, "pdf")
        if tried.extent()[0] < pages:
            made = tried
            break
    return _balanced(made)


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
    high = (PAPERS[paper.size][1] - FURNITURE * paper.scale) / lines - BETWEEN - letters
    scale = min(HIGHEST, max(1.0, high / (HIGH * paper.space))) if kind == "pdf" else 1.0
    for number, inks in enumerate(chart(form, key, paper.width, scale)):
        first = count * number
        line = bars[first : first + count]
        names = " | ".join(" ".join(chord.name(key) for _, chord in bar) for bar in line)
        alt = f"Bars {first + 1} to {first + len(line)}: {names}"
        room = BETWEEN - 4.2 if number else 3
        parts.append(f"#v({room}mm)\n#system({_drawing(inks, paper, alt)[0]})\n")
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


def _drawing(
    inks: Sequence[Ink], paper: Paper, alt: str, unit: float = 1.0, most: float = math.inf
) -> tuple[str, float, float]:
    """Return a drawing as typst markup, its width and its depth under 0, in millimetres.

    `unit` is the drawing's in staff spaces, `most` the greatest width.
    """
    box = ink.around(box for one in inks for box in one.boxes)
    start, end = document(inks, box, letters=paper.letters).split(">", 1)
    # Its alternative text is inside too, for a page that is an SVG itself.
    svg = f'{start} role="img"><title>{escape(alt, quote=False)}</title>{end}'
    unit *= paper.space
    width = min((box.right - box.left + 0.2) * unit, most)
    return f"{quoted(svg)}, {width:.3f}mm, {quoted(alt)}", width, (box.bottom + 0.1) * unit


def _system(picture: Picture, score: Score, paper: Paper) -> str:
    staves = {"both": "notation and tablature", "tab": "tablature", "notation": "notation"}
    alt = f"{score.title}, {staves[paper.staves]}. {spoken(score, picture.bars)}"
    most = (paper.width + 0.3) * paper.space
    return f"#system({_drawing(picture.inks, paper, alt, most=most)[0]})\n"


def _inline_image(inks: Sequence[Ink], paper: Paper, alt: str) -> str:
    """Return a drawing that stands on the line of the text around it."""
    drawing, _, below = _drawing(inks, paper, alt)
    return f"box(baseline: {below:.3f}mm, drawn({drawing}))"


def _tips(score: Score) -> list[str]:
    whole = [remark for remark in score.remarks if not remark.number]
    placed = [remark for remark in score.remarks if remark.number]
    parts = ["#section[Tips]\n"]
    parts += [f"{markdown(remark.text)}\n\n" for remark in whole]
    parts += ["#v(1mm)\n"] if whole and placed else []
    for remark in placed:
        parts.append(
            f"#tip({quoted(str(remark.number))}, {quoted(remark.place)})"
            f"[{markdown(remark.text)}]\n"
        )
    return parts


def _signs(scores: Sequence[Score], paper: Paper) -> str:
    rows = [
        f"(drawn({_drawing(inks, paper, told.partition(':')[0])[0]}), {quoted(told)}), "
        for inks, told in signs(scores, paper.staves, marks=paper.marks)
    ]
    return f"#signs(({''.join(rows)}))\n"


def _foot(phrase: Phrase, paper: Paper) -> str:
    alt = f"Fretboard diagram of {phrase.title} with degrees of {phrase.key}"
    alt += ", left-handed" if paper.left_handed else ""
    inks = diagram(phrase, left_handed=paper.left_handed)
    drawing, size, _ = _drawing(inks, paper, alt, DIAGRAM, paper.column)
    # A long neck or large print leaves no room for the plan beside it.
    beat = "dotted quarter" if phrase.meter.quarters != 1 else "quarter"
    beside = size + GUTTER + PLANS[beat] * paper.scale <= paper.column
    tempos = paper.tempos or practice_tempos(phrase.tempo)
    cells = ", ".join(quoted(f"{float(tempo):g}") for tempo in tempos)
    return (
        f"#foot({drawing}, "
        f"[{tonic(phrase.key, paper)}], ({cells},), {quoted(beat)}, {str(beside).lower()})\n"
    )
