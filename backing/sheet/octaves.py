"""Passages that are written an octave lower, under ``8va``, so that they need fewer ledger lines.

Conventions: pitches are as they sound; printed, each stands an octave higher, so that F4 is on the
top line and C5 on the second ledger line over it.

References: common practice: guitarists read up to four ledger lines; a note or two further up has
them too, a passage has ``8va`` over it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain, groupby

from backing.sheet.columns import LABEL, Column
from backing.sheet.ink import Ink, Skyline
from backing.sheet.mei import Engraving, Node
from backing.sheet.score import Score, beamed
from backing.sheet.staff import System
from backing.sheet.wording import spanned

__all__ = ["high_passages", "octave_signs"]

HIGH = 81  # A5, the first pitch over four ledger lines
LOW = 72  # C5, which under ``8va`` is still on the staff
LOWEST = 60  # C4, on one ledger line then: so low may lie what shares a beam with high notes
MOST = 2  # so many high notes in a row are read with their ledger lines
Columns = Sequence[Sequence[Node]]


def high_passages(score: Score, made: Engraving) -> set[str]:
    """Return the ids of the events that are written an octave lower."""
    # What a beam joins is written alike.
    beams = [
        [(f"b{bar}e{number}", made.nodes[bar][number]) for number in numbers]
        for bar, measure in enumerate(score.measures)
        for numbers in beamed(measure.events)
    ]
    found: set[str] = set()
    for fits, group in groupby(beams, _fits):
        run = list(group)
        needy = [n for n, one in enumerate(run) if any(_needy(columns) for _, columns in one)]
        picked = [
            name
            for beam in run
            for name, columns in beam
            if _needy(columns) and any(node.join != "tie" for node in columns[0])
        ]
        if fits and len(picked) > MOST:
            first, last = needy[0], needy[-1]
            # What is joined stays together, so that a line between heads leans as the hand goes.
            while first > 0 and _joined(run[first][0][1]):
                first -= 1
            while last + 1 < len(run) and _joined(run[last + 1][0][1]):
                last += 1
            found.update(name for beam in run[first : last + 1] for name, _ in beam)
    return found


def _fits(beam: Sequence[tuple[str, Columns]]) -> bool:
    lowest = LOW if len(beam) == 1 else LOWEST
    return all(
        node.head.fret is not None and node.spelling.place >= lowest
        for _, columns in beam
        for node in chain(*columns)
    )


def _needy(columns: Columns) -> bool:
    return any(node.spelling.place >= HIGH for node in chain(*columns))


def _joined(columns: Columns) -> bool:
    """Tell whether an event goes on from the one before."""
    return any(node.join for column in columns[:1] for node in column)


def octave_signs(
    score: Score, made: Engraving, system: System, every: Sequence[Column], sky: Skyline
) -> Iterator[Ink]:
    """Yield ``8va`` with its line over each passage of a system; it goes over everything else."""
    order = [
        (b, n) for b, measure in enumerate(score.measures) for n in range(len(measure.events))
    ]
    here = set(system.bars)
    columns = {column.event: column for column in every if column.last}
    for high, group in groupby(order, lambda one: f"b{one[0]}e{one[1]}" in made.high):
        run = list(group)
        events = [event for event in run if event in columns]
        if not high or not events:
            continue
        begins, ends = run[0][0] in here, run[-1][0] in here
        heads = [node.name for node in columns[events[-1]].nodes]
        right = max(system.heads[name].right for name in heads) + 0.3
        left = min(one.left for one in every if one.event == events[0]) - 0.3
        sign = spanned(
            "8va" if begins else "(8va)", left, right if ends else system.width - 0.3, LABEL,
            hook=ends, owner=heads[0],
        )  # fmt: skip
        yield sky.put(replace(sign, kind="octave"), 0.4)
