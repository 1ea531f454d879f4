"""A text as the desk shows it: mistakes and their mending, sheet, neck, what `check` says.

Conventions: places in a text are UTF-16 code units, as browsers count. A note is named by its
number among the spots of the text; in drawings the attribute ``data-spot`` has it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from backing.forms import find_form
from backing.grooves import find_groove, groove_names
from backing.lesson.catalogue import estimate
from backing.lesson.lesson import read_lesson
from backing.lesson.places import places_of
from backing.page.words import rich
from backing.pieces import FORM
from backing.sheet.ink import Ink
from backing.sheet.layout import Style, document, pictures
from backing.sheet.score import Score
from backing.sheet.spoken import spoken
from backing.sheet.writing import over_form
from phrases.check import WEIGHTS
from phrases.counting import METERS, PLACES
from phrases.errors import Problem, TextFileError
from phrases.files import LINES, PART_KEYS, PHRASE_KEYS, RESTATED, TIP_KEYS, load_phrase
from phrases.hands import suggest
from phrases.phrase import DYNAMICS, LEVELS, PICKS, ROLES, TONES, Phrase
from phrases.pitch import KEYS, SCALES
from phrases.roles import hits, rows
from phrases.shelf import is_path
from phrases.spots import Spot, spots
from phrases.techniques import BEND_SIZES, MARKS, TECHNIQUES
from phrases.textfile import TextFile
from phrases.typed import Typed

__all__ = ["inside", "look", "parsed", "words"]

WIDTH = 72.0  # staff spaces of a line of the sheet
_OWNER = re.compile(r"s?b(\d+)e(\d+)(?:[ng]\S*-([EADGBe])\b)?")
_WORD = re.compile(r"""[^\s|'"\],=]+""")
_SAID = re.compile(r'"([^"]+)"')
_MEANT = re.compile(r'did you mean "([^"]+)"\?|(?:string comes first|write both): (\S+)$')
_MAYBE = re.compile(r"it may be ([^;]+?)(?: and \d+ more)?$")
MOST_FIXES = 6


def parsed(path: Path, text: str) -> Phrase:
    """Return the phrase of a text, as if the file held it.

    Raises `TextFileError` with every problem at its place.
    """
    typed = Typed(str(path))
    typed.text = text
    return load_phrase(typed, groove_names())


def inside(path: Path, root: Path, text: str) -> None:
    """Refuse a text that names a groove's file outside the folder.

    Raises `TextFileError` at the place where it is named.
    """
    try:
        file = TextFile(text, str(path))
    except TextFileError:
        return  # whoever reads it says so
    tables = file.data.get("variation", [])
    every = [((), file.data), *((("variation", n), one) for n, one in enumerate(tables))]
    for where, table in every if isinstance(tables, list) else ():
        word = table.get("groove", "") if isinstance(table, dict) else ""
        if isinstance(word, str) and is_path(word):
            real = os.path.realpath(path.parent / word.replace("\0", ""))
            if os.path.commonpath([root, real]) != str(root):
                file.complain((*where, "groove"), "this leads out of the folder")
    file.finish()


def look(path: Path, root: Path, text: str, kind: str, variation: str = "") -> dict[str, Any]:
    """Draw and check a text that is being edited: its pages, its problems, its facts.

    `root` is the desk's folder, `text` what the file would hold, `kind` ``lesson``; anything else
    is read as a phrase. Where there is no variation of that name, the phrase itself is drawn.
    Returns ``problems``, and where there are none what the page draws.
    """
    unit = _units(text)
    try:
        inside(path, root, text)
        shown = _lesson(path, text) if kind == "lesson" else _phrase(path, text, variation, unit)
    except TextFileError as error:
        return {"problems": [_problem(one, text, unit) for one in error.problems]}
    return {"problems": [], **shown}


def _units(text: str) -> Callable[[int], int]:
    if text.isascii():
        return lambda at: at
    return lambda at: len(text[:at].encode("utf-16-le", "surrogatepass")) // 2


def _problem(problem: Problem, text: str, unit: Callable[[int], int]) -> dict[str, Any]:
    """Return a mistake with the piece of text that it means, and what could stand there."""
    lines = text.split("\n")
    line = min(max(1, problem.line), len(lines))
    first = sum(len(one) + 1 for one in lines[: line - 1])
    start = first + min(max(0, problem.column - 1), len(lines[line - 1]))
    here = text[start : first + len(lines[line - 1])]
    quoted = re.match(r"""(['"])(.*?)\1""", here)
    word = _WORD.match(here)
    end = start + (quoted.end() if quoted else word.end() if word else min(1, len(here)))
    said, fixes = _SAID.search(problem.message), []
    meant, maybe = _MEANT.search(problem.message), _MAYBE.search(problem.message)
    new = [meant[1] or meant[2]] if meant else maybe[1].split(", ") if maybe else []
    # What is wrong is quoted, unless what is underlined is all of it.
    wrong = said[1] if said and said[1] not in new else text[start:end]
    at = text.find(wrong, start, first + len(lines[line - 1]))
    if at >= 0:
        place = {"from": unit(at), "to": unit(at + len(wrong))}
        fixes = [{"text": one, **place} for one in new[:MOST_FIXES]]
    return {"message": problem.message, "line": line, "from": unit(start), "to": unit(end),
            "fixes": fixes}  # fmt: skip


def _phrase(path: Path, text: str, variation: str, unit: Callable[[int], int]) -> dict[str, Any]:
    whole = parsed(path, text)
    names = [name for name, _ in whole.variations]
    variation = variation if variation in names else ""
    phrase = whole.variation(variation) if variation else whole
    form, groove = find_form(FORM), find_groove(phrase.groove)
    found = spots(text, whole, variation)
    score = over_form(suggest(phrase), form)
    notes: list[list[tuple[str, int, str, str]]] = [[] for _ in found]
    for row in rows(phrase, hits(phrase)):
        at = _spot(found, row.at, row.string)
        if at is not None and row.fret is not None:
            notes[at].append((row.string, row.fret, row.name, row.degree))
    report = places_of(phrase, form)[0].report
    feel = [f"Key of {phrase.key}", groove.title, f"{float(phrase.tempo):g} beats a minute"]
    return {
        "title": phrase.title,
        "key": str(phrase.key),
        "groove": phrase.groove,
        "tempo": float(phrase.tempo),
        "tone": phrase.tone,
        "facts": " · ".join(feel),
        "variations": names,
        "systems": _systems(score, found),
        "spots": [
            {"from": unit(one.start), "to": unit(one.end), "beat": float(one.beat),
             "part": one.part, "notes": own}
            for one, own in zip(found, notes, strict=True)
        ],
        "parts": [part.role for part in phrase.parts],
        "remarks": [
            {"weight": WEIGHTS[one.weight], "text": one.text, "place": one.place}
            for one in report.cautions
        ] + ([{"weight": "", "text": report.talk, "place": ""}] if report.talk else []),
        "tips": [rich(tip.text) for tip in phrase.tips],
    }  # fmt: skip


def _spot(found: Sequence[Spot], beat: Fraction, string: str) -> int | None:
    """Return the number of the spot that is heard on a string at a beat."""
    near = [n for n, one in enumerate(found) if one.beat <= beat and string in ("", one.string)]
    return max(near, key=lambda n: (found[n].beat, n)) if near else None


def _systems(score: Score, found: Sequence[Spot]) -> list[dict[str, Any]]:
    """Return each line's drawing, what it holds in words, and its share of the widest."""
    drawn = pictures(score, Style(width=WIDTH))
    wide = max(one.box.right - one.box.left for one in drawn)
    systems = []
    for one in drawn:
        svg = document([_named(ink, score, found) for ink in one.inks], one.box)
        share = (one.box.right - one.box.left) / wide
        told = spoken(score, one.bars)
        systems.append({"svg": svg.replace("#000", "currentColor"), "told": told, "share": share})
    return systems


def _named(one: Ink, score: Score, found: Sequence[Spot]) -> Ink:
    """Return an ink marked with the number of the note that it belongs to."""
    owner = _OWNER.match(one.owner)
    if owner is None or one.kind == "rest":
        return one
    measure = score.measures[int(owner[1])]
    beat = (measure.number - 1) * score.meter.beats + measure.events[int(owner[2])].at
    at = _spot(found, beat, owner[3] or "")
    return one if at is None else replace(one, svg=f'<g data-spot="{at}">{one.svg}</g>')


def _lesson(path: Path, text: str) -> dict[str, Any]:
    lesson = read_lesson(path, text)
    told = estimate(lesson)
    return {
        "title": lesson.title,
        "facts": f"{len(told.files)} files, about {told.size / 1e6:.0f} MB, "
        f"made in about {max(1, round(told.seconds / 2))} s",
        "text": rich(lesson.text),
        "studies": [
            {
                "name": f"{study.name}.toml",
                "title": study.phrase.title,
                "keys": ", ".join(map(str, study.keys)),
                "tempos": ", ".join(f"{float(tempo):g}" for tempo in study.tempos),
                "versions": [name for name, _ in study.versions if name],
            }
            for study in lesson.studies
        ],
    }


def words() -> dict[str, Any]:
    """Return the language's words by kind, for completion, colours and menus."""

    def each(names: Iterable[Any], about: str = "") -> list[list[str]]:
        return [[str(name), about] for name in names]

    grooves = [[name, find_groove(name).title] for name in groove_names()]
    keys = each(dict.fromkeys((*PHRASE_KEYS, *PART_KEYS, *TIP_KEYS, *RESTATED, "name")))
    return {
        "counts": each([*"1234", *(word for word in PLACES if word)]),
        "techniques": [[t.sign, f"{t.name}: {t.example}"] for t in TECHNIQUES.values()],
        "bends": each(BEND_SIZES, "a bend's size"),
        "marks": [[name, mark.meaning or mark.name] for name, mark in MARKS.items()],
        "keys": keys,
        "values": {
            "key": each(KEYS), "scale": each(SCALES), "groove": grooves, "meter": each(METERS),
            "lines": each(LINES), "tone": each(TONES), "pick": each(PICKS), "level": each(LEVELS),
            "role": each(ROLES), "dynamics": each(DYNAMICS),
            "swing": each(("auto", "straight", "2:1", "3:2")),
        },
    }  # fmt: skip
