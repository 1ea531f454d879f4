"""Beams of grace notes: several in a row have one pair of beams in place of their flags.

Conventions: as in `backing.sheet.staff`. References: common practice: two grace notes or more are
sixteenths; a beam leans as they go, but little.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from backing.sheet import ink
from backing.sheet.ink import Box, Ink
from backing.sheet.mei import Engraving, column_name
from backing.sheet.staff import System

__all__ = ["beam_graces"]

BEAM, SPACE = 0.3, 0.48  # thickness of a beam, and from one to the next
STEEPEST = 0.2  # slope of a beam
STEM = 1.9  # from the middle of a head to the far edge of the beams, at least
SIGN = 0.95  # the same from what stands beside a head
INSIDE = ("accid", "ghost")


def beam_graces(made: Engraving, system: System) -> None:
    """Draw the beams of neighbouring grace notes, and stems that reach them, in place."""
    beams: list[Ink] = []
    beamed: set[str] = set()
    places = {one.owner: n for n, one in enumerate(system.inks) if one.kind == "stem"}
    for bar in sorted(system.bars):
        for number, columns in enumerate(made.nodes[bar]):
            if len(columns) < 3:
                continue
            small = columns[:-1]
            names = [column_name(f"b{bar}e{number}", n, one) for n, one in enumerate(small)]
            beamed.update(names)
            heads = {node.name: system.heads[node.name] for column in small for node in column}
            signs = [i.box for i in system.inks if i.kind in INSIDE and i.owner in heads]
            chords = [[heads[node.name] for node in column] for column in small]
            beams += _beams(system, [places[name] for name in names], chords, signs)
    system.inks[:] = [i for i in system.inks if i.kind != "flag" or i.owner not in beamed] + beams


def _beams(
    system: System, stems: Sequence[int], heads: Sequence[Sequence[Box]], signs: Sequence[Box]
) -> Iterator[Ink]:
    """Yield a pair of beams, clear of heads and accidentals, and draw their stems, in place."""
    boxes = [system.inks[place].box for place in stems]
    tops = [min((box.top + box.bottom) / 2 for box in own) for own in heads]
    bottoms = [max((box.top + box.bottom) / 2 for box in own) for own in heads]
    way = 1 if boxes[0].bottom - bottoms[0] > tops[0] - boxes[0].top else -1
    xs = [(box.left + box.right) / 2 for box in boxes]
    # Where each stem ends at least, and a line that leans from the first to the last of them.
    ends = [one + STEM for one in bottoms] if way > 0 else [one - STEM for one in tops]
    slope = (ends[-1] - ends[0]) / (xs[-1] - xs[0])
    slope = max(-STEEPEST, min(STEEPEST, slope))
    wanted = list(zip(xs, ends, strict=True))
    for box in signs:
        end = box.bottom + SIGN if way > 0 else box.top - SIGN
        wanted += [(x, end) for x in (box.left, box.right) if x > xs[0]]
    base = way * max(way * (end - slope * (x - xs[0])) for x, end in wanted)
    for place, box, x in zip(stems, boxes, xs, strict=True):
        end = base + slope * (x - xs[0])
        foot = box.top if way > 0 else box.bottom
        owner, wide = system.inks[place].owner, box.right - box.left
        system.inks[place] = ink.line("stem", (x, foot, x, end), wide, owner=owner)
    owner = system.inks[stems[0]].owner
    half = (boxes[0].right - boxes[0].left) / 2
    left, right = xs[0] - half, xs[-1] + half
    for level in range(2):
        y = base - way * (BEAM / 2 + level * SPACE)
        line = (left, y - slope * half, right, y + slope * (right - xs[0]))
        yield ink.line("grace beam", line, BEAM, owner=owner)
