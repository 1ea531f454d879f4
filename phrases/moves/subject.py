"""A phrase as one looks at it before it is varied: note by note, with its scale and its hand.

Conventions: a spot is one stroke of one part; its pitch is where its highest note settles, after
bends, slides and hammer-ons. Notes that two parts have in common are changed in both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from random import Random
from typing import TypeVar

from phrases.counting import PLACES
from phrases.fingering import FINGER_MARKS, REACH
from phrases.fretboard import STANDARD, STRINGS
from phrases.hands import positions
from phrases.phrase import Part, Phrase, StringNote, Stroke, bend_cents
from phrases.pitch import SCALES, scale_pitch_classes
from phrases.roles import TRILLS, aims, chord_roles
from phrases.transpose import HIGHEST, bend_fault, moved_note

__all__ = [
    "MisfitError", "PartStroke", "Subject", "any_of", "own_scale", "pitch_classes", "settled",
    "tonic_chord",
]  # fmt: skip

ONLY_HERE = ("harmonic", "pinch", "rake", "hammered", *FINGER_MARKS)  # marks bound to their fret
T = TypeVar("T")


class MisfitError(Exception):
    """A phrase has not what a move needs."""


def any_of(choose: Random, items: Iterable[T]) -> T:
    """Return one of some items by chance; none is a `MisfitError`."""
    every = list(items)
    if not every:
        raise MisfitError
    return every[choose.randrange(len(every))]


def settled(note: StringNote, at: Fraction) -> float | None:
    """Return the MIDI pitch on which a note comes to rest; None for a muted string."""
    heard = [aim.pitch for aim in aims(note, at) if not aim.how.startswith(TRILLS)]
    return heard[-1] if heard else None


def pitch_classes(phrase: Phrase) -> frozenset[int]:
    """Return the pitch classes that a phrase's notes aim at, from 0 to 11."""
    return frozenset(
        int(aim.pitch) % 12
        for part in phrase.parts
        for stroke in part.strokes
        for note in stroke.notes
        for aim in aims(note, stroke.at)
        if aim.pitch is not None and not aim.pitch % 1
    )


def own_scale(phrase: Phrase) -> frozenset[int]:
    """Return the pitch classes of a phrase's scale; where it names none, of one that holds it."""
    if phrase.scale:
        return scale_pitch_classes(phrase.key.tonic, phrase.scale)
    heard = pitch_classes(phrase)
    known = [scale_pitch_classes(phrase.key.tonic, name) for name in SCALES]
    return min((one for one in known if heard <= one), key=len, default=heard)


def tonic_chord(phrase: Phrase) -> dict[int, str]:
    """Return the roles of pitch classes in the chord of the one: a seventh, minor or not."""
    third = "b3" if phrase.key.mode == "minor" else "3"
    return chord_roles(phrase.key.pitch_class, ("1", third, "5", "b7"))


@dataclass(frozen=True, slots=True)
class PartStroke:
    """One stroke of a part."""

    part: int  # and `number`: which part, and which of its strokes, from 0
    number: int
    role: str  # the part's
    stroke: Stroke  # in beats of its part
    # `note` and `pitch`: its highest note and the MIDI pitch on which that settles; None where all
    # is muted.
    note: StringNote
    pitch: int | None
    last: bool  # whether it is the part's last

    @property
    def at(self) -> Fraction:
        """Its beat in the part."""
        return self.stroke.at

    @property
    def beats(self) -> Fraction:
        """How long it rings."""
        return self.stroke.end - self.stroke.at

    @property
    def place(self) -> tuple[int, int]:
        """Its part and number."""
        return self.part, self.number

    @property
    def single(self) -> bool:
        """Whether it is one pressed note."""
        return len(self.stroke.notes) == 1 and bool(self.note.fret)

    @property
    def plain(self) -> bool:
        """Whether it is one pressed and picked note that does nothing but tremble."""
        note = self.note
        still = all(m.technique.motion == "sway" and m.at is None for m in note.moves)
        special = {"harmonic", "pinch", "hammered", "tremolo"} & set(note.marks)
        return self.single and still and not note.into and not special


Edits = Mapping[tuple[int, int], Sequence[Stroke]]


class Subject:
    """A phrase to be varied."""

    def __init__(self, phrase: Phrase) -> None:
        self.phrase = phrase
        self.beats, self.tuned = phrase.meter.beats, phrase.tuned
        triple = phrase.meter.denominator == 8
        # An eighth, and where in a beat its last one stands.
        self.unit = Fraction(1, 3) if triple else Fraction(1, 2)
        self.off = 1 - self.unit
        self.scale = own_scale(phrase)
        self.root = phrase.key.pitch_class
        roles = tonic_chord(phrase)
        self.thirds = {pc for pc, role in roles.items() if role == "third"} & self.scale
        self.home = {self.root} | self.thirds
        # What has a word of its own, and what the phrase has besides.
        counts = [at for p in phrase.parts for stroke in p.strokes for at in stroke.counts]
        self.counted = {*PLACES.values(), *(at % 1 for at in counts)}
        self.pitches = [pitch for pitch in range(40, 88) if pitch % 12 in self.scale]

    @cached_property
    def spots(self) -> list[PartStroke]:
        """Every stroke, in order."""
        found = []
        for number, part in enumerate(self.phrase.parts):
            for n, stroke in enumerate(part.strokes):
                heard = [(settled(note, stroke.at), note) for note in stroke.notes]
                pitch, note = max(heard, key=lambda one: -1 if one[0] is None else one[0])
                whole = None if pitch is None else round(pitch - 0.25)  # a curl leans on its note
                last = n + 1 == len(part.strokes)
                found.append(PartStroke(number, n, part.role, stroke, note, whole, last))
        return found

    @cached_property
    def _hands(self) -> dict[tuple[int, int], int]:
        placed = self.phrase.placed()
        line = [s.moved(bar * self.beats) for bar, part in placed for s in part.strokes]
        return dict(zip([spot.place for spot in self.spots], positions(line), strict=True))

    def hand(self, spot: PartStroke) -> int:
        """Return the fret under the first finger at a spot."""
        return self._hands[spot.place]

    @cached_property
    def open(self) -> bool:
        """Whether open strings are played."""
        return any(note.fret == 0 for spot in self.spots for note in spot.stroke.notes)

    @property
    def body(self) -> list[PartStroke]:
        """All notes but the last of each part."""
        return [spot for spot in self.spots if not spot.last and spot.pitch is not None]

    @property
    def answers(self) -> list[PartStroke]:
        """The last notes of what answers: of responses, else of the phrase."""
        lasts = [spot for spot in self.spots if spot.last and spot.pitch is not None]
        return [spot for spot in lasts if spot.role == "response"] or [
            spot for spot in lasts[-1:] if spot.role == "line"
        ]

    def after(self, spot: PartStroke) -> PartStroke | None:
        """Return the next spot of the part."""
        found = (s for s in self.spots if s.place == (spot.part, spot.number + 1))
        return next(found, None)

    def alike(self, spot: PartStroke) -> list[PartStroke]:
        """Return a spot and those of other parts that are the same note on the same count."""
        return [
            s
            for s in self.spots
            if s.at == spot.at and s.stroke.notes == spot.stroke.notes and s.last == spot.last
        ]

    def step(self, pitch: int, count: int) -> int:
        """Return the pitch some steps of the scale away."""
        if count > 0:
            above = [p for p in self.pitches if p > pitch]
            return above[min(count, len(above)) - 1] if above else pitch
        below = [p for p in self.pitches if p < pitch]
        return below[max(count, -len(below))] if count and below else pitch

    def fits(self, note: StringNote, at: Fraction) -> bool:
        """Tell whether all that a note aims at is in the scale, or leans between two pitches."""
        heard = [aim.pitch for aim in aims(note, at) if aim.pitch is not None]
        return all(pitch % 1 or int(pitch) % 12 in self.scale for pitch in heard)

    def open_pitch(self, string: str) -> int:
        """Return the MIDI pitch of an open string."""
        return STANDARD[string] + self.tuned[string]

    def place(self, pitch: int, position: int) -> StringNote:
        """Return a plain note at a pitch, as near under the hand as can be."""
        lowest = 0 if self.open else 1
        found = [
            (
                max(0, position - fret, fret - position - REACH),
                -STRINGS.index(string),
                string,
                fret,
            )
            for n, string in enumerate(STRINGS)
            if lowest <= (fret := pitch - self.open_pitch(string)) <= HIGHEST
        ]
        reach, _, string, fret = min(found, default=(9, 0, "", 0))
        if reach > 1:
            raise MisfitError
        return StringNote(string, fret, tuned=self.tuned[string])

    def put(self, spot: PartStroke, pitch: int) -> Stroke:
        """Return a spot's stroke at another pitch, with all it does where that can be done."""
        assert spot.pitch is not None
        by = pitch - spot.pitch
        if not by:
            return spot.stroke
        moved = tuple(_bare(moved_note(note, by)) for note in spot.stroke.notes)
        bound = {"harmonic", "pinch", "hammered"} & set(spot.note.marks)
        if not bound and all(self._reached(note, spot) for note in moved):
            return replace(spot.stroke, notes=moved)
        if any(move.at is not None for note in spot.stroke.notes for move in note.moves):
            raise MisfitError
        new = self.place(pitch, self.hand(spot))
        last = spot.note.moves[-1:]
        sways = tuple(m for m in last if m.technique.motion == "sway" and m.at is None)
        marks = _bare(spot.note).marks
        return replace(spot.stroke, notes=(replace(new, moves=sways, marks=marks),))

    def _reached(self, note: StringNote, spot: PartStroke) -> bool:
        frets = [note.fret, *(m.fret for m in note.moves)]
        hand = self.hand(spot)
        low, high = max(1, hand - 1), min(HIGHEST, hand + REACH + 3)
        if note.fret is None or not all(low <= fret <= high for fret in frets if fret is not None):
            return False
        if note.fret > hand + REACH or not self.fits(note, spot.at):
            return False
        faults = (
            bend_fault(note.string, note.fret, bend_cents(m, note.fret))
            for m in note.moves
            if m.technique.takes == "bend"
        )
        return not any(faults) and not (note.into and note.fret < 3)

    def repitched(
        self, pitch_of: Callable[[PartStroke], int | None], *, where_it_can: bool = False
    ) -> Phrase:
        """Return the phrase with other pitches; None leaves a spot as it is.

        With `where_it_can` what cannot be put elsewhere stays, too, in place of a `MisfitError`.
        """
        edits = {}
        for spot in self.spots:
            if spot.pitch is not None and (pitch := pitch_of(spot)) is not None:
                try:
                    edits[spot.place] = [self.put(spot, pitch)]
                except MisfitError:
                    if not where_it_can:
                        raise
        return self.changed(edits)

    def changed(self, edits: Edits) -> Phrase:
        """Return the phrase with other strokes in the place of some, in order of time.

        What rings until another stroke begins is stopped there.
        """
        if not edits:
            raise MisfitError
        parts = []
        for number, part in enumerate(self.phrase.parts):
            strokes = [
                new for n, old in enumerate(part.strokes) for new in edits.get((number, n), (old,))
            ]
            parts.append(self.part(part, strokes))
        return self.whole(parts)

    def part(self, part: Part, strokes: Iterable[Stroke]) -> Part:
        """Return a part with other strokes; what does not fit into its bars is a `MisfitError`."""
        end = Fraction(part.bars * self.beats)
        line = sorted(strokes, key=lambda stroke: stroke.at)
        made: list[Stroke] = []
        for n, stroke in enumerate(line):
            until = line[n + 1].at if n + 1 < len(line) else end
            if not -self.beats <= stroke.at < until:
                raise MisfitError
            stroke = replace(stroke, end=min(stroke.end, until))
            counts = [m.at for note in stroke.notes for m in note.moves if m.at is not None]
            if any(not stroke.at < at < stroke.end for at in counts):
                raise MisfitError
            if any(at % 1 not in self.counted for at in stroke.counts):
                raise MisfitError
            made.append(stroke)
        if not made:
            raise MisfitError
        return self.phrase.strung(replace(part, strokes=tuple(made)))

    def whole(self, parts: Sequence[Part], **other: object) -> Phrase:
        """Return the phrase with other parts, as a variation: without its tips."""
        before = replace(self.phrase, tips=(), variations=())
        changed = replace(before, parts=tuple(parts), **other)  # type: ignore[arg-type]
        if changed == before:
            raise MisfitError
        return changed


def _bare(note: StringNote) -> StringNote:
    """Return a note without the marks that hold only for its fret."""
    return replace(note, marks=tuple(mark for mark in note.marks if mark not in ONLY_HERE))
