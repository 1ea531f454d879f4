"""Phrase files: a TOML file to a `Phrase`, checked strictly; and the phrases that ship."""

from __future__ import annotations

import os
from collections.abc import Collection
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from phrases.counting import METERS, parse_swing
from phrases.errors import Problem, RangeError, TextFileError
from phrases.notation import read_line
from phrases.phrase import ROLES, Part, Phrase
from phrases.pitch import SCALES, Key, parse_key
from phrases.shelf import Shelf
from phrases.textfile import TextFile, Where
from phrases.words import choose, expected

__all__ = [
    "LINES",
    "TEMPOS",
    "check_tempo",
    "find_phrase",
    "load_phrase",
    "read_phrase",
    "shipped",
]

LINES = ("every", "first", "outer")
TEMPOS = (30, 240)
LIBRARY = Shelf(Path(__file__).parent / "library", "a shipped phrase or a file")

PHRASE_KEYS = ("title", "key", "scale", "groove", "tempo", "meter", "swing", "lines", "part")
PART_KEYS = ("role", "notes")


def check_tempo(tempo: Fraction | float | int) -> Fraction:
    """Return a tempo in felt beats a minute as an exact number.

    Raises
    ------
    RangeError
        Outside 30 to 240.
    """
    low, high = TEMPOS
    if not low <= tempo <= high:
        shown = "so large" if tempo >= 10**9 else str(tempo)
        raise RangeError(f"tempo {shown}: it must lie from {low} to {high} felt beats a minute")
    return Fraction(str(tempo)) if isinstance(tempo, float) else Fraction(tempo)


def shipped() -> dict[str, Path]:
    """Return the phrases that ship, by name."""
    return {name: LIBRARY.find(name) for name in LIBRARY.names()}


def find_phrase(name: str) -> Path:
    """Return the file that a path or the name of a shipped phrase means.

    Raises
    ------
    TextFileError
        If there is no such file or phrase.
    """
    path = Path(name)
    known = shipped()
    exists = os.path.exists(name)  # noqa: PTH110  Path.exists raises where a name is too long
    if name in known and not exists:
        return known[name]
    if path.suffix or exists or "/" in name:
        return path
    message = expected("a shipped phrase or a file", name, known)
    raise TextFileError(name, (Problem(message),))


def load_phrase(name: str | Path, grooves: Collection[str] = ()) -> Phrase:
    """Read a phrase from a path, or a shipped phrase by its name.

    Parameters
    ----------
    name
        The path or the name.
    grooves
        The names a phrase's groove may have, besides a path; any where it is left out.

    Raises
    ------
    TextFileError
        With every problem of the file at its line and column.
    """
    path = find_phrase(str(name))
    return _build(TextFile.open(path), grooves)


def read_phrase(text: str, name: str = "phrase") -> Phrase:
    """Read a phrase from the text of a phrase file; `name` stands in messages.

    Raises
    ------
    TextFileError
        With every problem at its line and column.
    """
    return _build(TextFile(text, name), ())


def _build(file: TextFile, grooves: Collection[str]) -> Phrase:
    file.known_keys((), PHRASE_KEYS)
    title = file.get(("title",), str, ...)
    key = _parsed(file, "key", parse_key, ...)
    scale = _parsed(file, "scale", lambda word: choose("a scale", word, SCALES), "")
    groove = file.get(("groove",), str, "shuffle")
    if grooves and not Path(groove).suffix and groove not in grooves:
        file.complain(("groove",), expected("a groove", groove, grooves))
    tempo_value = file.get(("tempo",), (int, float), ...)
    tempo = None if tempo_value is None else file.attempt(("tempo",), check_tempo, tempo_value)
    meter_name = _parsed(file, "meter", lambda word: choose("a meter", word, METERS), "4/4")
    swing = _parsed(file, "swing", _checked_swing, "")
    lines = _parsed(file, "lines", lambda word: choose("a choice of lines", word, LINES), "every")
    beats = METERS[meter_name or "4/4"].beats
    paths = file.tables("part")
    if file.data.get("part", []) == []:
        file.complain((), "there is no [[part]]; a phrase has at least one, with its notes")
    parts = [_part(file, path, beats) for path in paths]
    _check_pickups(file, parts, beats)
    file.finish()
    assert isinstance(key, Key)
    assert tempo is not None
    return Phrase(
        title=title,
        key=key,
        groove=groove,
        tempo=tempo,
        parts=tuple(part for part in parts if part),
        scale=scale,
        meter=METERS[meter_name],
        swing=swing,
        lines=lines,
    )


def _parsed(file: TextFile, key: str, read: Any, default: Any) -> Any:
    text = file.get((key,), str, default)
    if not isinstance(file.data.get(key), str):
        return text
    return file.attempt((key,), read, text)


def _checked_swing(text: str) -> str:
    parse_swing(text)
    return text


def _part(file: TextFile, where: Where, beats: int) -> Part | None:
    file.known_keys(where, PART_KEYS)
    role = file.get((*where, "role"), str, "line")
    if role not in ROLES:
        file.complain((*where, "role"), expected("a role", role, ROLES))
    notes = file.get((*where, "notes"), str, ...)
    if notes is None:
        return None
    line = read_line(notes, beats)
    for offset, message in line.problems:
        file.complain((*where, "notes"), message, offset=offset)
    return None if line.problems else Part(role, line.bars, line.strokes)


def _check_pickups(file: TextFile, parts: list[Part | None], beats: int) -> None:
    """Refuse a pickup that starts while the part before it still plays.

    It may cut a ringing note short.
    """
    for number, (before, part) in enumerate(pairwise(parts), start=1):
        if before is None or part is None:
            continue
        last = max(stroke.at for stroke in before.strokes) - before.bars * beats
        if part.pickup and last >= -part.pickup:
            file.complain(
                ("part", number, "notes"),
                f"this {part.role}'s pickup starts while the {before.role} before it still plays; "
                "end that one earlier or shorten the pickup",
            )
