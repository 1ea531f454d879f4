"""What both hands do where a phrase does not say: positions, fingers and picking.

Conventions: a position is the fret under the first finger; a hand in position 5 holds frets 5 to
8, one finger to a fret, and stretches to 4 or 9. A slide takes the hand along. Strokes are ``d``
and ``u``, fingers ``1`` to ``4``, as in `phrases.techniques.MARKS`.

References: common practice, from memory: one finger to a fret; bends by the third finger with
others behind it; down-strokes on the beat and up-strokes off it, strict alternation in triplets
and sixteenths. The costs are this project's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations

from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.phrase import Note, Part, Phrase, Stroke, bend_cents
from phrases.techniques import BEND_SIZES, MARKS, mark

__all__ = [
    "FINGER_MARKS",
    "LAST_POSITION",
    "REACH",
    "Grip",
    "box",
    "grips",
    "move_cost",
    "positions",
    "suggest",
]

REACH = 3  # frets above the position, without a stretch
LAST_POSITION = LAST_FRET - REACH
FINGERS = (1, 2, 3, 4)
FINGER_MARKS = tuple(str(finger) for finger in FINGERS)

# What hands would rather not do.
STRETCHED = 2.0
WIDE = 1.5  # a double stop over five frets
BACK = 1.0  # sliding away and coming back
ASTRAY = 1.0  # and for each fret that a slide leads out of reach
OTHER_FINGER = 6.0  # than the one that is written
CLUMSY = 0.02  # for each fret above the first finger: the first is the handiest
PUSHING = {-1: 4.0, 0: 2.0, 1: 1.0, 2: 0.0, 3: 0.5, 4: 3.0}  # a bend, by frets above the position
MOVING, PER_FRET = 1.5, 0.4
BREATH = Fraction(1)  # beats of rest in which a hand moves at half the cost
TOO_FAR = 50.0

TRIPLET, OFF_BEAT, LONG_OFF_BEAT = Fraction(1, 3), Fraction(1, 2), Fraction(2, 3)
SHUFFLED = {Fraction(0), LONG_OFF_BEAT}  # eighths written as the outer two of a triplet


@dataclass(frozen=True, slots=True)
class Grip:
    """One way to hold a stroke.

    Attributes
    ----------
    position
        The fret under the first finger at the pick.
    leaves
        The position in which its slides leave the hand.
    cost
        0 for what lies under the hand; more for what it would rather not do.
    """

    position: int
    leaves: int
    cost: float


@dataclass(frozen=True, slots=True)
class _Span:
    """The frets of one string between two slides, and how far slides have brought the hand."""

    slid: int
    frets: tuple[int, ...]
    bends: tuple[int, ...]


def positions(strokes: Sequence[Stroke]) -> list[int]:
    """Return the hand position at the pick of each stroke, 1 to 21.

    The hand stays where it can; what cannot be reached at all is held as near as can be. Open and
    muted strings leave the hand where it is.

    Parameters
    ----------
    strokes
        In order of time.
    """
    return [grip.position for grip in _path(strokes)]


def grips(stroke: Stroke, *, anywhere: bool = False) -> list[Grip]:
    """Return the ways in which a hand holds a stroke; none where it reaches nowhere.

    Parameters
    ----------
    stroke
        The stroke.
    anywhere
        Also return, at a high cost, what is out of reach.
    """
    found = []
    spans = [_spans(note) for note in stroke.notes if note.fret is not None]
    slid = {note[-1].slid for note in spans if len(note) > 1}
    low, high = 1, LAST_POSITION
    stopped = [fret for note in spans for fret in note[0].frets if fret]
    if stopped and not anywhere:
        low, high = max(low, max(stopped) - REACH - 1), min(high, min(stopped) + 1)
    held = [note[0].frets[0] for note in spans if note[0].frets[0]]
    wide = max(held) - min(held) if held else 0
    for position in range(low, high + 1):
        cost = sum(_written(note, position) for note in stroke.notes)
        picked = [span for note in spans for span in note if not span.slid]
        cost += sum(_holding(span, position) for span in picked)
        if wide > REACH:
            cost += WIDE if wide == REACH + 1 else TOO_FAR
        carried, back = cost, cost + BACK
        for span in (span for note in spans for span in note if span.slid):
            carried += _holding(span, position + span.slid)
            back += _coming_back(span, position)
        if not slid:
            found.append(Grip(position, position, cost))
        else:
            found.append(Grip(position, position, back))
        if len(slid) == 1 and 1 <= position + min(slid) <= LAST_POSITION:
            found.append(Grip(position, position + min(slid), carried))
    return [grip for grip in found if anywhere or grip.cost < TOO_FAR]


def move_cost(before: int, after: int, rest: Fraction = Fraction(0)) -> float:
    """Return what it costs a hand to go from one position to another.

    Parameters
    ----------
    before, after
        Positions.
    rest
        Beats of silence between.
    """
    if before == after:
        return 0.0
    cost = MOVING + PER_FRET * abs(after - before)
    return cost / 2 if rest >= BREATH else cost


def _path(strokes: Sequence[Stroke]) -> list[Grip]:
    """Return the cheapest grips through strokes, by dynamic programming."""
    layers: list[list[tuple[float, Grip, int]]] = []
    for number, stroke in enumerate(strokes):
        before = layers[-1] if layers else []
        rest = max(Fraction(0), stroke.at - strokes[number - 1].end) if number else Fraction(0)
        layer = []
        for grip in grips(stroke) or grips(stroke, anywhere=True):
            cost, origin = min(
                (
                    (cost + move_cost(other.leaves, grip.position, rest), index)
                    for index, (cost, other, _) in enumerate(before)
                ),
                default=(0.0, 0),
            )
            layer.append((cost + grip.cost, grip, origin))
        layers.append(layer)
    path: list[Grip] = []
    index = min(range(len(layers[-1])), key=lambda n: layers[-1][n][0]) if layers else 0
    for layer in reversed(layers):
        _, grip, index = layer[index]
        path.append(grip)
    return path[::-1]


def _spans(note: Note) -> list[_Span]:
    """Return the frets that a note stops, parted at its slides."""
    assert note.fret is not None
    fret, slid = note.fret, 0
    frets, bends = [fret], list[int]()
    spans: list[_Span] = []
    for move in note.moves:
        technique = move.technique
        if technique.takes == "slide" and move.fret is not None:
            spans.append(_Span(slid, tuple(frets), tuple(bends)))
            slid += move.fret - fret
            fret, frets, bends = move.fret, [move.fret], []
        elif technique.takes == "bend":
            bends += [fret] if bend_cents(move, fret) >= BEND_SIZES["1/2"] else []
        elif technique.takes == "fret" and move.fret is not None:
            frets.append(move.fret)
            fret = move.fret if technique.lands else fret
    return [*spans, _Span(slid, tuple(frets), tuple(bends))]


def _holding(span: _Span, position: int) -> float:
    """Return what it costs to hold frets in a position; an open string costs nothing."""
    cost = 0.0
    for fret in filter(None, span.frets):
        above = fret - position
        if not -1 <= above <= REACH + 1:
            cost += TOO_FAR + abs(above)
        elif not 0 <= above <= REACH:
            cost += STRETCHED
        cost += CLUMSY * max(0, above)
    return cost + sum(PUSHING.get(fret - position, TOO_FAR) for fret in span.bends)


def _coming_back(span: _Span, position: int) -> float:
    """Return what frets after a slide cost a hand that belongs where it was."""
    out = max(position - span.frets[0], span.frets[0] - position - REACH, 0)
    if out <= 1:
        return _holding(span, position)
    return _holding(span, position + span.slid) + ASTRAY * (1 + out)


def _written(note: Note, position: int) -> float:
    """Return what it costs to be in a position that a written finger does not speak of."""
    finger = _finger(note)
    if not finger or not note.fret:
        return 0.0
    off = abs(note.fret - position + 1 - finger)
    return OTHER_FINGER if off > 1 else float(off)


def suggest(phrase: Phrase) -> Phrase:
    """Return a phrase in which each note has a stroke and each fretted one a finger.

    What is written stays: a stroke, a finger. Bends of a half or more are given to the third
    finger where it fits. Where four fingers do not reach, no finger is suggested. Variations are
    treated alike.
    """
    beats = phrase.meter.beats
    line = [stroke.moved(bar * beats) for bar, part in phrase.placed() for stroke in part.strokes]
    held = iter(positions(line))
    return replace(
        phrase,
        parts=tuple(_suggested(part, held) for part in phrase.parts),
        variations=tuple((name, suggest(other)) for name, other in phrase.variations),
    )


def _suggested(part: Part, held: Iterator[int]) -> Part:
    strokes = []
    for stroke, picked in zip(part.strokes, _picking(part.strokes), strict=True):
        notes = _fingered(stroke.notes, next(held))
        strokes.append(replace(stroke, notes=tuple(_with(note, [picked]) for note in notes)))
    return replace(part, strokes=tuple(strokes))


def _with(note: Note, words: Iterable[str]) -> Note:
    """Return a note with more marks, each only where none of its kind is written."""
    marks = list(note.marks)
    for word in words:
        if all(word != mark and MARKS[word].kind != _kind(mark) for mark in marks):
            marks.append(word)
    order = list(MARKS)
    marks.sort(key=lambda mark: order.index(mark) if mark in order else len(order))
    return replace(note, marks=tuple(marks))


def _kind(name: str) -> str:
    found = mark(name)
    return found.kind if found else ""


def _finger(note: Note) -> int | None:
    return next((int(mark) for mark in note.marks if mark in FINGER_MARKS), None)


def _fingered(notes: Sequence[Note], position: int) -> list[Note]:
    """Return what is held at once with its fingers; each finger stops one fret only."""
    wanted: dict[int, int] = {}
    for note in notes:
        for span in _spans(note) if note.fret is not None else ():
            for fret in filter(None, span.frets):
                under = fret - span.slid
                finger = min(max(under - position + 1, 1), 4)
                if fret in span.bends and under - position in (2, 3):
                    finger = 3
                    wanted[under] = finger
                wanted.setdefault(under, finger)
    fixed = {note.fret: _finger(note) for note in reversed(notes) if note.fret and _finger(note)}
    frets = sorted(wanted)
    ways = [
        dict(zip(frets, way, strict=True))
        for way in combinations(FINGERS, len(frets))
        if all(fixed.get(fret, finger) == finger for fret, finger in zip(frets, way, strict=True))
    ]
    if not ways:
        return list(notes)
    best = min(ways, key=lambda way: sum(abs(way[fret] - wanted[fret]) for fret in frets))
    return [_with(note, [str(best[note.fret])] if note.fret else []) for note in notes]


def _picking(strokes: Sequence[Stroke]) -> list[str]:
    """Return down or up for each stroke of a part."""
    places: dict[int, set[Fraction]] = {}
    for stroke in strokes:
        places.setdefault(int(stroke.at // 1), set()).add(stroke.at % 1)
    ways: list[str] = []
    for number, stroke in enumerate(strokes):
        written = {mark for note in stroke.notes for mark in note.marks}
        way = next((mark for mark in ("d", "u") if mark in written), None)
        if way is None and written & {"rake", "pm"}:
            way = "d"
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


# The five shapes of the minor pentatonic, string by string from the low one: the first and the
# last fret, above the tonic's fret on the low E string (common practice).
BOXES: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((0, 3), (0, 2), (0, 2), (0, 2), (0, 3), (0, 3)),
    2: ((3, 5), (2, 5), (2, 5), (2, 4), (3, 5), (3, 5)),
    3: ((5, 7), (5, 7), (5, 7), (4, 7), (5, 8), (5, 7)),
    4: ((7, 10), (7, 10), (7, 9), (7, 9), (8, 10), (7, 10)),
    5: ((10, 12), (10, 12), (9, 12), (9, 12), (10, 12), (10, 12)),
}


def box(phrase: Phrase) -> int:
    """Return the position of the pentatonic in which a phrase mostly lies, 1 to 5.

    Position 1 has the minor tonic under the first finger on the low E string. A phrase in a
    major scale is looked at from its relative minor, whose shapes are the same.
    """
    tonic = phrase.key.pitch_class - (3 if phrase.scale.startswith("major") else 0)
    root = (tonic - STANDARD["E"]) % 12
    votes = dict.fromkeys(BOXES, 0)
    for stroke in phrase.strokes():
        for note in stroke.notes:
            for fret in [note.fret, *(move.fret for move in note.moves)]:
                for number, shape in BOXES.items():
                    low, high = shape[STRINGS.index(note.string)]
                    away = None if fret is None else (fret - root - low) % 12
                    votes[number] += away is not None and away <= high - low
    return max(votes, key=lambda number: votes[number])
