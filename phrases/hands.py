"""The left hand where a phrase does not say: one model for single notes, double stops and chords.

Conventions: a position is the fret under the first finger; a hand in position 5 holds frets 5 to
8, one finger to a fret, and stretches to 4 or 9. A slide takes the hand along and keeps its
finger. Fingers are ``1`` to ``4``, as in `phrases.techniques.MARKS`; in numbers 0 is none.

References: common practice, from memory: one finger to a fret; bends by the third finger with
others behind it, and a finger that bends holds no other string; a barre presses what lies between
its strings, too; chords as in `phrases.shapes`. The costs are this project's own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import islice

from phrases.fingering import (
    LAID,
    REACH,
    TOO_FAR,
    coming_back,
    finger_of,
    fingerings,
    holding,
    last_fret,
    laying,
    other_than_written,
    own_finger,
    spans,
    stops,
    taking,
)  # fmt: skip
from phrases.fretboard import LAST_FRET, STRINGS
from phrases.phrase import Part, Phrase, StringNote, Stroke
from phrases.picking import picking
from phrases.shapes import chord_fingers
from phrases.techniques import MARKS, SLIDES, mark

__all__ = [
    "LAST_POSITION", "Grip", "grips", "held", "move_cost", "positions", "suggest",
]  # fmt: skip

LAST_POSITION = LAST_FRET - REACH

# What hands would rather not do.
WIDE = 1.5  # a double stop over five frets
FROM_NUT = {2: 0.3, 3: 0.6}  # near the nut and not at it, beside an open string
BACK = 1.0  # sliding away and coming back
UNUSUAL = 4.0  # a common chord with other fingers than players take
MOVING, PER_FRET = 1.5, 0.4
BREATH = Fraction(1)  # beats of rest in which a hand moves at half the cost
QUICK = Fraction(1, 2)  # beats between picks up to which a finger does not like to jump
HURRIED = 1.3  # times the cost of a move between such picks
ANOTHER = 1.5  # another finger on the note that was just played
HOP = 1.0  # the finger that was just used, at another fret
LET_GO = 8.0  # the finger that slides to the next note
ALIKE = 4.0  # other fingers than where the same notes came before
SAME = 3  # strokes that make a passage


@dataclass(frozen=True, slots=True)
class Grip:
    """One way to hold a stroke."""

    position: int  # the fret under the first finger at the pick
    leaves: int  # the position in which its slides leave the hand
    cost: float  # 0 for what lies under the hand; more for what it would rather not do
    # For each note the finger that stops it at the pick; 0 for an open or a muted string.
    fingers: tuple[int, ...] = ()
    # All fingers that are down, also where the hand hammers on or pulls off.
    used: frozenset[int] = frozenset()


def positions(strokes: Sequence[Stroke]) -> list[int]:
    """Return the hand position at the pick of each stroke, 1 to 21.

    The hand stays where it can; what cannot be reached at all is held as near as can be. Open and
    muted strings leave the hand where it is.
    """
    return [grip.position for grip in _alike(strokes)]


def grips(stroke: Stroke, *, anywhere: bool = False) -> list[Grip]:
    """Return the ways in which a hand holds a stroke; none where it reaches nowhere.

    `anywhere` also returns, at a high cost, what is out of reach.
    """
    best: dict[tuple[int, int], Grip] = {}
    for grip in _every(stroke.notes, anywhere):
        place = grip.position, grip.leaves
        if place not in best or grip.cost < best[place].cost:
            best[place] = grip
    return list(best.values())


@lru_cache(maxsize=4096)
def _every(notes: tuple[StringNote, ...], anywhere: bool = False) -> list[Grip]:
    """Return the grips with each set of fingers that is worth a thought."""
    found: list[Grip] = []
    fretted = [note for note in notes if note.fret is not None]
    held = [spans(note) for note in fretted]
    slid = {note[-1].slid for note in held if len(note) > 1}
    low, high = 1, LAST_POSITION
    stopped = [fret for note in held for fret in note[0].frets if fret]
    if stopped and not anywhere:
        low, high = max(low, max(stopped) - REACH - 1), min(high, min(stopped) + 1)
    picked = [note.fret for note in fretted if note.fret]
    wide = max(picked) - min(picked) if picked else 0
    ways = fingerings(
        stops(notes), [STRINGS.index(note.string) for note in notes if note.fret == 0]
    )
    if not ways and not anywhere:
        return []
    usual = chord_fingers(tuple((note.string, note.fret or 0) for note in fretted))
    for position in range(low, high + 1):
        reach = sum(holding(span, position) for note in held for span in note if not span.slid)
        if wide > REACH:
            reach += WIDE if wide == REACH + 1 else TOO_FAR
        if reach >= TOO_FAR and not anywhere:
            continue
        reach += FROM_NUT.get(position, 0.0) * any(note.fret == 0 for note in notes)
        carried, back = reach, reach + BACK
        for span in (span for note in held for span in note if span.slid):
            carried += holding(span, position + span.slid)
            back += coming_back(span, position)
        for way in ways or [{}]:
            fingers, used = tuple(finger_of(way, note) for note in notes), frozenset(way.values())
            cost = taking(way, position) + laying(way)
            cost += sum(map(other_than_written, notes, fingers))
            cost += UNUSUAL * (usual not in ((), _fretted(notes, fingers)))
            found.append(Grip(position, position, (back if slid else reach) + cost, fingers, used))
            if len(slid) == 1:
                # A hand that leans over when it slides has moved when it arrives.
                leaning = (
                    own_finger(note.fret, position) - own
                    for note, own in zip(notes, fingers, strict=True)
                    if note.fret and own and last_fret(note) != note.fret
                )
                leaves = position + min(slid) + next(leaning, 0)
                if 1 <= leaves <= LAST_POSITION:
                    found.append(Grip(position, leaves, carried + cost, fingers, used))
    return [grip for grip in found if anywhere or grip.cost < TOO_FAR]


def _fretted(notes: Sequence[StringNote], fingers: Sequence[int]) -> tuple[int, ...]:
    """Return the fingers of the notes that are not muted."""
    return tuple(own for note, own in zip(notes, fingers, strict=True) if note.fret is not None)


def move_cost(before: int, after: int, rest: Fraction = Fraction(0)) -> float:
    """Return the cost of a shift between positions in so many beats of silence."""
    if before == after:
        return 0.0
    cost = MOVING + PER_FRET * abs(after - before)
    return cost / 2 if rest >= BREATH else cost


def _alike(
    strokes: Sequence[Stroke], known: dict[object, tuple[int, ...]] | None = None
) -> list[Grip]:
    """Return the grips through strokes, with the same fingers wherever the same notes come.

    `known` has the fingers of passages that came before; those of these strokes are added.
    """
    known = {} if known is None else known
    passages = [_passages(strokes, number) for number in range(len(strokes))]
    liked: dict[int, tuple[int, ...]] = {}
    path: list[Grip] = []
    for _ in range(3):
        path = _path(strokes, liked)
        met, before = dict(known), dict(liked)
        for number, own in enumerate(passages):
            for name, offset in own:
                fingers = met.setdefault((name, offset), path[number].fingers)
                if fingers != path[number].fingers or number in liked:
                    liked.setdefault(number, fingers)
        if liked == before:
            break
    for number, own in enumerate(passages):
        for name, offset in own:
            known.setdefault((name, offset), path[number].fingers)
    return path


def _passages(strokes: Sequence[Stroke], number: int) -> Iterator[tuple[object, int]]:
    """Yield the passages that a stroke is in, each with the stroke's place in it."""
    if sum(bool(note.fret) for note in strokes[number].notes) > 2:
        yield _shape(strokes[number]), 0
    for offset in range(SAME):
        run = strokes[max(0, number - offset) : number - offset + SAME]
        if number >= offset and len(run) == SAME:
            yield tuple(_shape(stroke) for stroke in run), offset


def _shape(stroke: Stroke) -> tuple[object, ...]:
    """Return the hand at a stroke, without its time."""
    return tuple(
        (
            note.string,
            note.fret,
            note.into,
            tuple(
                (move.sign, move.fret, move.size)
                for move in note.moves
                if move.technique.motion != "sway"
            ),
        )
        for note in stroke.notes
    )


def _path(strokes: Sequence[Stroke], liked: Mapping[int, tuple[int, ...]]) -> list[Grip]:
    """Return the cheapest grips through strokes, some of `liked` fingers: dynamic programming."""
    layers: list[list[tuple[float, Grip, int]]] = []
    for number, stroke in enumerate(strokes):
        before = layers[-1] if layers else []
        layer = []
        ranked = sorted((one[0], index) for index, one in enumerate(before))
        going = _Going(strokes[number - 1], stroke) if number else None
        for grip in _every(stroke.notes) or _every(stroke.notes, True):
            cost, origin = (math.inf, 0) if before else (0.0, 0)
            for so_far, index in ranked:
                if so_far > cost:  # moving the hand costs nothing at least
                    break
                assert going is not None
                way = so_far + going.cost(before[index][1], grip)
                cost, origin = min((cost, origin), (way, index))
            if liked.get(number, grip.fingers) != grip.fingers:
                cost += ALIKE
            layer.append((cost + grip.cost, grip, origin))
        layers.append(layer)
    path: list[Grip] = []
    index = min(range(len(layers[-1])), key=lambda n: layers[-1][n][0]) if layers else 0
    for layer in reversed(layers):
        _, grip, index = layer[index]
        path.append(grip)
    return path[::-1]


class _Going:
    """From one stroke to the next: what it costs the hand to change its grip."""

    def __init__(self, before: Stroke, after: Stroke) -> None:
        rest = max(Fraction(0), after.at - before.end)
        self.rests, self.breathes = rest > 0, rest >= BREATH
        self.quick = after.at - before.at <= QUICK
        hurry = HURRIED if self.quick else 1.0
        # What it costs to move by so many frets.
        self.moves = [hurry * move_cost(0, frets, rest) for frets in range(LAST_POSITION + 1)]
        # Of each pair of notes: numbers, whether it is one string, how many frets lie between,
        # whether the first slides to the second, and whether it rings on.
        self.pairs: list[tuple[int, int, bool, int, bool, bool]] = []
        for one, note in enumerate(before.notes):
            for two, other in enumerate(after.notes):
                if note.fret and other.fret:
                    last = last_fret(note)
                    slides = bool(
                        note.string == other.string
                        and not self.rests
                        and note.moves
                        and note.moves[-1].fret is None
                        and note.moves[-1].sign in SLIDES
                        and (other.fret - last) * note.moves[-1].technique.way > 0
                    )
                    same = note.string == other.string
                    rings = "ring" in note.marks and not same
                    self.pairs.append((one, two, same, other.fret - last, slides, rings))

    def cost(self, before: Grip, after: Grip) -> float:
        moved = after.position - before.leaves
        cost = 0.0
        carried = False
        for one, two, same, frets, slides, rings in self.pairs:
            equal = before.fingers[one] == after.fingers[two] != 0
            if slides:
                cost += 0.0 if equal else LET_GO
                carried |= equal and moved == frets
            elif same and frets == 0:
                cost += 0.0 if equal or self.breathes else ANOTHER
            elif equal and not frets and self.quick:
                cost += LAID[after.fingers[two]]
            elif equal and frets and frets != moved and not self.rests:
                cost += HOP if same or self.quick or rings else HOP / 4
        if moved and not carried:
            cost += self.moves[abs(moved)]
        return cost


def suggest(phrase: Phrase) -> Phrase:
    """Return a phrase in which each note has a stroke and each fretted one a finger.

    What is written stays: a stroke, a finger. Where no hand reaches, no finger is suggested.
    Variations are treated alike, and what they have in common with the phrase as it is there.
    """
    return _suggested(phrase, {})


def held(phrase: Phrase) -> list[list[Grip]]:
    """Return, for each part of a phrase, the grip of each stroke, as `suggest` has it."""
    return _held(phrase, {})


def _held(phrase: Phrase, known: dict[object, tuple[int, ...]]) -> list[list[Grip]]:
    beats = phrase.meter.beats
    line = [stroke.moved(bar * beats) for bar, part in phrase.placed() for stroke in part.strokes]
    path = iter(_alike(line, known))
    return [list(islice(path, len(part.strokes))) for part in phrase.parts]


def _suggested(phrase: Phrase, known: dict[object, tuple[int, ...]]) -> Phrase:
    return replace(
        phrase,
        parts=tuple(map(_marked, phrase.parts, _held(phrase, known))),
        variations=tuple((name, _suggested(other, known)) for name, other in phrase.variations),
    )


def _marked(part: Part, grips: Iterable[Grip]) -> Part:
    strokes = []
    for stroke, grip, picked in zip(part.strokes, grips, picking(part.strokes), strict=True):
        notes = (
            _with(note, [*filter(None, [picked]), *([str(finger)] if finger else [])])
            for note, finger in zip(stroke.notes, grip.fingers, strict=True)
        )
        strokes.append(replace(stroke, notes=tuple(notes)))
    return replace(part, strokes=tuple(strokes))


def _with(note: StringNote, words: Iterable[str]) -> StringNote:
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
