"""A phrase looked over as a teacher does: what it asks of a hand, and how its parts end.

Speed is measured, in seconds, and not judged: no published figure was found for how long a
guitarist's hand takes to shift, or how soon it picks again.

References: what is hard is common practice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from phrases.bends import LIGHT_SET, BendCost, bend
from phrases.counting import auto_swing, evenly, parse_swing, swung
from phrases.fingering import REACH
from phrases.fretboard import STRINGS
from phrases.performance import perform
from phrases.phrase import Phrase, StringNote, Stroke
from phrases.pitch import scale_pitch_classes
from phrases.roles import Chords, PlacedStroke, Row, aims, hits, rows
from phrases.techniques import PICKLESS, SIZE_NAMES, mark
from phrases.tipped import contradictions

__all__ = [
    "WEIGHTS", "Caution", "Ending", "Quick", "Report", "Shift", "Strain", "check",
]  # fmt: skip

Seconds = Callable[[Fraction], float]

ALWAYS = (*PICKLESS, "harmonic", "pinch", "supported")  # heard, felt or seen anyway
NEIGHBOURS = 8  # strokes after one that may tell what its marks do
MOST_FRETS = 5  # that one hand covers
FULL = 200
NUT_FRETS = 4  # a full bend is hard below this fret

WEIGHTS: dict[str, str] = {
    "cannot": "cannot be played",
    "hard": "hard to play",
    "taste": "a matter of taste",
    "note": "for information",
}


@dataclass(frozen=True, slots=True)
class Strain:
    """A bend of a phrase, what it costs, and whether more fingers help."""

    place: str
    cost: BendCost
    supported: bool


@dataclass(frozen=True, slots=True)
class Caution:
    """Something to look at: its weight is a key of `WEIGHTS`."""

    place: str
    weight: str
    text: str


@dataclass(frozen=True, slots=True)
class Ending:
    """The last pitch of a part."""

    # `part` to `role`: as in a `Row`.
    part: str
    name: str
    degree: str
    role: str
    # Whether it rests: on the root or the third of the chord under it, or on the key's root where
    # that is a tone of the chord. Over V the key's root hangs.
    home: bool
    asks: bool  # whether it leaves something open, as a call does: on any but a root that rests


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift of the hand between two strokes at the phrase's tempo."""

    place: str  # of the stroke after it
    start: int  # and `end`: positions
    end: int
    has: float  # seconds between the strokes

    @property
    def each(self) -> float:
        """Return the seconds that it has for each fret."""
        return self.has / abs(self.end - self.start)

    def __str__(self) -> str:
        return f"position {self.start} to {self.end} in {self.has:.2f} s"


@dataclass(frozen=True, slots=True)
class Quick:
    """A stroke that comes soon after another: where, and seconds after it."""

    place: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Report:
    """Result of a check: notes and their roles, bends, endings and cautions."""

    # `rows` to `endings`: in the phrase's order.
    rows: tuple[Row, ...]
    bends: tuple[Strain, ...]
    endings: tuple[Ending, ...]
    cautions: tuple[Caution, ...]  # in the order of `WEIGHTS`
    tempo: float  # felt beats a minute
    slides: bool  # whether slides take the hand along
    # The shift of position that has least time for each fret, if there is any.
    tightest: Shift | None
    quickest: Quick | None  # the stroke that comes soonest after another, if there are two

    @property
    def talk(self) -> str:
        """Whether its calls ask and its responses answer; empty where it has not both."""
        calls = [one.asks for one in self.endings if one.part.startswith("call")]
        answers = [one.home for one in self.endings if one.part.startswith("response")]
        if not calls or not answers:
            return ""
        asked = "the call asks" if all(calls) else "the call does not ask"
        return f"{asked}, the response {'answers' if all(answers) else 'does not answer'}"

    @property
    def playable(self) -> bool:
        """Whether nothing in it cannot be played."""
        return all(caution.weight != "cannot" for caution in self.cautions)


def check(phrase: Phrase, chords: Chords | None = None, swing: float | None = None) -> Report:
    """Look a phrase over, its variations aside.

    What comes before the first of the `chords` is heard against that. `swing` is long to short;
    the phrase's own if left out, straight where the groove decides.
    """
    line = hits(phrase)
    seen = rows(phrase, line, chords or ())
    bends = list(_bends(line))
    endings = list(_endings(seen))
    seconds = _seconds(phrase, swing)
    shifts = list(_shifts(line, seconds))
    # Of equal ones the first, whatever their last digits.
    quickest = min(_quick(line, seconds), key=lambda one: round(one.seconds, 6), default=None)
    tightest = min(shifts, key=lambda shift: shift.each, default=None)
    cautions = [
        *_cannot_hold(line, seen),
        *(Caution(one.place, "cannot", str(one)) for one in shifts if not one.has),
        *(caution for strain in bends for caution in _hard_bend(strain)),
        *_unheard(line, seconds),
        *_ends_oddly(endings),
        *_outside(phrase, seen),
        *(Caution(place, "taste", text) for place, text in contradictions(phrase)),
    ]
    return Report(
        tuple(seen),
        tuple(bends),
        tuple(endings),
        tuple(sorted(cautions, key=lambda one: list(WEIGHTS).index(one.weight))),
        float(phrase.tempo),
        any(_slides(note) for hit in line for note in hit.stroke.notes),
        tightest,
        quickest,
    )


def _bends(line: Sequence[PlacedStroke]) -> Iterator[Strain]:
    for hit in line:
        for note in hit.stroke.notes:
            for aim in aims(note, hit.stroke.at):
                if aim.bent and aim.fret is not None:
                    cost = bend(note.string, aim.fret, aim.bent, note.tuned)
                    yield Strain(hit.place(aim.at), cost, "supported" in note.marks)


def _hard_bend(strain: Strain) -> Iterator[Caution]:
    cost = strain.cost
    if cost.beyond:
        yield Caution(strain.place, "cannot", f"{_said(cost)}: {cost.beyond}")
    elif cost.cents >= FULL and LIGHT_SET[cost.string].wound:
        yield Caution(strain.place, "hard", f"{_said(cost)}: a wound string hardly bends that far")
    elif cost.cents >= FULL and cost.fret < NUT_FRETS:
        yield Caution(strain.place, "hard", f"{_said(cost)}: too near the nut to give easily")


def _said(cost: BendCost) -> str:
    return f"{SIZE_NAMES.get(cost.cents, 'wide')} bend on {cost.string}{cost.fret}"


def _cannot_hold(line: Sequence[PlacedStroke], seen: Sequence[Row]) -> Iterator[Caution]:
    """Yield what one hand cannot press: two notes on a string, and stretches."""
    wide = set()
    for number, hit in enumerate(line):
        place, notes = hit.place(hit.stroke.at), hit.stroke.notes
        strings = [note.string for note in notes]
        for string in sorted({s for s in strings if strings.count(s) > 1}, key=STRINGS.index):
            yield Caution(place, "cannot", f"two notes on string {string} at once")
        frets = [note.fret for note in notes if note.fret]
        if frets and max(frets) - min(frets) >= MOST_FRETS:
            wide.add(number)
            text = f"frets {min(frets)} and {max(frets)} at once: {MOST_FRETS} frets at most"
            yield Caution(place, "cannot", text)
    for row in seen:
        covered = row.stretch + 1 if row.stretch >= 0 else REACH + 1 - row.stretch
        if covered > MOST_FRETS and row.stroke not in wide:
            text = f"fret {row.fret} out of position {row.position}: {MOST_FRETS} frets at most"
            yield Caution(row.place, "cannot", text)


def _shifts(line: Sequence[PlacedStroke], seconds: Seconds) -> Iterator[Shift]:
    """Yield each shift of position from one stroke to the next."""
    pressed = [hit for hit in line if any(note.fret for note in hit.stroke.notes)]
    for before, after in pairwise(pressed):
        left = [aim for note in before.stroke.notes for aim in aims(note, before.stroke.at)]
        start, end = before.position + max((a.slid for a in left), key=abs), after.position
        if start != end:
            has = max(0.0, seconds(after.stroke.at) - seconds(max(aim.at for aim in left)))
            yield Shift(after.place(after.stroke.at), start, end, has)


def _slides(note: StringNote) -> bool:
    return bool(note.into) or any(move.technique.slide for move in note.moves)


def _quick(line: Sequence[PlacedStroke], seconds: Seconds) -> Iterator[Quick]:
    """Yield each stroke but the first with its distance from the one before."""
    for before, after in pairwise(line):
        if after.stroke.at > before.stroke.at:
            away = seconds(after.stroke.at) - seconds(before.stroke.at)
            yield Quick(after.place(after.stroke.at), away)


def _unheard(line: Sequence[PlacedStroke], seconds: Seconds) -> Iterator[Caution]:
    """Yield marks and techniques that change nothing, played with what is around them."""
    for number, hit in enumerate(line):
        around = [one.stroke for one in line[max(0, number - 1) : number + NEIGHBOURS]]
        found = [
            (name, replace(note, marks=tuple(m for m in note.marks if m != name)), note)
            for note in hit.stroke.notes
            for name in note.marks
            if (kind := mark(name)) and (kind.seconds or kind.meaning) and name not in ALWAYS
        ]
        found += [
            (move.technique.name, replace(note, moves=note.moves[:-1]), note)
            for note in hit.stroke.notes
            for move in note.moves[-1:]
            if move.technique.stays
        ]
        if not found:
            continue
        heard = _heard(around, seconds)
        for name, without, note in found:
            notes = tuple(without if one is note else one for one in hit.stroke.notes)
            other = replace(hit.stroke, notes=notes)
            if heard == _heard([other if s is hit.stroke else s for s in around], seconds):
                text = f'"{name}" changes nothing that can be heard here'
                yield Caution(hit.place(hit.stroke.at), "note", text)


def _heard(strokes: Sequence[Stroke], seconds: Seconds) -> list[object]:
    """Return the sound of strokes without their loudness, to compare them."""
    start = seconds(Fraction(math.floor(strokes[0].at) - 4))
    return [
        (one.string, one.pitch, round(one.start, 6), round(one.end, 6), one.curve, one.damped)
        for one in perform(strokes, lambda at: seconds(at) - start)
    ]


def _seconds(phrase: Phrase, swing: float | None) -> Seconds:
    """Return when a beat sounds at the phrase's tempo, from its first bar."""
    ratio = _swing(phrase, swing)
    return evenly(lambda beat: swung(beat, ratio) * 60 / float(phrase.tempo), phrase.even)


def _swing(phrase: Phrase, swing: float | None) -> float:
    if swing is not None:
        return swing
    if not phrase.swing:
        return 1.0
    own = parse_swing(phrase.swing)
    return auto_swing(float(phrase.tempo)) if own is None else float(own)


def _endings(seen: Sequence[Row]) -> Iterator[Ending]:
    for part in dict.fromkeys(row.part for row in seen):
        heard = [row for row in seen if row.part == part and row.name and not row.trilled]
        last = max((row.stroke for row in heard), default=0)
        final = list({row.string: row for row in heard if row.stroke == last}.values())
        if final:
            # Of a double stop the note that comes home decides.
            row = next((row for row in final if _is_home(row)), final[-1])
            home = _is_home(row)
            asks = not home or (row.degree != "1" and row.role != "root")
            yield Ending(part, row.name, row.degree, row.role, home, asks)


def _is_home(row: Row) -> bool:
    return row.role in ("root", "third") or (row.degree == "1" and row.role in ("", "fifth"))


def _ends_oddly(endings: Sequence[Ending]) -> Iterator[Caution]:
    for ending in endings:
        if ending.part.startswith("call") and not ending.asks:
            where = "the root" if ending.degree == "1" else f"{ending.degree}, the chord's root,"
            yield Caution(ending.part, "taste", f"ends on {where} and leaves nothing open")
        if ending.part.startswith("response") and not ending.home:
            text = f"ends on {ending.degree}; it comes home on the root or the chord's third"
            yield Caution(ending.part, "taste", text)


def _outside(phrase: Phrase, seen: Sequence[Row]) -> Iterator[Caution]:
    """Yield the notes that the phrase's scale does not hold, each once with its places."""
    if not phrase.scale:
        return
    scale = scale_pitch_classes(phrase.key.tonic, phrase.scale)
    places: dict[str, list[str]] = {}
    for row in seen:
        if row.pitch is not None and not row.pitch % 1 and int(row.pitch) % 12 not in scale:
            places.setdefault(row.degree, []).append(row.place)
    for degree, where in places.items():
        more = f" and {len(where) - 1} more" if len(where) > 1 else ""
        yield Caution(where[0] + more, "note", f"{degree} is not in the {phrase.scale} scale")
