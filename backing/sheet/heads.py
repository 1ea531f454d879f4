"""The heads of one picked note: each fret that is reached, and what the hand does there.

Conventions: as in `backing.sheet.writing`.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from backing.sheet.score import Head, spell
from phrases.phrase import StringNote, Stroke
from phrases.pitch import Key

__all__ = ["chains", "held"]


def held(head: Head) -> Head | None:
    """Return a head that only goes on from another; a muted string does not ring."""
    if head.fret is None:
        return None
    return replace(
        head,
        link="",
        tied=True,
        moves=(),
        bent=head.stations[-1],
        into="",
        shift="",
        marks=(),
        graces=(),
    )


def chains(note: StringNote, stroke: Stroke, key: Key) -> dict[Fraction, Head]:
    """Return the heads of a note, each at its beat, with what follows at once as grace notes."""
    pitch = note.pitch(note.fret or 0)
    head = Head(note.string, note.fret, pitch, spell(pitch, key), into=note.into, marks=note.marks)
    found: dict[Fraction, list[Head]] = {stroke.at: [head]}
    at = stroke.at
    for move in note.moves:
        if move.at is not None:
            if move.at >= stroke.end:
                break
            at = move.at
        technique = move.technique
        before, moved = head, move.fret is not None and technique.lands
        if moved and move.fret is not None:
            pitch = note.pitch(move.fret)
            head = Head(note.string, move.fret, pitch, spell(pitch, key), link=move.sign)
        else:
            going = held(before) if move.at is not None else before
            assert going is not None
            sway = move.sign if technique.motion == "sway" else ""
            moves = (*going.moves, move)
            head = replace(going, moves=moves, sway=sway, out=technique.slide)
        if move.at is not None:
            found[at] = [head]
        elif moved:
            found[at].append(head)
        else:
            found[at][-1] = head
    # The last of some heads has those before it as its grace notes.
    return {
        at: replace(heads[-1], graces=tuple(replace(a, leads=b.link) for a, b in pairwise(heads)))
        for at, heads in found.items()
    }
