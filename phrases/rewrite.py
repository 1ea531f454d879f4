"""Phrase files rewritten in place: only values change, never comments, order or alignment.

Conventions: a notes string is written as one literal string between single quotes; where its line
would be longer than `WIDTH` characters it goes between triple quotes instead, broken at bar lines.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from phrases._places import Places
from phrases.drafts import hidden, sweep
from phrases.errors import Problem, RangeError, TextFileError
from phrases.files import read_phrase
from phrases.notation import write_line
from phrases.phrase import Part, Phrase
from phrases.shelf import is_path
from phrases.textfile import TextFile, Where, toml_value

__all__ = ["WIDTH", "moved_to", "replace_file", "tidy", "with_phrase", "written_parts"]

WIDTH = 88


def tidy(text: str, name: str = "phrase") -> str:
    """Return the text of a phrase file with every notes string in its canonical form.

    `name` is what messages call it. Raises `TextFileError` if it is not a phrase, with each
    problem at its place.
    """
    phrase = read_phrase(text, name)
    new = _rewritten(text, phrase, name, everything=True)
    if read_phrase(new, name) != phrase:
        raise TextFileError(name, (Problem("cannot be tidied without changing its notes"),))
    return new


def with_phrase(text: str, phrase: Phrase, name: str = "phrase") -> str:
    """Return the text of a phrase file for that phrase in another key or fingered otherwise.

    The key and the notes that differ are replaced, those of variations too; the rest stays. `text`
    is the file of the phrase as it was, called `name` in messages. Raises `TextFileError` if it is
    not a phrase, `RangeError` if the phrase differs from it in more than key and notes.
    """
    new = _rewritten(text, phrase, name, everything=False)
    if read_phrase(new, name) != phrase:
        raise RangeError(f'"{phrase.title}" differs from {name} in more than its key and notes')
    return new


def moved_to(text: str, name: str, path: Path) -> str:
    """Return the text of a phrase file for another path, from where it finds its grooves."""
    file, places = TextFile(text, name), Places(text)
    folder, to = (os.path.realpath(one.parent) for one in (Path(name), path))
    edits = []
    for where in ((), *file.tables("variation")):
        groove = file.table(where).get("groove", "")
        span = places.span((*where, "groove"))
        if span and is_path(groove) and not Path(groove).is_absolute():
            new = Path(os.path.relpath(Path(folder, groove), to)).as_posix()
            edits.append((*span, toml_value(new)))
    return _edited(text, edits)


def _edited(text: str, edits: Iterable[tuple[int, int, str]]) -> str:
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text


def _rewritten(text: str, phrase: Phrase, name: str, *, everything: bool) -> str:
    before = read_phrase(text, name)
    file = TextFile(text, name)
    places = Places(text)
    edits: list[tuple[int, int, str]] = []
    if phrase.key != before.key:
        span = places.span(("key",))
        if span:
            edits.append((*span, _requoted(text[slice(*span)], str(phrase.key))))
    old = {path: part for path, part, _ in written_parts(file, before)}
    for path, part, like in written_parts(file, phrase):
        span = places.span((*path, "notes"))
        # What stands for a bar of another part changes with that.
        if span and (everything or part != old[path] or "=" in text[slice(*span)]):
            start, end = span
            column = start - text.rfind("\n", 0, start) - 1
            edits.append((start, end, _written(part, like, phrase.meter.beats, column, text)))
    return _edited(text, edits)


def written_parts(file: TextFile, phrase: Phrase) -> Iterator[tuple[Where, Part, Part | None]]:
    """Yield each part that a file spells out, with its place, and the one its ``=`` speak of."""
    for number, path in enumerate(file.tables("part")):
        yield path, phrase.parts[number], phrase.parts[number - 1] if number else None
    roles = [part.role for part in phrase.parts]
    for where, (_, other) in zip(file.tables("variation"), phrase.variations, strict=True):
        left = list(roles)
        for path in file.tables(*where, "part"):
            only = roles[0] if len(roles) == 1 else "line"
            role = file.table(path).get("role", only)
            number = left.index(role)
            left[number] = ""  # the next of this role is the next one
            yield path, other.parts[number], phrase.parts[number]


def _written(part: Part, like: Part | None, beats: int, column: int, text: str) -> str:
    """Return a notes value that starts at a column, between its quotes."""
    line = write_line(part.strokes, part.bars, beats, like)
    if column + len(line) + 2 <= WIDTH:
        return f"'{line}'"
    end = "\r\n" if "\r\n" in text else "\n"
    rows: list[str] = []
    for number, bar in enumerate(line.split("|")):
        words = f"| {bar.strip()}" if number else bar.strip()
        if rows and len(rows[-1]) + 1 + len(words) <= WIDTH:
            rows[-1] += f" {words}".rstrip()
        elif words:
            rows.append(words)
    return end.join(["'''", *rows, "'''"])


def _requoted(raw: str, value: str) -> str:
    """Return a short value between the quotes that another one has."""
    quote = raw[0]
    return f"{quote}{value}{quote}"


def replace_file(path: Path, data: str | bytes) -> None:
    """Write a file as a whole or not at all; one that is there keeps its permissions.

    It is written beside and renamed, through a symbolic link if it is one. Line ends are written
    as they are. Raises `TextFileError` if it cannot be written.
    """
    try:
        target = Path(os.path.realpath(path))
        if target.exists() and not target.is_file():
            raise _unwritable(path, "it is not a file")
        if not target.parent.is_dir():
            raise _unwritable(path, f"the folder {path.parent} does not exist; make it first")
        if target.exists() and not os.access(target, os.W_OK):
            raise _unwritable(path, "it may only be read")
        sweep(target.parent)
        with hidden(target) as draft:
            draft.write_bytes(data.encode("utf-8") if isinstance(data, str) else data)
            if target.exists():
                draft.chmod(target.stat().st_mode & 0o7777)
            draft.replace(target)
    except (OSError, RuntimeError) as error:
        raise _unwritable(path, getattr(error, "strerror", None) or str(error)) from None


def _unwritable(path: Path, why: str) -> TextFileError:
    return TextFileError(str(path), (Problem(f"cannot be written: {why}"),))
