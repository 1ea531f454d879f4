"""Fills and set-ups: a few dozen for every groove, of what drummers play on one beat.

Conventions: a cell is one beat, a letter to each of its places, three where the groove swings
and four where it is straight: ``x`` an accent, ``o`` a stroke, ``-`` none. A fill keeps the
groove's time until it begins and its kick throughout. References: common practice, from memory;
fills are known by their end, small ones last a beat or two, big ones most of a bar.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from functools import cache, partial
from itertools import cycle, product
from typing import Any, Generic, TypeVar

from backing.grooves import DRUMS, Groove, Pattern
from backing.lanes import Hit, Lane, in_order, place

__all__ = ["Deck", "fills", "set_ups"]

T = TypeVar("T")

SWUNG = ("xoo", "x-x", "xo-", "x-o", "oox", "-ox", "x--", "--x")
STRAIGHT = ("xooo", "x-o-", "x-oo", "xo-o", "--x-", "x--x", "--ox", "xox-")
TOUCH = {"x": "accent", "o": ""}
# Where each beat is struck.
TWO = (("snare",) * 2, ("snare", "mid-tom"), ("snare", "low-tom"), ("mid-tom", "low-tom"))
FOUR = (
    ("snare", "snare", "mid-tom", "low-tom"),
    ("snare", "high-tom", "mid-tom", "low-tom"),
    ("snare", "snare", "snare", "low-tom"),
)
ONE = (("snare",), ("mid-tom",), ("low-tom",), ("open-hat",))
FEET = {name for name, drum in DRUMS.items() if drum.limb == "foot"}
HALF = Fraction(1, 2)
SOME = 28  # of all that there are, for one piece


class Deck(Generic[T]):
    """A shuffled deck: each item is drawn once before any is drawn again.

    What is not made yet is made when it is drawn; what sounds like one that was drawn is passed
    over.
    """

    def __init__(
        self,
        rows: Sequence[Any],
        chance: random.Random,
        made: Callable[[Any], T] = lambda row: row,
        heard: Callable[[T], object] = id,
    ) -> None:
        self._made, self._heard = made, heard
        self._rows = iter(chance.sample(rows, len(rows)))
        self._drawn: dict[object, T] = {}
        self._again: Iterator[T] | None = None

    def draw(self) -> T | None:
        """Return the next one; None where there is none."""
        for row in self._rows:
            one = self._made(row)
            if self._drawn.setdefault(self._heard(one), one) is one:
                return one
        self._again = self._again or cycle(list(self._drawn.values()))
        return next(self._again, None)


def fills(groove: Groove, chance: random.Random) -> tuple[Deck[Pattern], Deck[Pattern]]:
    """Return the small fills of a groove and its big ones, its own among them."""
    own = [p for p in groove.drums if p.when == "fill"]
    small = [p for p in own if p.chorus != "last"]
    big = [p for p in own if p.chorus == "last"]
    return (
        _deck(groove, small, "fill", TWO, chance),
        _deck(groove, big, "fill", FOUR, chance),
    )


def set_ups(groove: Groove, chance: random.Random) -> Deck[Pattern]:
    """Return the set-ups: bars that lead out of a line inside a chorus."""
    own = [p for p in groove.drums if p.when == "setup"]
    return _deck(groove, own, "setup", ONE, chance)


def _deck(
    groove: Groove,
    own: Sequence[Pattern],
    when: str,
    paths: tuple[tuple[str, ...], ...],
    chance: random.Random,
) -> Deck[Pattern]:
    """Return a groove's own patterns and some of those that can be made, no two alike."""
    swung = groove.swing != 1
    home = max((p for p in groove.drums if p.when == "bar"), key=lambda p: p.weight)
    rows = _rows(paths, SWUNG if swung else STRAIGHT)
    return Deck(
        [*own, *chance.sample(rows, min(SOME, len(rows)))],
        chance,
        lambda row: (
            row if isinstance(row, Pattern) else _over(home, groove.meter.beats, when, *row)
        ),
        partial(_heard, swung=swung),
    )


def _heard(pattern: Pattern, *, swung: bool) -> frozenset[tuple[str, Fraction]]:
    """Return the strokes of a pattern's hands, on the places where they sound."""
    found = {
        (name, place(hit.at, swung=swung))
        for name, lane in pattern.lanes
        if name not in FEET
        for hit in lane.hits
    }
    return frozenset(found | {("snare", place(pattern.bars * 4 - HALF, swung=swung))})


@cache
def _rows(
    paths: tuple[tuple[str, ...], ...], cells: tuple[str, ...]
) -> list[tuple[tuple[str, ...], tuple[str, ...], str]]:
    """Return every way over the drums: the path, a cell for each of its beats, what leads in."""
    rows = []
    for path in paths:
        chosen = cells if len(path) < 4 else cells[:5]
        first = ("",) if len(path) > 1 else ("", "o")
        for lead, row in product(first, product(chosen, repeat=min(len(path), 3))):
            row = row if len(path) < 4 else (row[0], row[1], row[1], row[2])
            if path == ("snare",) and not lead and row[0].strip("-") == "x":
                continue  # the backbeat alone says nothing
            if len(path) == 1 or sum(cell.count("-") for cell in row) < len(path) * 2:
                rows.append((path, row, lead))
    return rows


def _over(
    home: Pattern, beats: int, when: str, path: Sequence[str], cells: Sequence[str], lead: str
) -> Pattern:
    """Return a home bar whose last beats are struck as cells say, after a stroke that leads in."""
    since = Fraction(beats - len(path))
    hits: dict[str, list[Hit]] = {}
    for drum, (beat, cell) in zip(path, enumerate(cells), strict=True):
        for nth, letter in enumerate(cell):
            if letter != "-":
                at = since + beat + Fraction(nth, len(cell))
                hits.setdefault(drum, []).append(Hit(at, "", TOUCH[letter]))
    if lead:
        at = since - Fraction(1, len(cells[0]))
        hits.setdefault("snare", []).insert(0, Hit(at))
        since = at
    lanes = {}
    for name, lane in home.lanes:
        swung = len(cells[0]) == 3
        kept = [h for h in lane.hits if name == "kick" or place(h.at, swung=swung) < since]
        if name == "snare" and when == "setup":  # the backbeat stays
            kept += [h for h in lane.hits if h.at == beats - 1]
        taken = {hit.at for hit in kept}
        kept += [hit for hit in hits.pop(name, []) if hit.at not in taken]
        lanes[name] = Lane(in_order(kept), 1)
    lanes.update({name: Lane(tuple(row), 1) for name, row in hits.items()})
    return Pattern(when, 1, tuple((n, lane) for n, lane in lanes.items() if lane.hits))
