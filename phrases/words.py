"""How a message names a wrong word: what was got, what it may be, the nearest spelling."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping

from phrases.errors import ChoiceError

__all__ = ["choose", "expected", "likely", "nearest", "short"]

SHOWN = 12
LONGEST = 40  # letters of a wrong word that are said again
BARS = {"8": "eight", "12": "twelve", "16": "sixteen"}  # of a form, as its name has them
_BARS = re.compile(r"\b(8|12|16)(?=[- ]?bar)")


def nearest(word: str, choices: Iterable[str], cutoff: float = 0.5) -> str | None:
    """Return the choice spelt most like `word`, or None where none is close.

    Case is ignored first, so ``SHUFFLE`` finds ``shuffle``; ``12-bar`` finds ``twelve-bar``.

    Parameters
    ----------
    cutoff
        How like it must be, from 0 to 1, as difflib reckons it.
    """
    known = list(choices)
    folded = {choice.casefold(): choice for choice in reversed(known)}
    said = _BARS.sub(lambda found: BARS[found[1]], word.casefold())
    found = difflib.get_close_matches(said, folded, n=1, cutoff=cutoff)
    return folded[found[0]] if found else None


def short(word: str) -> str:
    """Return a word as a message repeats it: `LONGEST` signs, none that a terminal obeys."""
    shown = word if len(word) <= LONGEST else f"{word[: LONGEST - 1]}…"
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in shown)


def likely(word: str, choices: Iterable[str], files: Mapping[str, str] | None = None) -> str:
    """Return what was probably meant by a `word`, or what there is to choose from.

    Parameters
    ----------
    files
        What may have been meant besides, by the spelling that the word is compared with.
    """
    known = list(choices)
    files = files or {}
    close = nearest(short(word), [*files, *known])
    if close is not None:
        return f'did you mean "{files.get(close, close)}"?'
    if len(known) <= SHOWN:
        return "it may be " + ", ".join(known)
    return f"it may be {', '.join(known[:SHOWN])} and {len(known) - SHOWN} more"


def expected(
    what: str, word: str, choices: Iterable[str], files: Mapping[str, str] | None = None
) -> str:
    """Return the message for a `word` that is none of `choices`.

    Parameters
    ----------
    what
        What the word should have named, with its article: ``"a groove"``.
    files
        As for `likely`.
    """
    return f'"{short(word)}" is not {what}; {likely(word, choices, files)}'


def choose(what: str, word: str, choices: Iterable[str]) -> str:
    """Return `word` if it is one of `choices`.

    Raises
    ------
    ChoiceError
        Otherwise, with the nearest spelling.
    """
    known = list(choices)
    if word not in known:
        raise ChoiceError(expected(what, word, known))
    return word
