"""Counting aloud: meters, beats, the words for places within a beat, and swing.

Conventions: a beat is the felt beat, a quarter in 4/4 and a dotted quarter in 12/8. Positions
are exact `Fraction` numbers of beats. Within a beat ``&`` is the half, ``trip`` and ``let``
are the thirds, ``e`` and ``a`` the quarters; any other place is written ``+n/d``.

Swing moves only places that a player thinks of as halves and quarters of the beat; triplets
are triplets already. A ratio of 2:1 puts ``&`` where ``let`` is. A beat in which both are counted
is divided evenly: nothing in it swings, so no two counts sound at once.

References: Friberg & Sundstrom 2002, Music Perception 19(3), 333-349 (swing against tempo).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from phrases.errors import ChoiceError, RangeError
from phrases.words import expected

__all__ = [
    "METERS", "PLACES", "Meter", "auto_swing", "count_word", "even_beats", "evenly", "parse_count",
    "parse_swing", "spoken_count", "swings", "swung",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Meter:
    """A time signature with its felt beat."""

    numerator: int  # as printed
    denominator: int  # as printed
    beats: int  # felt beats in a bar
    quarters: Fraction  # quarter notes in a felt beat, 1 or 3/2

    def __str__(self) -> str:
        return f"{self.numerator}/{self.denominator}"


METERS: dict[str, Meter] = {
    "4/4": Meter(4, 4, 4, Fraction(1)),
    "12/8": Meter(12, 8, 4, Fraction(3, 2)),
}

PLACES: dict[str, Fraction] = {
    "": Fraction(0),
    "e": Fraction(1, 4),
    "trip": Fraction(1, 3),
    "&": Fraction(1, 2),
    "let": Fraction(2, 3),
    "a": Fraction(3, 4),
}
# What people write for a count that has another sign here.
ALIASES = {"and": "&", "n": "&", "+": "& for the off-beat, or join a double stop as G5+B5"}
WORDS = {place: word for word, place in PLACES.items()}

_COUNT = re.compile(r"(\d*)(e|trip|&|let|a|\+(\d{1,3})/(\d{1,3}))?")


def parse_count(text: str, beat: int, beats: int) -> tuple[int, Fraction]:
    """Read a count such as ``3``, ``&``, ``4trip`` or ``2+1/6``: the beat, and the place in it.

    One without a number belongs to the beat counted last, 0 where none has been. The beat is from
    1 to `beats`, those of a bar; 0 <= place < 1. Raises `ChoiceError` where it is no count,
    `RangeError` if the bar has no such beat.
    """
    found = _COUNT.fullmatch(text)
    if found is None or not text:
        if text.lower() in ALIASES:
            raise ChoiceError(f'"{text}" is not a count; write {ALIASES[text.lower()]}')
        words = [str(n) for n in range(1, beats + 1)] + [w for w in PLACES if w]
        raise ChoiceError(expected("a count", text, words))
    if found[1]:
        beat = int(found[1]) if len(found[1]) < 4 else 999
        if not 1 <= beat <= beats:
            raise RangeError(
                f'count "{text}": the bar has beats 1 to {beats}; '
                "is a bar line | missing before it?"
            )
    elif beat == 0:
        raise ChoiceError(f'"{text}" needs its beat here; write "1{text}" or "4{text}"')
    word = found[2] or ""
    if not word.startswith("+"):
        return beat, PLACES[word]
    top, bottom = int(found[3]), int(found[4])
    if not 0 < top < bottom <= 96:
        raise RangeError(
            f'count "{text}": the part after + must lie between 0 and 1, as in +1/6, '
            "and divide the beat by at most 96"
        )
    return beat, Fraction(top, bottom)


def count_word(beat: int, place: Fraction, last_beat: int) -> str:
    """Return the word for a place; the beat is left out where it was counted last."""
    word = WORDS.get(place, f"+{place.numerator}/{place.denominator}")
    return word if word and beat == last_beat else f"{beat}{word}"


def spoken_count(beat: int, place: Fraction) -> str:
    """Return a place as it is spoken: ``beat 1``, ``the and of 1``, ``the trip of 1``.

    What has no word of its own comes ``just after`` the last place that has one.
    """
    before = max(at for at in WORDS if at <= place)
    word = WORDS[before].replace("&", "and")
    said = f"the {word} of {beat}" if word else f"beat {beat}"
    return said if before == place else f"just after {said}"


def swung(position: Fraction, ratio: Fraction | float) -> float:
    """Return where a position in beats sounds under a swing ratio (long part : short part).

    Halves move to ``ratio / (ratio + 1)`` and quarters in proportion; thirds, sixths and so
    on stay.
    """
    plain, long = swings(position.numerator, position.denominator)
    return plain + long * float(ratio) / (float(ratio) + 1.0)


@lru_cache(maxsize=4096)
def swings(below: int, parts: int) -> tuple[float, float]:
    """Return beats and how many long parts of a swung beat: where ``below/parts`` sounds."""
    beat, rest = divmod(below, parts)
    if parts & (parts - 1) or not rest:
        return below / parts, 0.0
    twice = 2 * rest / parts
    return (float(beat), twice) if twice <= 1 else (beat + twice - 1, 2 - twice)


def even_beats(counts: Iterable[Fraction]) -> frozenset[int]:
    """Return the beats that are divided evenly: by other places than halves and quarters."""
    return frozenset(math.floor(at) for at in counts if at.denominator & (at.denominator - 1))


def evenly(
    clock: Callable[[Fraction], float], even: Collection[int]
) -> Callable[[Fraction], float]:
    """Return a clock on which nothing swings in some beats.

    `clock` returns the second at which a position in beats sounds; its tempo changes at beats
    only. `even` are those beats, as `even_beats` returns them.
    """
    if not even:
        return clock

    def seconds(position: Fraction) -> float:
        beat = math.floor(position)
        if beat not in even:
            return clock(position)
        start = clock(Fraction(beat))
        return start + float(position - beat) * (clock(Fraction(beat + 1)) - start)

    return seconds


def auto_swing(tempo: float, cap: Fraction | float = 3.5) -> float:
    """Return the swing ratio that players take at a tempo.

    The short note stays near 100 ms from medium to fast tempos, so the ratio falls as the beat
    shortens: about 3.5 near 120 beats a minute, even notes at 300 (Friberg & Sundstrom 2002, read
    off their published end points). `tempo` is in felt beats a minute, `cap` the largest ratio
    wanted; a shuffle caps it at 2.
    """
    short = 0.1
    return min(float(cap), 3.5, max(1.0, (60.0 / tempo - short) / short))


def parse_swing(text: str) -> Fraction | None:
    """Read ``2:1``, ``3:2``, ``1.8:1``, ``straight`` or ``auto`` (None).

    Raises `ChoiceError` or `RangeError` where it is none of them, or outside 1:1 to 4:1.
    """
    word = text.strip().lower()
    if word == "auto":
        return None
    if word == "straight":
        return Fraction(1)
    found = re.fullmatch(r"(\d{1,3}(?:\.\d{1,4})?):(\d{1,3}(?:\.\d{1,4})?)", word)
    if found is None or not Fraction(found[2]):
        raise ChoiceError(
            f'"{text}" is not a swing; write long:short such as 2:1 or 3:2, or straight, or auto'
        )
    ratio = Fraction(found[1]) / Fraction(found[2])
    if not 1 <= ratio <= 4:
        raise RangeError(f'swing "{text}" must lie from 1:1 (straight) to 4:1')
    return ratio
