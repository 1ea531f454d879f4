"""A phrase in plain text, for chats and e-mail: tablature, variations, tips and practice plan.

A chord chart, too.

Conventions: six lines from the high string to the low one, with the count above each note; what
is counted in brackets is silence from there. A line is at most `WIDTH` characters wide and breaks
at a bar line, or within a bar that is wider than that. References: the signs are those usual in
plain-text tablature; a bend tells the fret whose pitch it reaches.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from unicodedata import combining

from backing.forms import Form
from backing.page.words import plain
from backing.sheet import heading
from backing.sheet.changes import changed
from backing.sheet.chart import LINE, numeral
from backing.sheet.score import Remark, Score
from backing.sheet.tempos import CLEAN, practice_tempos
from backing.sheet.textlines import SIGNS, TextColumn, columns, systems, used
from backing.sheet.writing import over_form
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = ["WIDTH", "chart_text", "text_sheet"]

WIDTH = 80


def text_sheet(
    phrase: Phrase, form: Form | None = None, *, fingering: bool = True, chorus: bool = False
) -> str:
    """Return a phrase as plain text.

    `fingering` says whether strokes and fingers stand below, where the phrase gives them;
    `chorus` writes the whole form, with the phrase in its bars, and no variations.

    Lines are of ASCII signs (titles and tips keep their own letters). One is wider only where what
    follows at once at one place is, or an address. Raises `RangeError` where the phrase cannot
    be written.
    """
    score = over_form(phrase, form, chorus=chorus)
    facts = heading.facts(score, phrase, form if chorus else None)
    lines = list(_heading(score, facts))
    written: list[list[TextColumn]] = []
    versions = [("", score)]
    if not chorus:
        versions += [
            (name, changed(phrase, other, over_form(other, form)))
            for name, other in phrase.variations
        ]
    for name, one in versions:
        lines += ["", *textwrap.wrap(f"Variation: {name}", WIDTH)] if name else []
        bars = [columns(one, measure) for measure in one.measures]
        for system in systems(bars, WIDTH, fingering=fingering):
            lines += ["", *system]
        written += bars
    signs = used(written, fingering=fingering)
    if signs:
        legend = ", ".join(f"{sign} = {SIGNS[sign]}" for sign in SIGNS if sign in signs)
        lines += ["", *textwrap.wrap(f"Signs: {legend}", WIDTH)]
    if score.remarks:
        lines += ["", "Tips"]
    for remark in score.remarks:
        lines += ["", *_tip(remark)]
    lines += ["", *_plan(phrase)]
    if phrase.credits.line:
        lines += ["", *textwrap.wrap(phrase.credits.line, WIDTH, break_long_words=False)]
    return "\n".join(lines) + "\n"


def chart_text(form: Form, key: Key) -> str:
    """Return the chord chart of a form in a key as plain text, degrees under the chords.

    All bars are as wide, and a chord stands where it begins in its bar. There are four bars to a
    line of `WIDTH` characters, or two or one where the names need more room.
    """
    bars = form.bars(key)
    left = len(str(len(bars))) + 1
    rows = [
        [[text(chord) for _, chord in bar] for bar in bars]
        for text in (lambda chord: chord.name(key), numeral)
    ]
    for count in (LINE, 2, 1):
        wide = (WIDTH - left - 1) // count
        if all(len(text) + 2 <= wide // len(bar) for row in rows for bar in row for text in bar):
            break
    feel = form.feel[:1].upper() + form.feel[1:]
    lines = [*_title(f"{form.title} in {key}"), *textwrap.wrap(feel, WIDTH)]
    for first in range(0, len(bars), count):
        number = str(first + 1)
        lines.append("")
        for row in rows:
            cells = ["".join(text.ljust(wide // len(bar)) for text in bar) for bar in row]
            line = "".join(f"| {cell}".ljust(wide)[:wide] for cell in cells[first : first + count])
            lines.append(f"{number:>{left - 1}} {line}|")
            number = ""
    return "\n".join(lines) + "\n"


def _title(text: str) -> Iterator[str]:
    """Yield a title, its last line underlined as far as it reaches."""
    title = textwrap.wrap(text, WIDTH) or [""]
    yield from title
    # A letter's accents may be signs of their own, which take no room.
    yield "=" * sum(not combining(sign) for sign in title[-1])


def _heading(score: Score, facts: list[str]) -> Iterator[str]:
    yield from _title(score.title)
    told = [score.home if score.scale else f"key of {score.key}"]
    told.append(f"{score.meter}, {float(score.tempo):g} beats a minute")
    if score.swung:
        told.append("swung")
    yield from textwrap.wrap(", ".join(told), WIDTH)
    yield from textwrap.wrap(", ".join(facts), WIDTH)


def _tip(remark: Remark) -> Iterator[str]:
    """Yield the lines of a tip after its number and place; Markdown's marks are left out."""
    first = f"[{remark.number}] {remark.place[:1].upper()}{remark.place[1:]}: "
    if not remark.number:
        first = ""
    indent = "    " if remark.number else ""
    for line in plain(remark.text).splitlines():
        item = "  " if line.lstrip().startswith("- ") else ""
        whole = "://" not in line  # an address is never broken
        yield from textwrap.wrap(
            line,
            WIDTH,
            initial_indent=first,
            subsequent_indent=indent + item,
            break_long_words=whole,
            break_on_hyphens=whole,
        ) or [""]
        first = indent


def _plan(phrase: Phrase) -> Iterator[str]:
    yield "Practice plan"
    yield ""
    beat = "dotted quarters" if phrase.meter.quarters != 1 else "quarters"
    told = f"{CLEAN} clean passes at each tempo before the next, in {beat} a minute"
    yield from textwrap.wrap(told, WIDTH)
    for tempo in practice_tempos(phrase.tempo):
        yield f"{float(tempo):>5g} " + " [ ]" * CLEAN
