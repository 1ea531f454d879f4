"""TOML files written by hand, read strictly, with every complaint at its line and column.

`tomllib` reads the data. Where a value turns out wrong, a concrete syntax tree (tree-sitter)
finds the place of that value in the text; it is loaded only then.
"""

from __future__ import annotations

import json
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any

from phrases.errors import BluesError, Problem, TextFileError
from phrases.kinds import missing_file, other_kind
from phrases.words import expected, nearest

__all__ = [
    "LARGEST_FILE", "NO_CHARACTER", "TextFile", "blank", "read_bytes", "read_text", "toml_value",
]  # fmt: skip

LARGEST_FILE = 1_000_000
MOST_TOLD = 20
MOST_DOTS = 20  # in a line; tomllib takes as long as the square of the dots in a key
_UNSEEN = ("Cc", "Cf", "Mn", "Me", "Zl", "Zp", "Zs")  # Unicode general categories
Where = tuple[str | int, ...]
# Embeddings, overrides and isolates: Unicode Standard Annex 9, section 2.
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")
_CURLY = re.compile("[\u2018-\u201f]")
# Unicode Standard, 23.7: no text has them, and neither XML nor a PDF takes them.
_LAST = "".join(f"{chr(end - 1)}{chr(end)}" for end in range(0xFFFF, 0x110000, 0x10000))
NO_CHARACTER = re.compile(f"[\ufdd0-\ufdef{_LAST}]")
_STRING = re.compile(
    r"'''.*?'''|\"{3}(?:\\.|[^\\])*?\"{3}|'[^'\n]*'|\"(?:\\.|[^\"\\\n])*\"|#[^\n]*", re.S
)
_DIGITS = re.compile(r"[\d_]{2000,}")
TYPE_WORDS: dict[type, str] = {
    str: "text in quotes",
    int: "a whole number",
    float: "a number",
    list: "a list",
    dict: "a table",
    bool: "true or false",
    date: "a date",
}


def toml_value(value: str | float) -> str:
    """Return a text or a number as TOML writes it, which takes no DEL as it stands."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_text(path: Path, kind: str = "") -> str:
    """Return a file's text.

    `kind` is one of `phrases.kinds`: where there is no such file, others of that kind are offered.
    Raises `TextFileError` if it is missing, not a file, unreadable, over `LARGEST_FILE` bytes, or
    not UTF-8.
    """
    raw = read_bytes(path, kind=kind)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        column = error.start - raw.rfind(b"\n", 0, error.start)
        problem = Problem("the text is not UTF-8; save it as plain text in UTF-8", line, column)
        raise TextFileError(str(path), (problem,)) from None


def read_bytes(
    path: Path, what: str = "a text file", most: int = LARGEST_FILE, kind: str = ""
) -> bytes:
    """Return a file's bytes, `most` of them.

    `what` it should be has its article; `kind` is as for `read_text`. Raises `TextFileError` if it
    is missing, not a file, unreadable or too large.
    """
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for
            problem = f"is not a file; name {what}"
        elif path.stat().st_size > most:
            problem = f"the file is over {most // 1_000_000} MB; is it the right one?"
        else:
            return path.read_bytes()
    except FileNotFoundError:
        problem = missing_file(path, kind)
    except (OSError, ValueError) as error:  # a NUL in a path is no OSError
        problem = f"cannot be read: {getattr(error, 'strerror', None) or error}"
    raise TextFileError(str(path), (Problem(problem),))


class TextFile:
    """One TOML file: its data, and the complaints collected while it is checked.

    `name` is what messages call it, `kind` which of `phrases.kinds` it must be, `data` what
    `tomllib` made of it. Raises `TextFileError` if the text is not TOML, or plainly of another
    kind.
    """

    def __init__(self, text: str, name: str, kind: str = "") -> None:
        self.name = name
        self.text = text = text.replace("\r\n", "\n")  # as tomllib reads it
        self._problems: dict[tuple[Where, str, int | None, bool], None] = {}  # each once
        self._misspelt: set[Where] = set()
        bare = _STRING.sub(lambda found: "\n" * found[0].count("\n"), text)
        for number, line in enumerate(bare.split("\n"), 1):
            if max(part.count(".") for part in line.split(",")) > MOST_DOTS:
                what = f"a line has more than {MOST_DOTS} dots outside quotes"
                raise TextFileError(name, (Problem(what, number, 1),))
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise TextFileError(name, (_syntax_problem(text, error),)) from None
        what = other_kind(self.data, kind) if kind else ""
        if what:
            raise TextFileError(name, (Problem(what),))

    @classmethod
    def open(cls, path: Path, kind: str = "") -> TextFile:
        """Read and parse a file."""
        return cls(read_text(path, kind), str(path), kind)

    def complain(
        self, where: Where, message: str, *, offset: int | None = None, key: bool = False
    ) -> None:
        """Note a problem with the value at a path such as ``("part", 0, "notes")``.

        `offset` counts characters into a string value; `key` points at the key, not the value.
        """
        self._problems[where, message, offset, key] = None

    def problems_at(self, where: Where) -> bool:
        """Tell whether anything was complained of at a path."""
        return any(place == where for place, *_ in self._problems)

    def finish(self) -> None:
        """Raise `TextFileError` with every complaint at its place, if there is one."""
        if not self._problems:
            return
        from phrases._places import Places

        places = Places(self.text)
        raise TextFileError(
            self.name,
            tuple(
                Problem(message, *places.find(where, offset, key=key))
                for where, message, offset, key in islice(self._problems, MOST_TOLD)
            ),
            more=max(0, len(self._problems) - MOST_TOLD),
        )

    def table(self, where: Where) -> Mapping[str, Any]:
        """Return the table at a path; empty, with a complaint, if it is something else."""
        value: Any = self.data
        for step in where:
            value = value[step]
        if isinstance(value, dict):
            return value
        self.complain(where, f"expected a table, got {_described(value)}")
        return {}

    def tables(self, *where: str | int) -> list[Where]:
        """Return the paths of the tables in a ``[[name]]`` list; none if it is absent."""
        *parent, name = where
        value = self.table(tuple(parent)).get(str(name), [])
        if isinstance(value, list) and all(isinstance(item, dict) for item in value):
            return [(*where, number) for number in range(len(value))]
        head = ".".join(str(step) for step in where if isinstance(step, str))
        self.complain(where, f"write one or more [[{head}]] headings, each with its own lines")
        return []

    def known_keys(
        self, where: Where, allowed: Iterable[str], hints: Mapping[str, str] | None = None
    ) -> None:
        """Complain of every key of a table that is not allowed there.

        `hints` says what to write in place of some, by the key.
        """
        allowed, hints = list(allowed), hints or {}
        for key in self.table(where):
            if key in allowed:
                continue
            message = ""
            if len(self._problems) < MOST_TOLD:  # to look for what was meant takes long
                message = expected("a key here", key, allowed)
                if key in hints:
                    message = f'"{key}" is not a key here; {hints[key]}'
                self._misspelt.add((*where, nearest(key, allowed) or ""))
            self.complain((*where, key), message, key=True)

    def misspelt(self, where: Where) -> bool:
        """Tell whether `known_keys` has found another spelling of the key at a path."""
        return where in self._misspelt

    def get(self, where: Where, kind: type | tuple[type, ...], default: Any = None) -> Any:
        """Return the value at a path, or `default` where it is absent or of another type.

        A wrong type is complained of; a missing value is only where the default is `...` and its
        key is not there misspelt.
        """
        *parent, key = where
        table = self.table(tuple(parent))
        if key not in table:
            if default is ...:
                if not self.misspelt(where):
                    self.complain(tuple(parent), f'"{key}" is missing')
                return None
            return default
        value = table[key]  # type: ignore[index]
        kinds = kind if isinstance(kind, tuple) else (kind,)
        wrong_bool = isinstance(value, bool) and bool not in kinds
        if not isinstance(value, kinds) or wrong_bool:
            words = "a number" if float in kinds else " or ".join(TYPE_WORDS[k] for k in kinds)
            hint = ""
            if isinstance(value, str) and value.replace(".", "", 1).isdecimal():
                hint = "; write it without quotes"
            self.complain(where, f'"{key}" must be {words}, got {_described(value)}{hint}')
            return None if default is ... else default
        for text in value if isinstance(value, list) else [value]:
            what = _unprintable(text) if isinstance(text, str) else ""
            if what:
                self.complain(where, f'"{key}" has {what} in it; write plain text')
                return None if default is ... else default
        return value

    def attempt(self, where: Where, read: Any, *arguments: Any) -> Any:
        """Return ``read(*arguments)``; its error becomes a complaint, and None is returned."""
        try:
            return read(*arguments)
        except BluesError as error:
            self.complain(where, str(error))
            return None


def blank(text: str) -> bool:
    """Tell whether nothing of a text is seen: blanks, controls, marks that stand on nothing."""
    return all(unicodedata.category(letter) in _UNSEEN for letter in NO_CHARACTER.sub("", text))


def _unprintable(text: str) -> str:
    """Return a name for a character that could steer a terminal or turn writing round."""
    if any(unicodedata.category(letter) == "Cc" and letter not in "\n\r\t" for letter in text):
        return "a control character"
    if none := NO_CHARACTER.search(text):
        return f"what is no character (U+{ord(none[0]):04X})"
    turning = _TURNING.search(text)
    return f"a mark that turns writing round (U+{ord(turning[0]):04X})" if turning else ""


def _described(value: object) -> str:
    if isinstance(value, str):
        return f'the text "{value[:40]}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) >= 10**40:
        return "a very large number"
    if isinstance(value, int | float):
        return str(value)[:40]
    return TYPE_WORDS.get(type(value), "a date")


def _syntax_problem(text: str, error: Exception) -> Problem:
    message = str(error)
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    # Only tomllib's own errors tell a place; Python itself limits the digits of a number.
    digits = None if isinstance(error, tomllib.TOMLDecodeError) else _DIGITS.search(text)
    if found:
        line, column = int(found[1]), int(found[2])
        if message.startswith("Unescaped"):  # tomllib points behind what it complains of
            column = text.split("\n")[line - 1].rfind("\\", 0, column - 1) + 1 or column
    elif 'Expected "\'"' in message and not digits:  # the last quote of all stands alone
        start = text.rfind("'")
        line, column = text.count("\n", 0, start) + 1, start - text.rfind("\n", 0, start)
        message += "; is a closing quote missing on this line?"
    else:
        before = text[: digits.start()] if digits else text
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
    what = re.sub(r"\s*\(at .*\)", "", message)
    what = what[:1].lower() + what[1:]
    if "escape" in message.lower():
        what += "; write notes between single quotes '...' so that \\ stays a slide"
    if "character '\\n'" in message:
        what += "; is a closing quote missing on this line?"
    elif _CURLY.search(text.split("\n")[line - 1]):
        what += "; these are curly quotes: write straight ones, \" or '"
    elif "nvalid value" in message or "Expected newline" in message:
        what += "; text stands between quotes"
    elif "twice" in message or "Cannot overwrite" in message:
        what += "; headings that come more than once have two brackets: [[part]]"
    if isinstance(error, RecursionError):
        what = "brackets are nested too deep"
    elif digits:
        what = "a number has thousands of digits"
    return Problem(f"not valid TOML: {what}", line, column)
