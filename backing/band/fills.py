"""Fills and set-ups: a few dozen for every groove, of what drummers play on one beat.

Conventions: a cell is one beat, a letter to each of its places, three where the groove swings
and four where it is straight: ``x`` an accent, ``o`` a stroke, ``-`` none. A fill keeps the
groove's time until it begins and its kick throughout. References: common practice, from memory;
fills are known by their end, small ones last a beat or two, big ones most of a bar.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from fractions import Fraction
from itertools import product

from backing.grooves import DRUMS, Groove, Pattern
from backing.lanes import Hit, Lane, place

__all__ = ["Deck", "fills", "set_ups"]

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
SOME = 20  # of all that there are, for one piece


class Deck:
    """Patterns in a shuffled order that comes round: none again before all have been played."""

    def __init__(self, patterns: Sequence[Pattern], chance: random.Random) -> None:
        self.patterns = list(patterns)
        chance.shuffle(self.patterns)
        self.next = 0

    def draw(self) -> Pattern | None:
        """Return the next one; None where there is none."""
        if not self.patterns:
            return None
        self.next += 1
        return self.patterns[(self.next - 1) % len(self.patterns)]


def fills(groove: Groove, chance: random.Random) -> tuple[Deck, Deck]:
    """Return the small fills of a groove and its big ones, its own among them."""
    own = [p for p in groove.drums if p.when == "fill"]
    small = [p for p in own if p.chorus != "last"]
    big = [p for p in own if p.chorus == "last"]
    return (
        _deck(groove, small, "fill", TWO, chance),
        _deck(groove, big, "fill", FOUR, chance),
    )


def set_ups(groove: Groove, chance: random.Random) -> Deck:
    """Return the set-ups: bars that lead out of a line inside a chorus."""
    own = [p for p in groove.drums if p.when == "setup"]
    return _deck(groove, own, "setup", ONE, chance)


def _deck(
    groove: Groove,
    own: Sequence[Pattern],
    when: str,
    paths: Sequence[Sequence[str]],
    chance: random.Random,
) -> Deck:
    """Return a groove's own patterns and some of those that can be made, no two alike."""
    swung = groove.swing != 1
    known = {_heard(pattern, swung=swung): pattern for pattern in own}
    most = len(known) + SOME
    home = max((p for p in groove.drums if p.when == "bar"), key=lambda p: p.weight)
    rows = _rows(paths, SWUNG if swung else STRAIGHT)
    for path, cells, lead in chance.sample(rows, len(rows)):
        pattern = _over(home, groove.meter.beats, when, path, cells, lead)
        known.setdefault(_heard(pattern, swung=swung), pattern)
        if len(known) == most:
            break
    return Deck([*known.values()], chance)


def _heard(pattern: Pattern, *, swung: bool) -> frozenset[tuple[str, Fraction]]:
    """Return the strokes of a pattern's hands, on the places where they sound."""
    found = {
        (name, place(hit.at, swung=swung))
        for name, lane in pattern.lanes
        if name not in FEET
        for hit in lane.hits
    }
    return frozenset(found | {("snare", place(pattern.bars * 4 - HALF, swung=swung))})


def _rows(
    paths: Sequence[Sequence[str]], cells: Sequence[str]
) -> list[tuple[Sequence[str], tuple[str, ...], str]]:
    """Return every way over the drums: the path, a cell for each of its beats, what leads in."""
    rows = []
    for path in paths:
        chosen = cells if len(path) < 4 else cells[:5]
        first = ("",) if len(path) > 1 else ("", "o")
        for lead, row in product(first, product(chosen, repeat=min(len(path), 3))):
            row = row if len(path) < 4 else (row[0], row[1], row[1], row[2])
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
        lanes[name] = Lane(tuple(sorted(kept, key=lambda hit: hit.at)), 1)
    lanes.update({name: Lane(tuple(row), 1) for name, row in hits.items()})
    return Pattern(when, 1, tuple((n, lane) for n, lane in lanes.items() if lane.hits))
