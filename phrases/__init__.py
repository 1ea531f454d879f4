"""The phrase language: notation, performance, hands, checks and variations for one guitar."""

from __future__ import annotations

from phrases.errors import BluesError, ChoiceError, Problem, RangeError, TextFileError
from phrases.files import load_phrase, read_phrase
from phrases.phrase import Part, Phrase

__all__ = [
    "BluesError", "ChoiceError", "Part", "Phrase", "Problem", "RangeError", "TextFileError",
    "load_phrase", "read_phrase",
]  # fmt: skip
