"""The plan: what a band agrees on before it plays, a chorus at a time.

Conventions: a plan is made once, from the groove, the seed and how many choruses there are; the
players read it and decide nothing that concerns them all. Strength goes from 0, as soft as the
band plays, to 1. References: common practice, from memory: a band rises, rests and ends high;
nobody plays one fill, or one turnaround, twice within minutes.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from backing.band.fills import Deck, fills, set_ups
from backing.grooves import Groove, Pattern

__all__ = ["ARCS", "FLAT", "Chorus", "Planner", "loudness"]

ARC = 6  # choruses in which the band builds before it rests
FLAT = 0.75  # how strong a band is that stays as it is
STOPPED = 0.5  # of the later choruses of a groove that stops
BIG = 3  # choruses from one big fill to the next
SOFTEST, LOUDEST = 0.70, 1.06  # of the velocity

ARCS: dict[str, str] = {
    "rise": "the band rises from chorus to chorus, rests, and ends high",
    "flat": "every chorus is as strong as the others",
}


@dataclass(frozen=True, slots=True)
class Chorus:
    """One chorus as the band agrees on it.

    Attributes
    ----------
    number
        From 0.
    kind
        For the patterns of a groove: ``early``, ``late`` or ``last``.
    strength
        0 to 1.
    rises
        Whether it is stronger than the one before.
    set_ups
        What the drummer plays at the ends of its lines.
    pushes
        At which of them all strike together, just before the next line.
    fill
        What the drummer plays in its last bar.
    turnaround
        The name of its last two bars' chords; empty for the form's own.
    riff, stop
        The line that all play through it, and the one of its first bars if the band stops there.
    """

    number: int
    kind: str
    strength: float
    rises: bool
    set_ups: tuple[Pattern | None, ...]
    pushes: tuple[bool, ...]
    fill: Pattern | None
    turnaround: str
    riff: Pattern | None = None
    stop: Pattern | None = None

    def told(self) -> str:
        """Return it as a line of words."""
        bar = "#" * round(1 + 9 * self.strength)
        pushed = [str(n) for n, push in enumerate(self.pushes, 1) if push]
        words = [f"{self.number + 1:4}  {bar:10}  {self.kind:5}  {self.turnaround or '-':15}"]
        words += [f"{p.when}: {p.told()}" for p in (self.riff, self.stop) if p]
        words.append(f"pushed out of line {' and '.join(pushed)}" if pushed else "")
        return "  ".join(words).rstrip()


def loudness(strength: float) -> float:
    """Return the share of its velocity that a note has in a chorus of such strength."""
    return SOFTEST + (LOUDEST - SOFTEST) * strength


def _strengths(choruses: int, arc: str) -> list[float]:
    """Return how strong each chorus is."""
    if arc == "flat":
        return [FLAT] * choruses
    if choruses == 1:
        return [0.5]
    length = min(ARC, choruses)
    rows = []
    for chorus in range(choruses - 1):
        place, turn = chorus % length, chorus // length
        start = 0.0 if turn == 0 else 0.25
        rows.append(start + (0.85 - start) * place / max(1, length - 1))
    return [*rows, 1.0]


def _kind(chorus: int, choruses: int, arc: str) -> str:
    """Return which patterns of a groove fit a chorus."""
    if arc == "flat":
        return "late"
    if chorus == choruses - 1 and choruses > 1:
        return "last"
    length = min(ARC, choruses)
    return "early" if chorus % length < -(-length // 3) else "late"


class Planner:
    """Draws choruses one after another, so that what was drawn does not come again soon.

    Parameters
    ----------
    groove
        What the band plays.
    seed
        Chooses.
    choruses
        How many there are.
    arc
        A key of `ARCS`.
    turnarounds, endings
        Chords by name for the last two bars of a chorus, and of the last one.
    wanted
        The name of the turnaround that every chorus shall have; empty to draw.
    """

    def __init__(
        self,
        groove: Groove,
        seed: object,
        choruses: int,
        *,
        arc: str = "rise",
        turnarounds: Mapping[str, str],
        endings: Mapping[str, str],
        wanted: str = "",
    ) -> None:
        self.choruses = choruses
        self.arc = arc
        self.strengths = _strengths(choruses, arc)
        self.wanted = wanted
        self.turnarounds = turnarounds
        self.endings = endings
        self.chance = random.Random(f"{seed} {groove.name} plan")
        self.small, self.big = fills(groove, self.chance)
        self.leads = set_ups(groove, self.chance)
        self.riffs = Deck(groove.riffs, self.chance)
        self.stops = Deck(groove.stops, self.chance)
        self.last = ""
        self.drawn: list[str] = []

    def turnaround(self, *, final: bool = False) -> str:
        """Return the name of the next turnaround: all come round before one comes again."""
        if final:
            self.last = self.chance.choice(list(self.endings))
            return self.last
        if self.wanted:
            return self.wanted
        if not self.drawn:
            self.drawn = list(self.turnarounds)
            self.chance.shuffle(self.drawn)
            if self.drawn[-1] == self.last:
                self.drawn.insert(0, self.drawn.pop())
        self.last = self.drawn.pop()
        return self.last

    def chorus(self, number: int, *, lines: int, filled: bool, turnaround: str) -> Chorus:
        """Return the next chorus, of so many lines that another follows.

        `filled` says whether it ends in a fill.
        """
        strength = self.strengths[number]
        before = self.strengths[number - 1] if number else strength
        big = number % BIG == BIG - 1 or number == self.choruses - 1
        pushes = [self.chance.random() < 0.6 for _ in range(lines)]
        if lines and not any(pushes):
            pushes[self.chance.randrange(lines)] = True
        return Chorus(
            number,
            _kind(number, self.choruses, self.arc),
            strength,
            strength > before,
            tuple(self.leads.draw() for _ in range(lines)),
            tuple(pushes),
            (self.big if big else self.small).draw() if filled else None,
            turnaround,
            self.riffs.draw(),
            self.stops.draw() if number == 0 or self.chance.random() < STOPPED else None,
        )
