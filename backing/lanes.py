"""The line language of grooves: counts, what is played on them, and how hard.

Conventions: a lane is a row of counts, ``1> & 2 (&)``. ``>`` after a count is an accent,
brackets round it a ghost note, ``.`` after it a short note. Bass and comping lanes say what is
played after a colon, ``1:R 2:3``; ``|`` starts another bar of a longer pattern. Counts are
those of `phrases.counting`.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction

from phrases.counting import parse_count
from phrases.errors import BluesError

__all__ = ["TOUCHES", "Hit", "Lane", "in_order", "place", "read_lane"]

# What a touch leaves of a voice's full loudness.
TOUCHES: dict[str, float] = {"accent": 1.0, "": 0.68, "ghost": 0.30}

_HIT = re.compile(r"(\()?([^\s():.>]+)(?::([^\s():.>]+))?([.>]{0,2})(\))?")


@dataclass(frozen=True, slots=True)
class Hit:
    """One stroke of a lane."""

    at: Fraction  # beats from the start of the pattern
    value: str = ""  # what is played, for bass and comping; empty for drums
    touch: str = ""  # a key of `TOUCHES`
    short: bool = False  # whether it is played staccato
    # ``at`` as a float, which is compared faster.
    beat: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "beat", self.at.numerator / self.at.denominator)

    @property
    def off(self) -> bool:
        """Whether it lies between beats."""
        return self.at.denominator > 1


@dataclass(frozen=True, slots=True)
class Lane:
    """The strokes of one lane, in order, over a number of bars."""

    hits: tuple[Hit, ...]
    bars: int


def in_order(hits: Iterable[Hit]) -> tuple[Hit, ...]:
    """Return strokes in order of time."""
    return tuple(sorted(hits, key=operator.attrgetter("beat")))


def place(at: Fraction, *, swung: bool) -> Fraction:
    """Return where a beat sounds: the half of a swung one lies on the last of three."""
    return Fraction(at.numerator // 2 * 3 + 2, 3) if swung and at.denominator == 2 else at


def read_lane(
    text: str, beats: int, check: Callable[[str], None] | None
) -> tuple[Lane, list[tuple[int, str]]]:
    """Read a lane, a row of counts, and its problems: pairs of an offset and a message.

    `check` raises a `BluesError` for a value that is not one; None for drums, which take none.
    """
    hits: list[Hit] = []
    problems: list[tuple[int, str]] = []
    bar, beat, last = 0, 0, Fraction(-1)
    for found in re.finditer(r"\||[^\s|]+", text):
        word = found[0]
        if word == "|":
            bar, beat = bar + 1, 0
            continue
        parts = _HIT.fullmatch(word)
        try:
            if parts is None or bool(parts[1]) != bool(parts[5]):
                raise BluesError(f'"{word}" is not a stroke; write a count, as 1, 2&> or (4&)')
            beat, place = parse_count(parts[2], beat, beats)
            at = bar * beats + beat - 1 + place
            if at <= last:
                raise BluesError(f'count "{parts[2]}" goes back; counts go forward in a bar')
            if check is None and parts[3]:
                raise BluesError(f'"{word}": a drum lane has counts only')
            if check is not None:
                if not parts[3]:
                    raise BluesError(f'"{word}" needs what is played: {parts[2]}:R')
                check(parts[3])
        except BluesError as error:
            problems.append((found.start(), str(error)))
            continue
        touch = "ghost" if parts[1] else "accent" if ">" in parts[4] else ""
        hits.append(Hit(at, parts[3] or "", touch, "." in parts[4]))
        last = at
    return Lane(tuple(hits), bar + 1), problems
