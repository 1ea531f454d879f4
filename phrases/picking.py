"""Which way the pick goes where a phrase does not say: down, up, or in turns.

References: common practice, from memory: down-strokes on the beat and up-strokes off it, strict
alternation in triplets and sixteenths, palm mutes and rakes down.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

from phrases.phrase import Stroke
from phrases.techniques import PICKLESS

__all__ = ["picking"]

TRIPLET, OFF_BEAT, LONG_OFF_BEAT = Fraction(1, 3), Fraction(1, 2), Fraction(2, 3)
SHUFFLED = {Fraction(0), LONG_OFF_BEAT}  # eighths written as the outer two of a triplet


def picking(strokes: Sequence[Stroke]) -> list[str]:
    """Return down or up for each stroke of a part; nothing where the fretting hand plays it."""
    places: dict[int, set[Fraction]] = {}
    for stroke in strokes:
        places.setdefault(int(stroke.at // 1), set()).add(stroke.at % 1)
    ways: list[str] = []
    for number, stroke in enumerate(strokes):
        written = {mark for note in stroke.notes for mark in note.marks}
        way = next((mark for mark in ("d", "u") if mark in written), None)
        if way is None and written & {"rake", "pm"}:
            way = "d"
        if written & set(PICKLESS):
            ways.append("")
            continue
        ways.append(way or _way(strokes, number, places[int(stroke.at // 1)], ways))
    return ways


def _way(
    strokes: Sequence[Stroke], number: int, beat: Iterable[Fraction], before: Sequence[str]
) -> str:
    """Return down or up for a stroke among those of its beat, after those before it."""
    at = strokes[number].at
    place = at % 1
    gap = at - strokes[number - 1].at if number else None
    if gap is not None and strokes[number - 1].end < at:
        gap = None  # a rest
    follows = number + 1 < len(strokes) and strokes[number + 1].at - at <= OFF_BEAT
    if (gap is None or gap > LONG_OFF_BEAT) and not follows:
        return "d"
    thirds = any(other.denominator not in (1, 2, 4) for other in beat)
    if thirds and set(beat) <= SHUFFLED:
        return "d" if place == 0 else "u"
    if thirds:
        alternates = gap is not None and gap <= TRIPLET
        return ("u" if before[-1] == "d" else "d") if alternates else "d"
    return "u" if place.denominator == 4 or (place == OFF_BEAT and not _quick(beat)) else "d"


def _quick(beat: Iterable[Fraction]) -> bool:
    return any(place.denominator == 4 for place in beat)
