"""A phrase without a file: a line that is typed, or what comes by standard input."""

from __future__ import annotations

import re

from phrases.errors import Problem, TextFileError
from phrases.textfile import LARGEST_FILE

__all__ = ["Typed", "typed_line", "typed_text"]

LINE, INPUT = "line", "standard input"
TEMPO = 90
BEFORE = 5  # lines of the file that stand before the notes
_KEY = re.compile(r"\s*([A-Ga-g][^|:]{0,12}):(.*)", re.S)
_FILE = re.compile(r"^\s*(\[\[|\w+\s*=)", re.M)


class Typed(str):
    """Name, in messages, of a phrase that has no file."""

    text: str = ""  # what its file would hold
    shift: int = 0  # how many of the first lines nobody has typed

    def located(self, error: TextFileError) -> TextFileError:
        """Return an error with the places that were typed."""
        problems = tuple(
            Problem(
                one.message, max(0, one.line - self.shift), one.column * (one.line > self.shift)
            )
            for one in error.problems
        )
        return TextFileError(str(self), problems, error.more)


def typed_line(line: str, key: str = "A", name: str = LINE) -> Typed:
    """Return a line of notes as a phrase: ``| 1 e8 & e5``, or ``E minor: | 1 e3`` with its key.

    `key` is that of a line that does not say its own, `name` what messages call it. Raises
    `TextFileError` if it has a quote in it, which no line of notes has.
    """
    found = _KEY.match(line)
    own, notes = (found[1].strip(), found[2]) if found else (key, line)
    if "'" in notes or '"' in own or "\n" in own:
        raise TextFileError(name, (Problem("a line of notes has no quotes in it"),))
    # What stood before the notes keeps its place, so that columns are those that were typed.
    notes = " " * (len(line) - len(notes)) + notes
    head = f'title = "A line"\nkey = "{own}"\ntempo = {TEMPO}\n[[part]]\n'
    made = Typed(name)
    made.text, made.shift = f"{head}notes = '''\n{notes}\n'''\n", BEFORE
    return made


def typed_text(data: bytes, key: str = "A") -> Typed:
    """Return the phrase that came by standard input: a whole file, or a line of notes.

    Raises `TextFileError` if it is no text.
    """
    if len(data) > LARGEST_FILE:
        raise TextFileError(INPUT, (Problem("it is over 1 MB; is it the right text?"),))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        problem = Problem("the text is not UTF-8; send plain text in UTF-8")
        raise TextFileError(INPUT, (problem,)) from None
    if _FILE.search(text):
        made = Typed(INPUT)
        made.text = text
        return made
    return typed_line(text.strip("\n"), key, INPUT)
