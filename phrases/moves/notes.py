"""Moves that change which notes are played, under the same rhythm or nearly.

Conventions: each function takes a `Subject` and a source of chance, and returns a new phrase or
raises `MisfitError`. What two parts share they change in both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from random import Random

from phrases.moves.subject import MisfitError, PartStroke, Subject, any_of
from phrases.phrase import Phrase, StringNote, Stroke
from phrases.roles import chord_roles

__all__ = [
    "another_question", "approached", "backwards", "end_to", "fewer", "home_on_third", "more",
    "other_notes", "over", "passing", "pickup", "same_again", "steps", "upside_down",
]  # fmt: skip

Key = tuple[Fraction, tuple[StringNote, ...]]


def _shared(make: Callable[[PartStroke], int | None]) -> Callable[[PartStroke], int | None]:
    """Return a function that answers alike for spots that two parts share."""
    known: dict[Key, int | None] = {}

    def pitch(spot: PartStroke) -> int | None:
        key = (spot.at, spot.stroke.notes)
        if key not in known:
            known[key] = make(spot)
        return known[key]

    return pitch


def _body(spot: PartStroke) -> int:
    """Return the pitch of a spot that may be changed."""
    assert spot.pitch is not None
    return spot.pitch


def other_notes(line: Subject, choose: Random) -> Phrase:
    """Put other notes of the scale under the rhythm; each part ends as it did."""

    def pitch(spot: PartStroke) -> int | None:
        return None if spot.last else line.step(_body(spot), choose.choice((-2, -1, 1, 1, 2, 0)))

    return line.repitched(_shared(pitch), where_it_can=True)


def steps(line: Subject, choose: Random, count: int) -> Phrase:
    """Play all but the ends some steps of the scale away."""
    return line.repitched(lambda spot: None if spot.last else line.step(_body(spot), count))


def upside_down(line: Subject, choose: Random) -> Phrase:
    """Turn ups into downs about the first note, step for step in the scale."""
    if len(line.body) < 3:
        raise MisfitError
    first = line.body[0].pitch
    assert first is not None
    near = min(line.pitches, key=lambda p: abs(p - first))
    axis = line.pitches.index(near)

    def pitch(spot: PartStroke) -> int | None:
        if spot.last:
            return None
        own = min(line.pitches, key=lambda p: abs(p - _body(spot)))
        there = 2 * axis - line.pitches.index(own)
        if not 0 <= there < len(line.pitches):
            raise MisfitError
        return line.pitches[there]

    return line.repitched(pitch)


def backwards(line: Subject, choose: Random) -> Phrase:
    """Play the pitches before each last note from the last of them to the first."""
    there = {}
    for number in range(len(line.phrase.parts)):
        own = [spot for spot in line.body if spot.part == number]
        for spot, other in zip(own, reversed(own), strict=True):
            there[spot.place] = other.pitch
    if len(there) < 3:
        raise MisfitError
    return line.repitched(lambda spot: there.get(spot.place))


def end_to(line: Subject, choose: Random, way: int) -> Phrase:
    """Answer with the next home tone above or below."""
    edits = {}
    for spot in line.answers:
        own = _body(spot)
        ends = [p for p in line.pitches if p % 12 in line.home and 0 < (p - own) * way <= 12]
        edits[spot.place] = [_first(line, spot, sorted(ends, key=lambda p: abs(p - own)))]
    return line.changed(edits)


def _first(line: Subject, spot: PartStroke, pitches: list[int]) -> Stroke:
    """Return a spot's stroke at the first of some pitches that lies under the hand."""
    for pitch in pitches:
        try:
            return line.put(spot, pitch)
        except MisfitError:
            continue
    raise MisfitError


def home_on_third(line: Subject, choose: Random) -> Phrase:
    """Come home to the third where it was the root, or to the root where it was the third."""
    edits = {}
    for spot in line.answers:
        own = _body(spot)
        wanted = {line.root} if own % 12 in line.thirds else line.thirds
        near = [p for p in line.pitches if p % 12 in wanted and 0 < abs(p - own) <= 9]
        edits[spot.place] = [_first(line, spot, sorted(near, key=lambda p: abs(p - own)))]
    return line.changed(edits)


def another_question(line: Subject, choose: Random) -> Phrase:
    """Stop the call on another open note."""
    edits = {}
    for spot in line.spots:
        if spot.last and spot.role == "call" and spot.pitch is not None:
            own = spot.pitch
            near = [p for p in line.pitches if 0 < abs(p - own) <= 7 and p % 12 not in line.home]
            choose.shuffle(near)
            edits[spot.place] = [_first(line, spot, near)]
    return line.changed(edits)


def over(line: Subject, choose: Random, degree: int, members: tuple[str, ...]) -> Phrase:
    """Land on tones of another chord: each long or last note that is none goes to the nearest."""
    minor = line.phrase.key.mode == "minor" and degree == 5
    roles = chord_roles((line.root + degree) % 12, ("1", "b3", "5", "b7") if minor else members)

    def pitch(spot: PartStroke) -> int | None:
        own = _body(spot)
        if not spot.last and spot.beats < 1:
            return None
        called = spot.last and spot.role == "call"
        wanted = {pc for pc, role in roles.items() if not (called and role == "root")}
        if spot.last and spot.role == "response":
            home = {pc for pc, role in roles.items() if role in ("root", "third")}
            # The key's root is at rest over the IV, whose fifth it is.
            wanted = home | ({line.root} & roles.keys())
        if own % 12 in wanted:
            return None
        near = [p for p in line.pitches if p % 12 in wanted]
        return min(near, key=lambda p: (abs(p - own), p), default=None)

    changed = line.repitched(pitch)
    if any(spot.last and pitch(spot) for spot in Subject(changed).spots if spot.pitch):
        raise MisfitError
    return changed


def fewer(line: Subject, choose: Random) -> Phrase:
    """Leave one note out; what was before it may ring on."""

    def may_go(spot: PartStroke) -> bool:
        before = next((s for s in line.spots if s.place == (spot.part, spot.number - 1)), None)
        leads = before is not None and any(
            move.fret is None and move.technique.takes == "slide" for move in before.note.moves
        )
        return spot.number > 0 and not leads

    light = [spot for spot in line.body if may_go(spot) and spot.beats <= 1]
    spot = any_of(choose, light or [spot for spot in line.body if may_go(spot)])
    rings = choose.random() < 0.5
    edits: dict[tuple[int, int], list[Stroke]] = {}
    for one in line.alike(spot):
        if not may_go(one):
            continue
        edits[one.place] = []
        before = line.phrase.parts[one.part].strokes[one.number - 1]
        if rings and before.end == one.at:
            edits[one.part, one.number - 1] = [replace(before, end=one.stroke.end)]
    return line.changed(edits)


def _rooms(line: Subject, wanted: Fraction) -> list[tuple[PartStroke, PartStroke]]:
    """Return pairs of neighbours with so many beats between them, room for one note more."""
    return [
        (spot, after)
        for spot in line.body
        if (after := line.after(spot)) and after.pitch and after.at - spot.at >= wanted
        if all(move.at is None for note in spot.stroke.notes for move in note.moves)
    ]


def _added(
    line: Subject,
    choose: Random,
    rooms: list[tuple[PartStroke, PartStroke]],
    make: Callable[[PartStroke, PartStroke], tuple[Fraction, StringNote]],
) -> Phrase:
    """Put one note between two, wherever they come alike."""
    spot, after = any_of(choose, rooms)
    at, note = make(spot, after)
    edits = {}
    for one in line.alike(spot):
        then = line.after(one)
        if then is not None and (one, then) in rooms and at < then.at:
            marks = tuple(mark for mark in one.note.marks if mark != "ring")
            both = one.stroke.notes
            notes = both if len(both) > 1 else (replace(both[0], marks=marks),)
            cut = replace(one.stroke, notes=notes, end=min(one.stroke.end, at))
            edits[one.place] = [cut, Stroke(at, then.at, (note,))]
    return line.changed(edits)


def _before(line: Subject, after: PartStroke) -> Fraction:
    """Return the last count before a spot that is not on its beat."""
    return after.at - line.unit if after.at % 1 != line.off else after.at - line.off


def more(line: Subject, choose: Random) -> Phrase:
    """Put a neighbour in the scale just before a note that has room before it."""

    def make(spot: PartStroke, after: PartStroke) -> tuple[Fraction, StringNote]:
        pitch = line.step(_body(after), choose.choice((-1, 1)))
        return _before(line, after), line.place(pitch, line.hand(after))

    return _added(line, choose, _rooms(line, Fraction(1)), make)


def passing(line: Subject, choose: Random) -> Phrase:
    """Put the note of the scale that lies between two notes between them."""

    def between(spot: PartStroke, after: PartStroke) -> list[int]:
        low, high = sorted((_body(spot), _body(after)))
        return [p for p in line.pitches if low < p < high]

    def make(spot: PartStroke, after: PartStroke) -> tuple[Fraction, StringNote]:
        return _before(line, after), line.place(
            choose.choice(between(spot, after)), line.hand(after)
        )

    rooms = [pair for pair in _rooms(line, 2 * line.unit) if 1 <= len(between(*pair)) <= 2]
    return _added(line, choose, rooms, make)


def approached(line: Subject, choose: Random) -> Phrase:
    """Pick the half step below a note just before it, on its string."""

    def make(spot: PartStroke, after: PartStroke) -> tuple[Fraction, StringNote]:
        assert after.note.fret is not None
        return _before(line, after), StringNote(after.note.string, after.note.fret - 1)

    rooms = [
        (spot, after)
        for spot, after in _rooms(line, Fraction(1))
        if after.plain and after.note.fret and after.note.fret > 1
        and spot.note.string != after.note.string
    ]  # fmt: skip
    return _added(line, choose, rooms, make)


def pickup(line: Subject, choose: Random) -> Phrase:
    """Lead into each part that has no pickup with two notes of the scale."""
    parts = list(line.phrase.parts)
    way = choose.choice((-1, 1))
    for number, part in enumerate(parts):
        first = next(spot for spot in line.spots if spot.part == number)
        if first.at < 0 or first.pitch is None or first.at >= 1:
            continue
        new = []
        start = first.at - 1
        for count, at in ((2, start), (1, start + line.off)):
            note = line.place(line.step(first.pitch, way * count), line.hand(first))
            new.append(Stroke(at, first.at if count == 1 else start + line.off, (note,)))
        parts[number] = line.part(part, [*new, *part.strokes])
    if parts == list(line.phrase.parts):
        raise MisfitError
    return line.whole(parts)


def same_again(line: Subject, choose: Random) -> Phrase:
    """Play the first bar's figure again in the next bar, before the end that was there."""
    parts = list(line.phrase.parts)
    for number, part in enumerate(parts):
        figure = [s for s in part.strokes if 0 <= s.at < line.beats]
        last = part.strokes[-1]
        keep = [s for s in part.strokes if s.at < line.beats or s is last]
        again = [s.moved(line.beats) for s in figure if s.at + line.beats < last.at]
        if part.bars > 1 and last.at >= line.beats and len(again) > 1:
            parts[number] = line.part(part, [*keep, *again])
    if parts == list(line.phrase.parts):
        raise MisfitError
    return line.whole(parts)
