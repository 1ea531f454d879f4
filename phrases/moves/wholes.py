"""Moves on the phrase as a whole: its form, its place on the neck, its level.

Conventions as in `phrases.moves.notes`. How much slower and faster is this project's own choice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from random import Random

from phrases.errors import RangeError
from phrases.moves import notes, times, touches
from phrases.moves.subject import MisfitError, PartStroke, Subject
from phrases.phrase import Move, Phrase, StringNote, Stroke, bend_cents
from phrases.refinger import POSITIONS, refinger
from phrases.transpose import HIGHEST, all_frets, moved_note

__all__ = ["easier", "elsewhere", "exchanged", "harder", "laid_back", "octave", "shaded"]

SLOWER, FASTER = Fraction(17, 20), Fraction(11, 10)
LOWEST, HIGHEST_TEMPO = 30, 240
TRIED = 5  # positions that are looked into
HARD_MARKS = ("tremolo", "rake", "pinch", "hammered", "slow", "supported", "1", "2", "3", "4")


def exchanged(line: Subject, choose: Random) -> Phrase:
    """Let the call play the response and the response the call, each with an end of its own."""
    parts = list(line.phrase.parts)
    calls = [n for n, part in enumerate(parts) if part.role == "call"]
    answers = [n for n, part in enumerate(parts) if part.role == "response"]
    if not calls or len(calls) != len(answers):
        raise MisfitError
    for call, answer in zip(calls, answers, strict=True):
        one, other = parts[call], parts[answer]
        parts[call] = replace(other, role="call", drag=Fraction(0))
        parts[answer] = replace(one, role="response", drag=other.drag)
    swapped = Subject(line.whole(parts))
    edits = {}
    for spot in swapped.spots:
        if not spot.last or spot.pitch is None:
            continue
        at_home = spot.pitch % 12 in line.home
        if spot.role in ("call", "response") and at_home == (spot.role == "call"):
            edits[spot.place] = [_ended(swapped, spot, home=spot.role == "response")]
    return swapped.changed(edits) if edits else swapped.phrase


def _ended(line: Subject, spot: PartStroke, *, home: bool) -> Stroke:
    """Return a last stroke on the nearest pitch that is at home, or that is not."""
    own = spot.pitch or 0
    for pitch in sorted(line.pitches, key=lambda p: (abs(p - own), p)):
        if pitch != own and (pitch % 12 in line.home) == home:
            try:
                return line.put(spot, pitch)
            except MisfitError:
                continue
    raise MisfitError


def elsewhere(line: Subject, choose: Random) -> Phrase:
    """Finger it in another position: the same pitches on other strings."""
    bare = replace(line.phrase, variations=(), tips=())
    here = {line.hand(spot) for spot in line.spots}
    places = [n for n in range(POSITIONS[0] + 1, POSITIONS[1] + 1) if n not in here]
    places.sort(key=lambda n: min(abs(n - one) for one in here))
    places = places[:8]
    choose.shuffle(places)
    for position in places[:TRIED]:
        try:
            return refinger(bare, position)
        except RangeError:
            continue
    raise MisfitError


def octave(line: Subject, choose: Random) -> Phrase:
    """Play the same shape twelve frets away."""
    frets = [fret for fret in all_frets(replace(line.phrase, variations=())) if fret]
    for by in choose.sample((-12, 12), 2):
        if not line.open and frets and min(frets) + by >= 1 and max(frets) + by <= HIGHEST:
            harmonic = any("harmonic" in n.marks for s in line.spots for n in s.stroke.notes)
            if not harmonic:
                shift = partial(moved_note, move=by)
                return line.whole([part.mapped(shift) for part in line.phrase.parts])
    raise MisfitError


def laid_back(line: Subject, choose: Random) -> Phrase:
    """Lie behind the beat as players do."""
    if line.phrase.behind is None:
        raise MisfitError
    return line.whole(line.phrase.parts, behind=None)


def shaded(line: Subject, choose: Random) -> Phrase:
    """Let the call rise and the response fade, or each part swell."""
    words = choose.choice(({"call": "rise", "response": "fall"}, {}))
    parts = [
        replace(p, dynamics=words.get(p.role, "swell")) if len(p.strokes) > 2 else p
        for p in line.phrase.parts
    ]
    return line.whole(parts)


def easier(line: Subject, choose: Random) -> Phrase:
    """Take out bends, trills and sixteenths, and slow down."""
    parts = []
    for part in line.phrase.parts:
        strokes = []
        for number, stroke in enumerate(part.strokes):
            last = number + 1 == len(part.strokes)
            if stroke.at % 1 not in (Fraction(1, 4), Fraction(3, 4)) or last:
                notes = tuple(map(_easy, stroke.notes))
                bent = [n for n in stroke.notes if any(m.technique.bending for m in n.moves)]
                strokes.append(replace(stroke, notes=notes[-1:] if bent else notes))
        parts.append(line.part(part, strokes))
    slower = max(LOWEST, round(line.phrase.tempo * SLOWER))
    if slower >= line.phrase.tempo:
        raise MisfitError
    return line.whole(parts, tempo=Fraction(slower))


def _easy(note: StringNote) -> StringNote:
    """Return a note at the pitch to which it is bent, or slid to and from it."""
    if note.fret is None:
        return note
    marks = tuple(mark for mark in note.marks if mark not in HARD_MARKS)
    moves = [m for m in note.moves if not m.technique.stays or m.technique.motion == "sway"]
    moves = [Move("~") if m.technique.motion == "sway" and m.sign != "~" else m for m in moves]
    bare = replace(note, moves=tuple(moves), marks=marks)
    bends = [bend_cents(m, note.fret) for m in moves if m.technique.bending]
    if any(cents % 100 for cents in bends):
        still = tuple(m for m in moves if not m.technique.bending)
        return replace(bare, moves=still) if max(bends) < 100 else note
    slid = touches.slid(bare)
    first, *more = slid.moves or (Move("~"),)
    bent = bool(note.moves) and note.moves[0].technique.bending == "bend"
    if bent and first.at is None and first.fret is not None:
        return replace(slid, fret=first.fret, moves=tuple(more))
    return slid


def harder(line: Subject, choose: Random) -> Phrase:
    """Add to it twice, and play it faster."""
    ways: Sequence[Callable[[Subject, Random], Phrase]] = (
        notes.more, touches.bent_up, times.thirds_of_a_beat, touches.trilled, notes.passing,
        touches.unison_bend, touches.joined, partial(notes.other_notes),
    )  # fmt: skip
    done, made = 0, line.phrase
    for way in choose.sample(ways, len(ways)):
        try:
            made = way(Subject(made), choose)
        except MisfitError:
            continue
        done += 1
        if done == 2:
            faster = min(HIGHEST_TEMPO, round(line.phrase.tempo * FASTER))
            return line.whole(made.parts, tempo=Fraction(faster))
    raise MisfitError
