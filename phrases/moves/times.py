"""Moves that change when the notes come; conventions as in `phrases.moves.notes`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from random import Random

from phrases.moves.subject import MisfitError, PartStroke, Subject, any_of
from phrases.phrase import Phrase, StringNote, Stroke

__all__ = [
    "delayed", "evened", "held", "no_pickup", "on_the_beat", "pushed", "scaled", "shifted",
    "stopped", "thirds_of_a_beat", "twice",
]  # fmt: skip


def shifted(line: Subject, choose: Random, units: int) -> Phrase:
    """Move all by some steps of half a beat, in 12/8 of a third."""
    by = line.unit * units if abs(units) == 1 else Fraction(units // 2)
    parts = []
    for part in line.phrase.parts:
        moved = [stroke.moved(by) for stroke in part.strokes]
        end = Fraction(part.bars * line.beats)
        if end - moved[-1].at < min(part.strokes[-1].end - part.strokes[-1].at, Fraction(1)):
            raise MisfitError
        parts.append(line.part(part, [_within(s, end) for s in moved]))
    return line.whole(parts)


def _within(stroke: Stroke, end: Fraction) -> Stroke:
    """Return a stroke that ends with its bars; what the hand does later is left out."""
    notes = tuple(
        replace(n, moves=tuple(m for m in n.moves if m.at is None or m.at < end))
        for n in stroke.notes
    )
    return replace(stroke, end=min(stroke.end, end), notes=notes)


def scaled(line: Subject, choose: Random, factor: Fraction) -> Phrase:
    """Play all in another measure, twice as fast or twice as slow, within the same bars."""

    def scale(note: StringNote) -> StringNote:
        moves = (m if m.at is None else replace(m, at=m.at * factor) for m in note.moves)
        return replace(note, moves=tuple(moves))

    parts = []
    for part in line.phrase.parts:
        end = Fraction(part.bars * line.beats)
        if factor < 1 and part.strokes[-1].at < 1:
            raise MisfitError
        new = [
            Stroke(s.at * factor, min(end, s.end * factor), s.mapped(scale).notes)
            for s in part.strokes
        ]
        parts.append(line.part(part, new))
    return line.whole(parts)


def twice(line: Subject, choose: Random) -> Phrase:
    """Say a long note twice."""
    spot = any_of(choose, [s for s in line.body if s.plain and s.beats >= 1])
    edits = {}
    for one in line.alike(spot):
        if one.beats >= 1:
            at = one.at + line.off
            quiet = replace(one.note, moves=())
            edits[one.place] = [
                replace(one.stroke, end=at, notes=(quiet,)),
                replace(one.stroke, at=at),
            ]
    return line.changed(edits)


def thirds_of_a_beat(line: Subject, choose: Random) -> Phrase:
    """Put three even notes where a beat had two: the new one lies between them or repeats."""
    third, pairs = Fraction(1, 3), []
    second = line.off if line.unit == third else line.unit
    for spot in line.body:
        after = line.after(spot)
        if after is None or after.at != spot.at + second or spot.at % 1 or not spot.plain:
            continue
        if after.single and all(m.at is None for m in after.note.moves):
            pairs.append((spot, after))
    spot, after = any_of(choose, pairs)
    edits: dict[tuple[int, int], list[Stroke]] = {}
    assert spot.pitch is not None
    assert after.pitch is not None
    low, high = sorted((spot.pitch, after.pitch))
    pitch = next((p for p in line.pitches if low < p < high), spot.pitch)
    middle = line.place(pitch, line.hand(spot))
    if pitch == spot.pitch:
        middle = replace(spot.note, moves=())
    for one in line.alike(spot):
        then = line.after(one)
        if then is None or (one, then) not in pairs:
            continue
        first, at = replace(one.stroke, end=one.at + third), one.at + third
        last = replace(then.stroke, at=one.at + 2 * third)
        edits[one.place] = [first, Stroke(at, last.at, (middle,))]
        edits[then.place] = [last]
    return line.changed(edits)


def evened(line: Subject, choose: Random) -> Phrase:
    """Put two even notes where a beat had three: the middle one goes."""
    third, half = Fraction(1, 3), Fraction(1, 2)
    threes = []
    for spot in line.body:
        middle = line.after(spot)
        last = middle and line.after(middle)
        if middle is None or last is None or spot.at % 1:
            continue
        if (middle.at - spot.at, last.at - spot.at) == (third, 2 * third):
            threes.append((spot, middle, last))
    edits: dict[tuple[int, int], list[Stroke]] = {}
    for spot, middle, last in threes:
        at = spot.at + half
        edits[spot.place] = [replace(spot.stroke, end=at)]
        edits[middle.place] = []
        edits[last.place] = [replace(last.stroke, at=at)]
    return line.changed(edits)


def pushed(line: Subject, choose: Random) -> Phrase:
    """Let a long note on a beat come just before it."""

    def may(spot: PartStroke) -> bool:
        before = [s for s in line.spots if s.place == (spot.part, spot.number - 1)]
        room = bool(before) and before[0].at < spot.at - line.unit
        return spot.at % 1 == 0 and spot.beats >= 1 and room

    return _moved(line, choose, -line.unit, may)


def delayed(line: Subject, choose: Random) -> Phrase:
    """Let a long note on a beat wait until that is half over."""
    return _moved(line, choose, line.off, lambda s: s.at % 1 == 0 and s.beats >= Fraction(3, 2))


def _moved(
    line: Subject, choose: Random, by: Fraction, may: Callable[[PartStroke], bool]
) -> Phrase:
    """Let a note, and those that are like it, begin at another time and end as it did."""
    spot = any_of(choose, [s for s in line.spots if s.pitch is not None and may(s)])
    return line.changed(
        {s.place: [replace(s.stroke, at=s.at + by)] for s in line.alike(spot) if may(s)}
    )


def no_pickup(line: Subject, choose: Random) -> Phrase:
    """Begin with the bar."""
    edits: dict[tuple[int, int], list[Stroke]] = {s.place: [] for s in line.spots if s.at < 0}
    return line.changed(edits)


def held(line: Subject, choose: Random) -> Phrase:
    """Hold the last notes as long as there is room."""
    edits = {}
    following = [*line.phrase.parts[1:], line.phrase.parts[0]]
    for spot in (s for s in line.spots if s.last and s.pitch is not None):
        room = line.phrase.parts[spot.part].bars * line.beats - following[spot.part].pickup
        if room >= spot.stroke.end + line.unit:
            edits[spot.place] = [replace(spot.stroke, end=Fraction(room))]
    return line.changed(edits)


def stopped(line: Subject, choose: Random) -> Phrase:
    """Stop the last notes at once."""
    edits = {}
    for spot in (s for s in line.spots if s.last and s.plain and s.beats > line.unit):
        notes = (replace(spot.note, moves=()),)
        edits[spot.place] = [replace(spot.stroke, end=spot.at + line.unit, notes=notes)]
    return line.changed(edits)


def on_the_beat(line: Subject, choose: Random) -> Phrase:
    """Leave only the notes on the beat, and the last ones."""
    edits: dict[tuple[int, int], list[Stroke]] = {}
    for spot in line.body:
        leads = any(m.fret is None and m.technique.takes == "slide" for m in spot.note.moves)
        if spot.at % 1 and spot.number:
            edits[spot.place] = []
        elif leads:
            raise MisfitError
    if len(edits) == len(line.body):
        raise MisfitError
    return line.changed(edits)


def muted_before(line: Subject, choose: Random) -> Phrase:
    """Hit the muted string just before strong notes that have room before them."""
    edits = {}
    for spot in line.body:
        after = line.after(spot)
        if after is None or after.at % 1 or after.pitch is None:
            continue
        at = after.at - line.unit
        if at > spot.at and (at >= spot.stroke.end or (at - spot.at >= 1 and spot.plain)):
            click = Stroke(at, after.at, (StringNote(after.note.string, None),))
            edits[spot.place] = [replace(spot.stroke, end=min(spot.stroke.end, at)), click]
    return line.changed(edits)
