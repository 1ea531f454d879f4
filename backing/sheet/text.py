"""A phrase in plain text, for chats and e-mail: tablature, variations, tips and practice plan.

Conventions: six lines from the high string to the low one, with the count above each note; what
is counted in brackets is silence from there. A line is at most `WIDTH` characters wide and breaks
at a bar line, or within a bar that is wider than that. References: the signs are those usual in
plain-text tablature; a bend tells the fret whose pitch it reaches.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from backing.forms import Form
from backing.page.words import plain
from backing.sheet import heading
from backing.sheet.changes import changed
from backing.sheet.score import Remark, Score
from backing.sheet.tempos import CLEAN, practice_tempos
from backing.sheet.textlines import SIGNS, Column, columns, systems, used
from backing.sheet.writing import over_form
from phrases.errors import RangeError
from phrases.phrase import Phrase

__all__ = ["NARROWEST", "WIDTH", "text_sheet"]

WIDTH = 80
NARROWEST = 40


def text_sheet(
    phrase: Phrase,
    form: Form | None = None,
    *,
    width: int = WIDTH,
    fingering: bool = True,
    chorus: bool = False,
) -> str:
    """Return a phrase as plain text.

    Parameters
    ----------
    phrase
        In the key in which it is to be written.
    form
        Whose chords stand over it; none if left out.
    width
        The most characters in a line, at least `NARROWEST`.
    fingering
        Whether strokes and fingers stand below, where the phrase gives them.
    chorus
        Write the whole form, with the phrase in its bars, and no variations.

    Returns
    -------
    str
        Lines of ASCII signs (titles and tips keep their own letters), ended by a line feed. A line
        is wider than that only where what follows at once at one place is.

    Raises
    ------
    RangeError
        If the width is less than `NARROWEST`, the form is too short for the phrase, or it cannot
        be written.
    """
    if width < NARROWEST:
        raise RangeError(f"width {width}: a tab needs at least {NARROWEST} characters")
    score = over_form(phrase, form, chorus=chorus)
    over = f"over a {form.title.lower()} chorus" if form is not None and chorus else ""
    lines = list(_heading(score, heading.facts(score, phrase, over), width))
    written: list[list[Column]] = []
    versions = [("", score)]
    if not chorus:
        versions += [
            (name, changed(phrase, other, over_form(other, form)))
            for name, other in phrase.variations
        ]
    for name, one in versions:
        lines += ["", *textwrap.wrap(f"Variation: {name}", width)] if name else []
        bars = [columns(one, measure) for measure in one.measures]
        for system in systems(bars, width, fingering=fingering):
            lines += ["", *system]
        written += bars
    signs = used(written, fingering=fingering)
    if signs:
        legend = ", ".join(f"{sign} = {SIGNS[sign]}" for sign in SIGNS if sign in signs)
        lines += ["", *textwrap.wrap(f"Signs: {legend}", width)]
    if score.remarks:
        lines += ["", "Tips"]
    for remark in score.remarks:
        lines += ["", *_tip(remark, width)]
    lines += ["", *_plan(phrase, width)]
    return "\n".join(lines) + "\n"


def _heading(score: Score, facts: list[str], width: int) -> Iterator[str]:
    title = textwrap.wrap(score.title, width)
    yield from title
    yield "=" * max(map(len, title), default=0)
    told = [score.home if score.scale else f"key of {score.key}"]
    told.append(f"{score.meter}, {float(score.tempo):g} beats a minute")
    if score.swung:
        told.append("swung")
    yield from textwrap.wrap(", ".join(told), width)
    yield from textwrap.wrap(", ".join(facts), width)


def _tip(remark: Remark, width: int) -> Iterator[str]:
    """Yield the lines of a tip after its number and place; Markdown's marks are left out."""
    first = f"[{remark.number}] {remark.place[:1].upper()}{remark.place[1:]}: "
    if not remark.number:
        first = ""
    indent = "    " if remark.number else ""
    for line in plain(remark.text).splitlines():
        item = "  " if line.lstrip().startswith("- ") else ""
        yield from textwrap.wrap(
            line, width, initial_indent=first, subsequent_indent=indent + item
        ) or [""]
        first = indent


def _plan(phrase: Phrase, width: int) -> Iterator[str]:
    yield "Practice plan"
    yield ""
    beat = "dotted quarters" if phrase.meter.quarters != 1 else "quarters"
    told = f"{CLEAN} clean passes at each tempo before the next, in {beat} a minute"
    yield from textwrap.wrap(told, width)
    for tempo in practice_tempos(phrase.tempo):
        yield f"{float(tempo):>5g} " + " [ ]" * CLEAN
