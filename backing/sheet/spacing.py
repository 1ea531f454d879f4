"""Note spacing and line breaks, widened until nothing on the page collides.

Conventions: lengths are in staff spaces. A score is engraved more and more loosely, on more and
more lines; where things still overlap, the note that is too near moves away.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from backing.sheet.clear import Pair, in_the_way, late
from backing.sheet.columns import columns, pads
from backing.sheet.graces import beam_graces
from backing.sheet.ink import Ink, Skyline
from backing.sheet.marks import over
from backing.sheet.mei import Engraving, plan
from backing.sheet.octaves import high_passages
from backing.sheet.score import Score
from backing.sheet.signs import moved_clear
from backing.sheet.staff import System, engrave, widths
from backing.sheet.tab import tab
from backing.sheet.ties import reslurred
from backing.sheet.trills import upper_heads
from backing.sheet.wording import hands
from phrases.techniques import SLIDES, STEPS

__all__ = ["STAVES", "Drawn", "Style", "spaced"]

STAVES = ("both", "tab", "notation")
STAFF = 4.0  # height of the notation staff
JOINED = {**dict.fromkeys(STEPS, 1.0), **dict.fromkeys(SLIDES, 1.3)}
ARROW = 1.6
CLEAR = 0.55  # between two fret numbers of a line
# How far apart notes are, and by how much a line is cut short (or, at last, set smaller), one way
# after another until everything has room.
TRIES = (
    (0.32, 0.88), (0.36, 0.82), (0.42, 0.76), (0.5, 0.7), (0.6, 0.6), (0.6, 1.2), (0.6, 1.45),
    (0.6, 1.8), (0.6, 2.4),
)  # fmt: skip
CLOSE = (0.18, 1.0)
RAGGED = 0.8
SQUEEZED = 1.2
SMALLER = 8.0  # places without room that are no worse than print of half the size
STRUCK = 6
OVERLAP = 12.0  # how much worse than a lack of room; worse than the smallest print
PASSES = 4  # in which notes move apart and stems turn over; one is often enough
ENOUGH = 20  # layouts, after which the best of them will do
MUCH = 2400  # heads laid out in all, after which the best layout will do, whatever is left
MANY = 5  # overlaps that are left, after which the next ways are not even tried
TIED = 2  # pads before a head that is tied from the system before
MOST = 4  # pads that a column gets besides its usual ones
LOOSER = (1.25, 1.4, 1.6, 1.8)  # widths of a last line that is too short to fill the page


@dataclass(frozen=True, slots=True)
class Style:
    """What a sheet is asked to show, and how wide."""

    width: float = 100.0  # of a system, in staff spaces
    staves: str = "both"  # one of `STAVES`
    marks: bool = True  # whether strokes and fingers are drawn
    form: bool = False  # whether lines are to be those of a form, four bars each, a little closer


@dataclass(frozen=True, slots=True)
class Drawn:
    """One system with what stands on and over its staves."""

    system: System  # what is engraved
    upper: tuple[Ink, ...]  # everything on and over the notation staff; empty where there is none
    lower: tuple[Ink, ...]  # everything on and around the tab staff; empty where there is none

    @property
    def clashes(self) -> list[Pair]:
        """Pairs of overlapping marks on either staff."""
        return [*in_the_way(self.upper), *in_the_way(self.lower)]


@dataclass(frozen=True, slots=True)
class _Try:
    """A score laid out in one way: what it costs (0 is best), and how it was made."""

    cost: float
    clashes: int
    drawn: list[Drawn]
    natural: System
    breaks: list[int]
    width: float
    loose: float
    pads: dict[str, int]
    turned: dict[str, str]


def spaced(score: Score, style: Style) -> list[Drawn]:
    """Return the systems of a score."""
    best: _Try | None = None
    known: dict[str, int] = {}
    tries = [CLOSE, *TRIES] if style.form else list(TRIES)
    number = count = 0
    planned = _planned(score, style.staves == "tab").nodes
    most = max(2, MUCH // sum(len(column) for bar in planned for event in bar for column in event))
    while number < len(tries):
        loose, share = tries[number]
        smaller = SMALLER * max(0.0, share - 1.0)
        enough = best is not None and count > ENOUGH and best.clashes == 0
        if best is not None and (best.cost <= smaller or enough or count >= most):
            break
        left = 0
        for one in _passes(score, style, loose, share, known):
            # What has needed room on one line needs it on the next.
            known, left = one.pads, one.clashes
            count += 1
            if best is None or one.cost + smaller < best.cost:
                best = replace(one, cost=one.cost + smaller)
            if count >= most:
                break
        # The last way is always tried.
        number = min(number + 3, max(number + 1, len(tries) - 1)) if left >= MANY else number + 1
    assert best is not None
    made = replace(_planned(score, style.staves == "tab"), pads=best.pads, turned=best.turned)
    return _last_line(score, style, made, best)


def _passes(
    score: Score, style: Style, loose: float, share: float, known: dict[str, int]
) -> Iterator[_Try]:
    """Yield the layouts of one try, each with more room where the one before had too little."""
    bare = style.staves == "tab"
    usual = _planned(score, bare).pads
    made = replace(_planned(score, bare), turned={}, pads=known or usual)
    width = style.width * max(1.0, share)
    counts: list[int] = []
    for number in range(PASSES):
        natural = (
            _natural(score, bare, loose)
            if made.pads == usual
            else widths(score, made, loose=loose, bare=bare)
        )
        breaks = _breaks(score, natural, style.width * min(1.0, share), form=style.form)
        systems = _engraved(score, made, breaks, width, loose=loose, bare=bare)
        drawn = [_drawn(score, made, system, style) for system in systems]
        tight = sum(_tight(score, made, system) for system in systems)
        clashes = [(one, pair) for one in drawn for pair in one.clashes]
        cost = tight + OVERLAP * len(clashes)
        yield _Try(
            cost, len(clashes), drawn, natural, breaks, width, loose, made.pads, made.turned
        )
        # Where more room has not helped twice, still more will not.
        counts.append(len(clashes))
        if not clashes or (number > 1 and counts[-1] >= counts[-3]):
            break
        made = replace(made, pads=dict(made.pads), turned=dict(made.turned))
        _mend(made, clashes, usual)


def _mend(made: Engraving, clashes: Sequence[tuple[Drawn, Pair]], usual: dict[str, int]) -> None:
    """Move notes apart, and turn stems over."""
    more: set[str] = set()
    for drawn, pair in clashes:
        system = drawn.system
        turned = _turned(pair, system)
        if any(name not in made.turned for name in turned):
            made.turned.update(turned)
            continue
        written = [
            column for bar in sorted(system.bars) for one in made.nodes[bar] for column in one
        ]
        heads = [[system.heads[node.name] for node in column] for column in written]
        xs = [sum(box.left + box.right for box in boxes) / 2 / len(boxes) for boxes in heads]
        spots = {node.name: n for n, column in enumerate(written) for node in column}
        ended = _ended(pair)
        if ended is not None:
            more.add(f"m{ended}")
            continue
        place = late(pair, xs, spots)
        more.add(written[place][0].name if place < len(written) else f"m{max(system.bars)}")
    for name in more:
        made.pads[name] = min(made.pads.get(name, 0) + 1, usual.get(name, 0) + MOST)


def _ended(pair: Pair) -> int | None:
    """Return the bar whose end has too little room, where something reaches its bar line."""
    for one, other in (pair, pair[::-1]):
        found = re.match(r"b(\d+)e", other.owner)
        if one.kind in ("barLine", "bar line") and found and other.box.left < one.box.left:
            return int(found[1])
    return None


def _turned(pair: Pair, system: System) -> dict[str, str]:
    """Return which stems to turn over where a beam crosses what belongs to a grace note."""
    for one, other in (pair, pair[::-1]):
        if one.kind in ("flag", "grace beam") and other.kind == "beam":
            return {one.owner: "other"}
        if one.kind in ("accid", "notehead", "ghost") and other.kind == "beam":
            # The upper note of a trill lies beside its head, higher.
            top = system.heads[one.owner].top if one.kind == "ghost" else one.box.top
            way = "up" if other.box.top > top else "down"
            left, right = other.box.left - 1.0, other.box.right + 1.0
            return {
                name.split("n")[0]: way
                for name, box in system.heads.items()
                if left < box.left and box.right < right
            }
    return {}


def _drawn(score: Score, made: Engraving, system: System, style: Style) -> Drawn:
    upper: list[Ink] = []
    lower: list[Ink] = []
    if style.staves != "tab":
        alone = style.staves == "notation"
        upper += system.inks
        every = columns(score, made, system)
        upper += over(score, made, system, every, sizes=alone)
        if alone and style.marks:
            floor = Skyline(STAFF + 0.3, up=False)
            floor.add(*upper)
            upper += hands(every, floor)
    if style.staves != "notation":
        lower += tab(score, made, system, marks=style.marks)
    return Drawn(system, tuple(upper), tuple(lower))


def _last_line(score: Score, style: Style, made: Engraving, best: _Try) -> list[Drawn]:
    """Return the systems, the last one no wider than its notes like."""
    bare = style.staves == "tab"
    last = best.drawn[-1]
    bars = best.natural.bars
    filled = sum(b - a for bar, (a, b) in bars.items() if bar in last.system.bars)
    for wide in LOOSER:
        short = filled * wide + (0.0 if 0 in last.system.bars else best.natural.start)
        if short > RAGGED * best.width:
            break
        system = _engraved(score, made, best.breaks, short, loose=best.loose, bare=bare)[-1]
        drawn = _drawn(score, made, system, style)
        looser = _tight(score, made, system) <= _tight(score, made, last.system)
        if looser and len(drawn.clashes) <= len(last.clashes):
            return [*best.drawn[:-1], drawn]
    return best.drawn


# A page that is tried in several sizes asks for the same music again.
@lru_cache(maxsize=8)
def _planned(score: Score, bare: bool) -> Engraving:
    made = plan(score, bends=not bare)
    made.pads = pads(score, made)
    made.high = set() if bare else high_passages(score, made)
    return made


@lru_cache(maxsize=64)
def _natural(score: Score, bare: bool, loose: float) -> System:
    return widths(score, _planned(score, bare), loose=loose, bare=bare)


def _engraved(
    score: Score, made: Engraving, breaks: Sequence[int], width: float, *, loose: float, bare: bool
) -> list[System]:
    pads = dict(made.pads)
    for bar in breaks if not bare else ():
        columns = made.nodes[bar][0]
        # What is tied from the system before needs room for its half of the tie.
        if columns and any(node.join == "tie" for node in columns[0]):
            name = columns[0][0].name
            pads[name] = pads.get(name, 0) + TIED
    systems = engrave(score, replace(made, pads=pads), breaks, width, loose=loose, bare=bare)
    for system in systems if not bare else ():
        moved_clear(system)
        upper_heads(score, made, system)
        beam_graces(made, system)
        reslurred(made, system)
    return systems


def _tight(score: Score, made: Engraving, system: System) -> int:
    """Return how often a fret number of a system, or what joins it to the next, lacks room."""
    every = columns(score, made, system)
    spots = {node.name: column for column in every for node in column.nodes}
    wanted = {
        (id(spots[join.start]), id(spots[join.end])): JOINED[join.sign]
        for join in made.joins
        if join.sign in JOINED and join.start in spots and join.end in spots
    }
    found = 0
    for column in every:
        right = system.bars[column.event[0]][1]
        room = right - column.right
        found += room < CLEAR + (1.3 if right > system.width - 0.1 else 0.3)
        found += STRUCK * (room < 0.1)  # the bar line runs through it
    for before, after in pairwise(every):
        # Where a bend has no note of its own to lead to, its arrow needs the room.
        bends = any(
            m.technique.bending == "bend" and m.at is None
            for n in before.nodes
            for m in n.head.moves
        )
        if bends and before.last and len(before.nodes) > 1:
            wanted.setdefault((id(before), id(after)), ARROW)
    return found + sum(
        after.left - before.right < wanted.get((id(before), id(after)), CLEAR)
        for before, after in pairwise(every)
        if before.left < before.right and after.left < after.right
    )


def _breaks(score: Score, natural: System, width: float, *, form: bool) -> list[int]:
    """Return the bars before which a system ends: systems are full, and parts stay whole."""
    sizes = [right - left for _, (left, right) in sorted(natural.bars.items())]
    prefix = natural.start - (4.0 if natural.meter else 0.0)
    sizes[0] -= natural.start
    count = len(sizes)
    pickup = score.measures[0].number == 0
    # A part begins with its first whole bar; its pickup may stand in the bar before.
    starts = {
        bar + (label.at > measure.start)
        for bar, measure in enumerate(score.measures)
        for label in measure.labels
    }
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, count + 1):
        choices = []
        for start in range(max(0, end - 8), end):
            length = sum(sizes[start:end])
            room = width - (natural.start if start == 0 else prefix)
            # A pickup never has a line to itself, however full that of bar one is.
            least = 2 if (pickup or score.measures[0].start) and not start and count > 1 else 1
            # Two bars share a line a little closer rather than have one each.
            most = room * (SQUEEZED if end - start == 2 else 1.0)
            if end - start < least or (length > most and end - start > least):
                continue
            slack = max(0.0, room - length) / room
            cost = 1.0 + 2.0 * slack**2 + 3.0 * max(0.0, length / room - 1.0)
            if form:
                cost += {0: 0.0, 2: 0.6}.get((end - pickup) % 4, 1.2)
            elif end < count and end not in starts:
                cost += 0.6
            if end - start == least and count > 2:
                cost += 0.8
            choices.append((best[start][0] + cost, start))
        best.append(min(choices, default=(math.inf, 0)))
    breaks = []
    end = count
    while end > 0:
        end = best[end][1]
        if end:
            breaks.append(end)
    return breaks[::-1]
