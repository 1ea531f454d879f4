"""Errors that the user can mend.

Every error that this project raises on purpose descends from `BluesError`; the command line
turns each into one clear message. A subclass also inherits the builtin that fits.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BluesError", "ChoiceError", "Problem", "RangeError", "TextFileError", "WordsError"]


class BluesError(Exception):
    """Root of every error that this project raises on purpose."""


class ChoiceError(BluesError, ValueError):
    """A word that is not one of the words it could be."""


class RangeError(BluesError, ValueError):
    """A number outside the range it must lie in."""


class WordsError(BluesError, ValueError):
    """Words that do not go together: one of them would change nothing."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in one text file."""

    message: str  # what must be, what was got, and the nearest valid spelling
    # `line` and `column`: where, counted from 1; 0 where the mistake has no place (a missing
    # file).
    line: int = 0
    column: int = 0


class TextFileError(BluesError, ValueError):
    """A phrase, form or groove file that cannot be used, with all its problems.

    `name` is the file's as the user wrote it; `problems`, at least one, are in the order of their
    places; `more` further ones are not told.
    """

    def __init__(self, name: str, problems: tuple[Problem, ...], more: int = 0) -> None:
        self.name = name
        self.more = more
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.column)))
        super().__init__(name, self.problems)

    def __str__(self) -> str:
        lines = []
        for problem in self.problems:
            place = f":{problem.line}:{problem.column}" if problem.line else ""
            lines.append(f"{self.name}{place}: {problem.message}")
        if self.more:
            lines.append(f"{self.name}: and {self.more} more")
        return "\n".join(lines)
