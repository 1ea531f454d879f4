"""How a message names a wrong word: what was got, what it may be, the nearest spelling."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from phrases.errors import ChoiceError

__all__ = ["choose", "expected", "nearest", "short"]

SHOWN = 12
LONGEST = 40  # letters of a wrong word that are said again


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice spelt most like `word`, or None where none is close.

    Case is ignored first, so ``SHUFFLE`` finds ``shuffle``.
    """
    known = list(choices)
    folded = {choice.casefold(): choice for choice in reversed(known)}
    found = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=0.5)
    return folded[found[0]] if found else None


def short(word: str) -> str:
    """Return a word as a message repeats it, `LONGEST` signs at most."""
    return word if len(word) <= LONGEST else f"{word[: LONGEST - 1]}…"


def expected(what: str, word: str, choices: Iterable[str]) -> str:
    """Return the message for a `word` that is none of `choices`.

    Parameters
    ----------
    what
        What the word should have named, with its article: ``"a groove"``.
    """
    known = list(choices)
    word = short(word)
    close = nearest(word, known)
    if close is not None:
        hint = f'did you mean "{close}"?'
    elif len(known) <= SHOWN:
        hint = "it may be " + ", ".join(known)
    else:
        hint = f"it may be {', '.join(known[:SHOWN])} and {len(known) - SHOWN} more"
    return f'"{word}" is not {what}; {hint}'


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
