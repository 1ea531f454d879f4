"""How fingers stop what is picked at once: which can, and what each way costs a hand.

Conventions and references: as in `phrases.hands`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from phrases.fretboard import STRINGS
from phrases.phrase import StringNote, bend_cents
from phrases.techniques import BEND_SIZES

__all__ = [
    "FINGERS", "FINGER_MARKS", "LAID", "REACH", "TOO_FAR", "Span", "Stop", "coming_back",
    "finger_of", "fingerings", "holding", "last_fret", "laying", "other_than_written",
    "own_finger", "spans", "stops", "taking",
]  # fmt: skip

REACH = 3  # frets above the position, without a stretch
FINGERS = (1, 2, 3, 4)
FINGER_MARKS = tuple(str(finger) for finger in FINGERS)
FARTHEST = {1: 2, 2: 3, 3: 4}  # frets between two fingers, by how many fingers they are apart
FLAT = {1: 6, 2: 3, 3: 4, 4: 2}  # strings that each finger covers
HALF = BEND_SIZES["1/2"]

# What hands would rather not do.
STRETCHED = 2.0
ASTRAY = 1.0  # and for each fret that a slide leads out of reach
OTHER_FINGER = 6.0  # than the one that is written
CLUMSY = 0.02  # for each fret above the first finger: the first is the handiest
BESIDE = 0.6  # a finger over another fret than its own
PUSHING = {1: 1.5, 2: 1.0, 3: 0.0, 4: 2.5}  # a bend, by finger
CURL = 0.2  # of that for a bend of less than a half
LAID = {1: 0.0, 2: 0.5, 3: 0.15, 4: 1.0}  # flat over strings, or rolled to the next, for each
SPREAD = 0.8  # neighbouring fingers over more frets than they lie over, for each
CRAMPED = 0.4  # two fingers at one fret of neighbouring strings
OVER = 1.0  # a string between that does not sound
CROSSED = 1.0  # at one fret, a higher finger on a lower string
TOO_FAR = 50.0


@dataclass(frozen=True, slots=True)
class Span:
    """The frets of one string between two slides, and how far slides have brought the hand."""

    slid: int
    frets: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """A fret that one finger stops on one string, as it lies under the hand before any slide."""

    string: int
    fret: int
    bent: int = 0  # cents
    picked: bool = False


def last_fret(note: StringNote) -> int:
    """Return the fret that a note's hand ends on."""
    landed = (m.fret for m in note.moves if m.fret is not None and m.technique.lands)
    return [note.fret or 0, *landed][-1]


def spans(note: StringNote) -> list[Span]:
    """Return the frets that a note stops, parted at its slides."""
    assert note.fret is not None
    fret, slid = note.fret, 0
    frets = [fret]
    found: list[Span] = []
    for move in note.moves:
        technique = move.technique
        if technique.takes == "slide" and move.fret is not None:
            found.append(Span(slid, tuple(frets)))
            slid += move.fret - fret
            fret, frets = move.fret, [move.fret]
        elif technique.takes == "fret" and move.fret is not None:
            frets.append(move.fret)
            fret = move.fret if technique.lands else fret
    return [*found, Span(slid, tuple(frets))]


def stops(notes: Sequence[StringNote]) -> list[Stop]:
    """Return the places that fingers stop at once, in the order of frets and strings."""
    found: dict[tuple[int, int], Stop] = {}
    for note in notes:
        if note.fret is None:
            continue
        string, fret, slid, bent = STRINGS.index(note.string), note.fret, 0, dict[int, int]()
        under = [fret]
        for move in note.moves:
            technique = move.technique
            if technique.takes == "slide" and move.fret is not None:
                slid, fret = slid + move.fret - fret, move.fret
            elif technique.takes == "bend":
                cents = bend_cents(move, fret)
                bent[fret - slid] = max(cents, bent.get(fret - slid, 0))
            elif technique.takes == "fret" and move.fret is not None:
                # What lies out of reach after a slide is a hand's that has come along.
                if move.fret and abs(move.fret - slid - note.fret) <= REACH + 1:
                    under.append(move.fret - slid)
                fret = move.fret if technique.lands else fret
        for one in filter(None, under):
            found.setdefault(
                (one, string), Stop(string, one, bent.get(one, 0), picked=one == note.fret)
            )
    return [found[place] for place in sorted(found)]


def fingerings(stops: Sequence[Stop], open_: Sequence[int]) -> list[dict[Stop, int]]:
    """Return every way in which fingers can stop frets at once, beside strings left open."""
    ways: list[dict[Stop, int]] = [{}]
    for stop in stops:
        ways = [
            {**way, stop: finger}
            for way in ways
            for finger in FINGERS
            if all(_together(other, own, stop, finger) for other, own in way.items())
        ]
    return [way for way in ways if _flat(way, open_)]


def _together(one: Stop, own: int, two: Stop, finger: int) -> bool:
    """Tell whether two fingers, or one, can stop two frets at once; the second is no lower."""
    if own == finger:
        return one.fret == two.fret and one.string != two.string and one.bent == two.bent
    if one.fret == two.fret:
        return one.string != two.string
    return own < finger and two.fret - one.fret <= FARTHEST[finger - own]


def _flat(way: Mapping[Stop, int], open_: Sequence[int]) -> bool:
    """Tell whether fingers that lie over several strings leave the others alone."""
    for finger in FINGERS:
        strings = [stop.string for stop, own in way.items() if own == finger]
        if len(strings) < 2:
            continue
        fret = next(stop.fret for stop, own in way.items() if own == finger)
        low, high = min(strings), max(strings)
        if high - low >= FLAT[finger]:
            return False
        # Under the first finger others may stop higher frets.
        between = (stop for stop, own in way.items() if low < stop.string < high and own != finger)
        if any(finger > 1 or stop.fret < fret for stop in between) or any(
            low < string < high for string in open_
        ):
            return False
    return True


def finger_of(way: Mapping[Stop, int], note: StringNote) -> int:
    """Return the finger that stops a note as it is picked."""
    string = STRINGS.index(note.string)
    return next((own for stop, own in way.items() if stop.picked and stop.string == string), 0)


def taking(way: Mapping[Stop, int], position: int) -> float:
    """Return the cost of stopping frets with fingers in a position."""
    places = {(stop.fret, finger) for stop, finger in way.items()}
    away = (finger - own_finger(fret, position) for fret, finger in places)
    pushing = (
        PUSHING[finger] * (1.0 if stop.bent >= HALF else CURL)
        for stop, finger in way.items()
        if stop.bent
    )
    return sum(BESIDE * frets * frets for frets in away) + sum(pushing)


def own_finger(fret: int, position: int) -> int:
    """Return the finger that lies over a fret, or stretches to it."""
    return min(max(fret - position + 1, 1), len(FINGERS))


def laying(way: Mapping[Stop, int]) -> float:
    """Return the cost of fingers that lie flat, or cross at one fret."""
    cost = 0.0
    for finger in FINGERS:
        strings = [stop.string for stop, own in way.items() if own == finger]
        if len(strings) > 1:
            wide = max(strings) - min(strings) + 1
            cost += LAID[finger] * (wide - 1) + OVER * (wide - len(strings))
    for one, own in way.items():
        for two, other in way.items():
            if own < other:
                cost += SPREAD * max(0, two.fret - one.fret - (other - own))
            if one.fret == two.fret and one.string < two.string and own != other:
                cost += CROSSED if own > other else 0.0
                cost += CRAMPED if one.string + 1 == two.string and one.bent == two.bent else 0.0
    return cost


def holding(span: Span, position: int) -> float:
    """Return the cost of reaching frets from a position; an open string costs nothing."""
    cost = 0.0
    for fret in filter(None, span.frets):
        above = fret - position
        if not -1 <= above <= REACH + 1:
            cost += TOO_FAR + abs(above)
        elif not 0 <= above <= REACH:
            cost += STRETCHED
        cost += CLUMSY * max(0, above)
    return cost


def coming_back(span: Span, position: int) -> float:
    """Return the cost of frets after a slide to a hand that belongs where it was."""
    out = max(position - span.frets[0], span.frets[0] - position - REACH, 0)
    if out <= 1:
        return holding(span, position)
    return holding(span, position + span.slid) + ASTRAY * (1 + out)


def other_than_written(note: StringNote, finger: int) -> float:
    """Return the cost of another finger than the one that is written."""
    written = note.glass or next((int(word) for word in note.marks if word in FINGER_MARKS), 0)
    return OTHER_FINGER if written and finger and written != finger else 0.0
