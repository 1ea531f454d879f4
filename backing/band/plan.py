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

__all__ = ["ARCS", "FLAT", "HEADS", "LINE", "SPACING", "Chorus", "Planner", "loudness"]

ARC = 6  # choruses in which the band builds before it rests
FLAT = 0.75  # how strong a band is that stays as it is
STOPPED = 0.5  # of the later choruses of a groove that stops
BIG = 3  # choruses from one big fill to the next
LINE = 4  # bars
COLUMNS = "{:>7}  {:10}  {:8}  {:15}  {:7}  {}"
HEADS = COLUMNS.format("chorus", "strength", "patterns", "turnaround", "opening", "all together")
PUSHES = (2, 2, 3)  # in a chorus: out of lines, and into the last bar
STOPS = 4  # bars of stop-time at the top of a chorus, at most
BREAKS = 0.6  # of the choruses whose last bar but one holds a single chord
SHOUTS = 0.5  # of the strongest choruses, where a groove has riffs for them
SPACING = 8  # bars from one crash to the next, at least
SOFTEST, LOUDEST = 0.65, 1.06  # of the velocity

ARCS: dict[str, str] = {
    "rise": "the band rises from chorus to chorus, rests, and ends high",
    "flat": "every chorus is as strong as the others",
}


@dataclass(frozen=True, slots=True)
class Chorus:
    """One chorus as the band agrees on it."""

    number: int  # from 0
    kind: str  # for the patterns of a groove: ``early``, ``late`` or ``last``
    strength: float  # 0 to 1
    crash: bool  # whether a crash opens it
    # What the drummer plays in the last bars of its lines: each bar, from 0, and a pattern.
    set_ups: tuple[tuple[int, Pattern | None], ...]
    pushes: tuple[int, ...]  # bars at whose end all strike together, just before the next
    fill: Pattern | None  # what the drummer plays in its last bar
    turnaround: str  # the name of its last two bars' chords; empty for the form's own
    # `riff` and `stop`: the line that all play through it, and the one of its first bars if the
    # band stops there.
    riff: Pattern | None = None
    stop: Pattern | None = None
    stopped: int = 0  # in how many bars
    # Whether the band breaks off on the one of the last bar but one, and leaves it to the lead.
    breaks: bool = False

    def told(self) -> str:
        """Return it as a row under `HEADS`."""
        bar = "#" * round(1 + 9 * self.strength)
        words = [f"push out of {' and '.join(f'bar {n + 1}' for n in self.pushes)}"]
        words = (words if self.pushes else []) + (["break"] if self.breaks else [])
        words += [f"{p.when} {p.told()}" for p in (self.riff, self.stop) if p]
        turnaround, opening = self.turnaround or "the form's own", "crash" if self.crash else ""
        told = (self.number + 1, bar, self.kind, turnaround, opening, ", ".join(words))
        return COLUMNS.format(*told).rstrip()


def loudness(strength: float) -> float:
    """Return the share of its velocity that a note has in a chorus of such strength."""
    return SOFTEST + (LOUDEST - SOFTEST) * strength


def _arc(choruses: int, arc: str) -> list[tuple[float, str]]:
    """Return how strong each chorus is, and which patterns of a groove fit it."""
    if arc == "flat":
        return [(FLAT, "late")] * choruses
    if choruses == 1:
        return [(0.5, "early")]
    length, rows = min(ARC, choruses), []
    for chorus in range(choruses - 1):
        place, start = chorus % length, 0.25 if chorus >= length else 0.0
        strength = start + (0.85 - start) * place / (length - 1)
        rows.append((strength, "early" if place < -(-length // 3) else "late"))
    return [*rows, (1.0, "last")]


class Planner:
    """Draws choruses one after another, so that what was drawn does not come again soon.

    The arc is a key of `ARCS`; turnarounds and endings are chords by name for the last two bars of
    a chorus, and of the last one; the turnaround that is `wanted` closes every chorus, and an
    empty name lets each be drawn.
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
        self.groove = groove
        self.choruses = choruses
        self.number = 0
        self.crashed: int | None = None
        self.shout: Pattern | None = None
        self.arc = _arc(choruses, arc)
        self.wanted = wanted
        self.turnarounds = turnarounds
        self.endings = endings
        self.chance = random.Random(f"{seed} {groove.name} plan")
        self.small, self.big = fills(groove, self.chance)
        self.leads = set_ups(groove, self.chance)
        self.riffs: Deck[Pattern] = Deck(
            [riff for riff in groove.riffs if not riff.chorus], self.chance
        )
        self.shouts: Deck[Pattern] = Deck(
            [riff for riff in groove.riffs if riff.chorus], self.chance
        )
        self.stops: Deck[Pattern] = Deck(groove.stops, self.chance)
        self.names: Deck[str] = Deck(list(turnarounds), self.chance)
        self.last = ""

    def turnaround(self, *, final: bool = False) -> str:
        """Return the name of the next turnaround, or of an ending that is not the one before."""
        if final:
            last = self.last or "none"
            return self.chance.choice([n for n in self.endings if not n.startswith(last)])
        self.last = self.wanted or self.names.draw() or ""
        return self.last

    def chorus(
        self, bars: int, *, filled: bool = True, turnaround: str = "", entered: bool = False
    ) -> Chorus:
        """Return the next chorus, of so many bars.

        `filled` says whether it ends in a fill, `entered` whether something leads into it.
        """
        number, self.number = self.number, self.number + 1
        strength, kind = self.arc[number]
        rises = strength > self.arc[number - 1][0] if number else entered
        crash = rises and (self.crashed is None or number * bars - self.crashed >= SPACING)
        self.crashed = number * bars if crash else self.crashed
        big = number % BIG == BIG - 1 or number == self.choruses - 1
        stop = self.stops.draw() if number == 0 or self.chance.random() < STOPPED else None
        stopped = stop_bars(self.groove, bars) if stop or not self.groove.stops else 0
        riff = self._riff(strength)
        chords = self.turnarounds.get(turnaround, "two chords").partition("|")[0].split()
        breaks = len(chords) == 1 and not stopped and self.chance.random() < BREAKS
        ends = range(LINE - 1, bars - LINE, LINE)
        places = [bar for bar in ends if bar >= stopped and not riff]
        places += [bars - 2] if bars > LINE and not breaks else []
        pushes = self.chance.sample(places, min(len(places), self.chance.choice(PUSHES)))
        return Chorus(
            number,
            kind,
            strength,
            crash,
            tuple((bar, self.leads.draw()) for bar in ends),
            tuple(sorted(pushes)),
            (self.big if big else self.small).draw() if filled else None,
            turnaround,
            riff,
            stop,
            stopped,
            breaks,
        )

    def _riff(self, strength: float) -> Pattern | None:
        """Return the riff of a chorus: the groove's next, or in a strong one perhaps a shout.

        What was shouted comes back, so that the last chorus is the fullest.
        """
        own = self.riffs.draw()
        if own or strength <= FLAT:
            return own
        if self.shout is None and self.chance.random() < SHOUTS:
            self.shout = self.shouts.draw()
        return self.shout


def stop_bars(groove: Groove, bars: int) -> int:
    """Return how many bars at the top of a chorus of so many a groove may stop in."""
    stops = groove.stops or any(pattern.when == "stop" for pattern in groove.drums)
    return min(STOPS, bars // 2) if stops else 0
