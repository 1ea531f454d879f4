"""From a phrase to written music: bars of notes and rests with values, ties and tuplets.

Conventions: positions and lengths are exact felt beats; a position counts from the bar's first
beat, so the events of a pickup bar start where its `Measure.start` says. Pitches are as they sound
(60 is C4); printed guitar music stands an octave higher. A stroke that the hand changes on a count
of its own is one event for each count; what follows at once makes the frets before the last one
grace notes. Bent strings are written at the fretted pitch, and a head tells how far it is bent.

References: common practice for values and ties: the middle of a 4/4 bar and the beats of a 12/8 bar
stay visible, ``q h q`` and ``e q e`` are written without ties. Swung eighths are written straight,
with a mark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from backing.arrangement import placements
from backing.forms import Form
from backing.grooves import find_groove
from backing.sheet.values import Piece, Tuplet, pieces
from backing.tempo import swing_for
from phrases.counting import Meter, count_word, parse_swing, swung
from phrases.fretboard import STANDARD, fret_pitch
from phrases.hands import bend_cents
from phrases.phrase import Move, Note, Phrase, Stroke
from phrases.pitch import Key, degree_name
from phrases.techniques import TECHNIQUES

__all__ = [
    "Event",
    "Head",
    "Label",
    "Measure",
    "Remark",
    "Score",
    "Spelling",
    "Tuplet",
    "over_form",
    "part_names",
    "spell",
    "write",
]

DEGREES = ("1", "b2", "2", "b3", "3", "4", "b5", "5", "b6", "6", "b7", "7")
EVEN = 1.05  # a swing ratio that is not worth a mark
TRIPLETS = 2  # the ratio as which swung places of a 12/8 beat are written


@dataclass(frozen=True, slots=True)
class Spelling:
    """A pitch as it is written, in its sounding octave.

    Attributes
    ----------
    step
        ``A`` to ``G``.
    alter
        Semitones that an accidental adds, -2 to 2.
    octave
        Of the step, 4 from middle C on.
    """

    step: str
    alter: int
    octave: int

    def __str__(self) -> str:
        sign = "#" * self.alter if self.alter > 0 else "b" * -self.alter
        return f"{self.step}{sign}{self.octave}"


@dataclass(frozen=True, slots=True)
class Head:
    """One note head: a string stopped at a fret.

    Attributes
    ----------
    string, fret
        Where; the fret is None for a muted string (a cross).
    pitch, spelling
        The fretted pitch as it sounds, bends left out; a muted string's open pitch.
    link
        How the hand came here without a pick from the head before on this string: ``/`` ``\\``
        ``h`` ``p``; empty where it is picked or tied.
    leads
        The `link` of the next head on this string within the stroke; empty where there is none.
    tied, ties
        Whether it is tied to the head before, and to the one after, on its string. A tied head is
        neither picked nor reached by a `link`; `moves` may still begin on it, as a bend that is
        counted on its own.
    moves
        What happens here in order, without another fret: bends ``b`` ``pb``, releases ``r``,
        vibrato, trills, slides to nowhere (``/`` ``\\`` without a fret).
    bent
        Cents by which the string is bent as the head begins; 200 for a whole step.
    sway
        The vibrato in force through this head (also where a tie carries it on), ``~``, ``~~`` or
        empty.
    into
        ``/`` or ``\\`` where it is slid into from nowhere.
    marks
        Of a picked head, keys of `phrases.techniques.MARKS` or milliseconds late; where there are
        grace notes, the first of them has the pick and so the marks.
    graces
        What the pick and the hand do before this fret is reached, in order; each has its own
        `link`, `moves` and so on. The first of them takes what would be this head's `tied`.
    """

    string: str
    fret: int | None
    pitch: int
    spelling: Spelling
    link: str = ""
    leads: str = ""
    tied: bool = False
    ties: bool = False
    moves: tuple[Move, ...] = ()
    bent: int = 0
    sway: str = ""
    into: str = ""
    marks: tuple[str, ...] = ()
    graces: tuple[Head, ...] = ()

    @property
    def picked(self) -> bool:
        """Whether the pick hits the string at this very head (its grace notes aside)."""
        return not (self.link or self.tied or self.graces)

    @property
    def chain(self) -> tuple[Head, ...]:
        """The grace notes and the head itself, in order."""
        return (*self.graces, self)

    @property
    def stations(self) -> tuple[int, ...]:
        """Cents by which the string is bent: as the head begins, and after each bend or release."""
        found = [self.bent]
        for move in self.moves:
            if move.sign in ("b", "pb", "r"):
                found.append(bend_cents(move, self.fret or 0))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class Event:
    """A chord, a note or a rest with one written value.

    Attributes
    ----------
    at
        Felt beats from the first beat of the bar, 0 <= at < 4.
    beats
        Its length in felt beats.
    value, dots
        How it is written: ``whole`` ``half`` ``quarter`` ``eighth`` ``16th`` ``32nd`` ``64th``
        ``128th`` ``256th`` and 0 or 1 dots; the whole-bar rest is a ``whole`` without dots.
    heads
        One for each string, in the order in which the pick hits them; none for a rest.
    tuplet
        The tuplet it belongs to.
    stroke
        Its number in the phrase's ``strokes()``; -1 for a rest.
    tips
        Numbers of the remarks of `Score.remarks` that speak of it.
    """

    at: Fraction
    beats: Fraction
    value: str
    dots: int = 0
    heads: tuple[Head, ...] = ()
    tuplet: Tuplet | None = None
    stroke: int = -1
    tips: tuple[int, ...] = ()

    @property
    def rest(self) -> bool:
        """Whether nothing sounds."""
        return not self.heads

    @property
    def picked(self) -> bool:
        """Whether the pick begins it, be it at a grace note."""
        return any(head.chain[0].picked for head in self.heads)

    @property
    def end(self) -> Fraction:
        """Where it ends, in felt beats from the first beat of its bar."""
        return self.at + self.beats


@dataclass(frozen=True, slots=True)
class Label:
    """A word over a place in a bar: the name of a part, ``Call``, or a chord, ``A7``."""

    at: Fraction
    text: str


@dataclass(frozen=True, slots=True)
class Measure:
    """One bar.

    Attributes
    ----------
    number
        From 1; 0 for a pickup bar.
    start
        Felt beats of the bar that are left out; 0 but for a pickup bar.
    beats
        Felt beats that it lasts: from `start` to the end of the bar.
    events
        Without gaps, from `start` on.
    chords
        Chord names, each where it begins.
    labels
        Names of the parts, each at its first note, which may be a pickup within a bar.
    """

    number: int
    start: Fraction
    beats: Fraction
    events: tuple[Event, ...]
    chords: tuple[Label, ...] = ()
    labels: tuple[Label, ...] = ()

    @property
    def empty(self) -> bool:
        """Whether it is one rest."""
        return all(event.rest for event in self.events)


@dataclass(frozen=True, slots=True)
class Remark:
    """A tip of the teacher's.

    Attributes
    ----------
    number
        From 1; 0 for a remark on the whole.
    text
        In Markdown.
    place
        As players say it: ``call, bar 1, 3&``; empty for the whole.
    """

    number: int
    text: str
    place: str = ""


@dataclass(frozen=True, slots=True)
class Score:
    """A phrase as written music.

    Attributes
    ----------
    title
        The phrase's (for a variation with its name).
    key, meter, scale
        The phrase's.
    tempo
        Felt beats a minute; in 12/8 dotted quarters.
    groove
        The groove's title.
    swing
        Long to short; 1 for even eighths.
    swung
        Whether a swing mark is wanted: 4/4, swung, and with notes off the beat that are no triplets.
    measures
        In order.
    remarks
        The tips, those of the whole first.
    level, tags
        The phrase's.
    """

    title: str
    key: Key
    meter: Meter
    tempo: Fraction
    measures: tuple[Measure, ...]
    groove: str = ""
    scale: str = ""
    swing: float = 1.0
    swung: bool = False
    remarks: tuple[Remark, ...] = ()
    level: str = ""
    tags: tuple[str, ...] = ()


def spell(pitch: int, key: Key) -> Spelling:
    """Return how a MIDI pitch is written in a key: by its degree, without double accidentals."""
    name = degree_name(key.tonic, DEGREES[(pitch - key.pitch_class) % 12])
    if name[1:] in ("bb", "##"):
        letter = "CCDDEFFGGAAB"[pitch % 12] if "#" in name else "CDDEEFGGAABB"[pitch % 12]
        alter = (pitch - NATURAL[letter] + 6) % 12 - 6
    else:
        letter, alter = name[0], name.count("#") - name.count("b")
    return Spelling(letter, alter, (pitch - alter) // 12 - 1)


def part_names(phrase: Phrase) -> tuple[str, ...]:
    """Return the names of the parts, ``Call``, with a number where there are several of a role."""
    roles = [part.role for part in phrase.parts]
    return tuple(
        role.capitalize()
        + (f" {roles[: number + 1].count(role)}" if roles.count(role) > 1 else "")
        for number, role in enumerate(roles)
    )


def over_form(phrase: Phrase, form: Form | None = None, *, chorus: bool = False) -> Score:
    """Return a phrase as written music, with the chords of a form over it.

    Parameters
    ----------
    phrase
        In the key in which it is to be written; its groove decides the swing where it does not.
    form
        Whose chords stand over it, from the bar on at which the phrase is first placed; none if
        left out.
    chorus
        Write every bar of the form, with the phrase wherever it is placed.

    Raises
    ------
    RangeError
        If the form is too short for the phrase, or the phrase cannot be written.
    ChoiceError, TextFileError
        If its groove is missing or has mistakes.
    """
    groove = find_groove(phrase.groove)
    asked = parse_swing(phrase.swing) if phrase.swing else groove.swing
    swing = swing_for(asked, phrase.tempo, groove.swing_limit)
    if form is None:
        return write(phrase, swing=swing, groove=groove.title)
    bars = form.bars(phrase.key)
    places = placements(phrase, len(bars))
    first, count = (0, len(bars)) if chorus else (places[0], phrase.bars)
    chords = [
        (number, share * phrase.meter.beats, chord.name(phrase.key))
        for number, bar in enumerate(bars[first : first + count])
        for share, chord in bar
    ]
    return write(
        phrase,
        chords,
        swing=swing,
        groove=groove.title,
        places=places if chorus else (0,),
        bars=count,
    )


def write(
    phrase: Phrase,
    chords: Sequence[tuple[int, Fraction, str]] = (),
    *,
    swing: float = 1.0,
    groove: str = "",
    places: Sequence[int] = (0,),
    bars: int | None = None,
) -> Score:
    """Return a phrase as written music.

    Parameters
    ----------
    phrase
        In the key in which it is to be written. Variations are phrases of their own.
    chords
        For each chord name the bar and the felt beat in it, both from 0.
    swing
        Long to short, 1 to 4. In 12/8, where there is no swing mark, places that swing by 3:2 or
        more are written on the eighths where they sound.
    groove
        The groove's title.
    places
        The bars, from 0, at which the phrase starts.
    bars
        How many bars to write; those of the phrase if left out.

    Raises
    ------
    RangeError
        If a beat is divided more finely than notes can be written.
    """
    return _Writer(phrase, swing, places, bars).score(chords, groove)


@dataclass(frozen=True, slots=True)
class _Stage:
    """What sounds from a beat on: the heads of a stroke, or nothing."""

    at: Fraction
    heads: tuple[Head, ...] = ()
    stroke: int = -1


class _Writer:
    def __init__(
        self, phrase: Phrase, swing: float, places: Sequence[int], bars: int | None
    ) -> None:
        self.phrase = phrase
        self.swing = swing
        self.places = places
        self.beats = phrase.meter.beats
        self.bars = bars or phrase.bars
        self.compound = phrase.meter.quarters != 1
        once = phrase.strokes()
        every = [
            (number, stroke.moved(place * self.beats))
            for place in places
            for number, stroke in enumerate(once)
        ]
        self.strokes = [
            (number, replace(stroke, end=min(stroke.end, later)))
            for (number, stroke), later in zip(
                every,
                [*(stroke.at for _, stroke in every[1:]), Fraction(self.bars * self.beats)],
                strict=True,
            )
        ]

    def score(self, chords: Sequence[tuple[int, Fraction, str]], groove: str) -> Score:
        stages = self._stages()
        off = {stage.at % 1 for stage in stages}
        swung = any(place.denominator in (2, 4, 8) for place in off)
        if self.compound and self.swing >= SWUNG:
            stages = _as_triplets(stages)
        remarks, tips = self._remarks()
        labels = self._labels()
        first = min(stages[0].at, Fraction(0))
        measures = []
        if first < 0:
            measures.append(self._measure(-1, stages, tips, chords, labels))
        measures += [
            self._measure(bar, stages, tips, chords, labels) for bar in range(self.bars)
        ]
        phrase = self.phrase
        return Score(
            title=phrase.title,
            key=phrase.key,
            meter=phrase.meter,
            tempo=phrase.tempo,
            measures=tuple(measures),
            groove=groove,
            scale=phrase.scale,
            swing=self.swing,
            swung=not self.compound and self.swing > EVEN and swung,
            remarks=remarks,
            level=phrase.level,
            tags=phrase.tags,
        )

    def _stages(self) -> list[_Stage]:
        found: list[_Stage] = []
        for number, stroke in self.strokes:
            if found and found[-1].at == stroke.at:
                found.pop()  # the rest before it
            found += self._stroke(number, stroke)
            if stroke.end < self.bars * self.beats:
                found.append(_Stage(stroke.end))
        if found[0].at > 0:
            found.insert(0, _Stage(Fraction(0)))
        return found

    def _stroke(self, number: int, stroke: Stroke) -> Iterator[_Stage]:
        """Yield what each count of a stroke makes of its strings."""
        strings = [_chains(note, stroke, self.phrase.key) for note in stroke.notes]
        times = sorted({at for chains in strings for at in chains})
        rows: list[list[Head]] = []
        for chains in strings:
            row: list[Head] = []
            for at in times:
                head = chains.get(at)
                if head is None:
                    head = _held(row[-1])
                if row:
                    before = head.chain[0]
                    row[-1] = replace(row[-1], leads=before.link, ties=before.tied)
                row.append(head)
            rows.append(row)
        for at, heads in zip(times, zip(*rows, strict=True), strict=True):
            yield _Stage(at, heads, number)

    def _remarks(self) -> tuple[tuple[Remark, ...], dict[tuple[int, Fraction], list[int]]]:
        """Return the tips, and the numbers of those that speak of a stroke and a beat."""
        phrase = self.phrase
        remarks = [Remark(0, tip.text) for tip in phrase.tips if tip.at is None]
        placed = phrase.placed()
        found: dict[tuple[int, Fraction], list[int]] = {}
        local = [tip for tip in phrase.tips if tip.at is not None and tip.part is not None]
        local.sort(key=lambda tip: placed[tip.part or 0][0] * self.beats + (tip.at or 0))
        names = part_names(phrase)
        for number, tip in enumerate(local, 1):
            assert tip.at is not None
            assert tip.part is not None
            bar, beat = divmod(tip.at, self.beats)
            count = count_word(int(beat) + 1, beat % 1, 0)
            where = f"bar {int(bar) + 1}" if bar >= 0 else "pickup"
            remarks.append(Remark(number, tip.text, f"{names[tip.part]}, {where}, {count}"))
            at = placed[tip.part][0] * self.beats + tip.at
            found.setdefault((0, at), []).append(number)
        return tuple(remarks), found

    def _labels(self) -> list[tuple[Fraction, str]]:
        if [part.role for part in self.phrase.parts] == ["line"]:
            return []
        found = []
        for place in self.places:
            for (bar, part), name in zip(
                self.phrase.placed(), part_names(self.phrase), strict=True
            ):
                first = min(Fraction(0), part.strokes[0].at)
                found.append(((place + bar) * self.beats + first, name))
        return found
