"""How a message names a wrong word: what was got, what it may be, the nearest spelling."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping

from phrases.errors import ChoiceError

__all__ = ["choose", "expected", "likely", "nearest", "short"]

SHOWN = 12
PART = 4  # letters of a word that are enough to know it by
LONGEST = 40  # letters of a wrong word that are said again
BARS = {"8": "eight", "12": "twelve", "16": "sixteen"}  # of a form, as its name has them
_BARS = re.compile(r"\b(8|12|16)(?=[- ]?bar)")


def nearest(word: str, choices: Iterable[str], cutoff: float = 0.5) -> str | None:
    """Return the choice that `word` was meant for, or None where it is a guess.

    Two spellings are close where they begin alike, one holds the other, or a slip in every third
    letter turns it into the other (a right first letter counts twice). Case is ignored first, so
    ``SHUFFLE`` finds ``shuffle``; ``12-bar`` finds ``twelve-bar``. `cutoff` says how like it must
    be, from 0 to 1, as difflib reckons it.
    """
    known = list(choices)
    folded = {choice.casefold(): choice for choice in reversed(known)}
    said = _BARS.sub(lambda found: BARS[found[1]], word.casefold())
    found = difflib.get_close_matches(said, folded, n=SHOWN, cutoff=cutoff)
    return next((folded[choice] for choice in found if _close(said, choice)), None)


def _close(said: str, choice: str) -> bool:
    if len(said) >= PART and (said in choice or choice in said or said[:PART] == choice[:PART]):
        return True
    letters = max(len(said), len(choice)) + (said[:1] == choice[:1])
    return _slips(said, choice) <= max(1, letters // 3)


def _slips(one: str, other: str) -> int:
    """Return how many letters are wrong, missing, too many or swapped with their neighbour.

    Reference: the restricted edit distance of Damerau (1964).
    """
    before, last = [0] * (len(other) + 1), list(range(len(other) + 1))
    for i, letter in enumerate(one, 1):
        row = [i]
        for j, same in enumerate(other, 1):
            least = min(last[j] + 1, row[-1] + 1, last[j - 1] + (letter != same))
            if i > 1 < j and letter == other[j - 2] and one[i - 2] == same:
                least = min(least, before[j - 2] + 1)
            row.append(least)
        before, last = last, row
    return last[-1]


def short(word: str) -> str:
    """Return a word as a message repeats it: `LONGEST` signs, none that a terminal obeys."""
    shown = word if len(word) <= LONGEST else f"{word[: LONGEST - 1]}…"
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in shown)


def likely(word: str, choices: Iterable[str], files: Mapping[str, str] | None = None) -> str:
    """Return the nearest spelling to a `word`, or the list to choose from.

    `files` is what may have been meant besides, by the spelling that the word is compared with.
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

    `what` the word should have named has its article, ``"a groove"``; `files` is as for `likely`.
    """
    return f'"{short(word)}" is not {what}; {likely(word, choices, files)}'


def choose(what: str, word: str, choices: Iterable[str]) -> str:
    """Return `word` if it is one of `choices`; else raises `ChoiceError` with the nearest."""
    known = list(choices)
    if word not in known:
        raise ChoiceError(expected(what, word, known))
    return word
