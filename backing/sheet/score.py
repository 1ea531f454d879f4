"""Written music: bars of notes and rests with values, ties and tuplets. `writing` makes it.

Conventions: positions and lengths are exact felt beats; a position counts from the bar's first
beat, so the events of a pickup bar start where its `Measure.start` says. Pitches are as they sound
(60 is C4); printed guitar music stands an octave higher. A stroke that the hand changes on a count
of its own is one event for each count; what follows at once makes the frets before the last one
grace notes. Bent strings are written at the fretted pitch, and a head tells how far it is bent.

References: common practice. Swung eighths are written straight, with a mark.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from typing import TypeVar

from backing.sheet.values import VALUES, Tuplet
from phrases.counting import Meter
from phrases.credits import NOBODY, Credits
from phrases.phrase import Move, bend_cents
from phrases.pitch import DEGREES, NATURAL, Key, degree_name

__all__ = [
    "EVEN",
    "Hairpin",
    "Head",
    "Measure",
    "Remark",
    "Score",
    "ScoreEvent",
    "Slowing",
    "Spans",
    "Spelling",
    "Tuplet",
    "Word",
    "beamed",
    "spell",
]  # fmt: skip

EVEN = 1.05  # a swing ratio up to which notes are even


@dataclass(frozen=True, slots=True)
class Spelling:
    """A pitch as it is written, in its sounding octave."""

    step: str  # ``A`` to ``G``
    alter: int  # semitones that an accidental adds, -2 to 2
    octave: int  # of the step, 4 from middle C on

    @property
    def place(self) -> int:
        """The pitch of its step without the accidental: where it stands on the staff."""
        return NATURAL[self.step] + 12 * (self.octave + 1)

    def __str__(self) -> str:
        sign = "#" * self.alter if self.alter > 0 else "b" * -self.alter
        return f"{self.step}{sign}{self.octave}"


@dataclass(frozen=True, slots=True)
class Head:
    """One note head: a string stopped at a fret."""

    string: str  # and `fret`: where; the fret is None for a muted string (a cross)
    fret: int | None
    # `pitch` and `spelling`: the fretted pitch as it sounds, bends left out; a muted string's open
    # pitch.
    pitch: int
    spelling: Spelling
    # How the hand came here without a pick from the head before on this string, the sign of what
    # slides or steps; empty where it is picked or tied.
    link: str = ""
    # The `link` of the next head on this string within the stroke; empty where there is none.
    leads: str = ""
    # `tied` and `ties`: whether it is tied to the head before, and to the one after, on its
    # string. A tied head is neither picked nor reached by a `link`; `moves` may still begin on it,
    # as a bend that is counted on its own.
    tied: bool = False
    ties: bool = False
    # What happens here in order, without another fret: bends ``b`` ``pb``, releases ``r``,
    # vibrato, trills, slides to nowhere (``/`` ``\`` without a fret).
    moves: tuple[Move, ...] = ()
    bent: int = 0  # cents by which the string is bent as the head begins; 200 for a whole step
    # The vibrato in force through this head (also where a tie carries it on), ``~``, ``~~`` or
    # empty.
    sway: str = ""
    into: str = ""  # ``/`` or ``\`` where it is slid into from nowhere
    # ``/`` or ``\`` on the last of tied heads where it is left for nowhere; the move itself stands
    # in the `moves` of the head on which it was written.
    out: str = ""
    # Whether that slide arrives: the next thing picked is on this string, where it leads to.
    onward: bool = False
    shift: str = ""  # ``/`` or ``\`` on the picked head at which such a slide arrives
    # Of a picked head, keys of `phrases.techniques.MARKS` or milliseconds late; where there are
    # grace notes, the first of them has the pick and so the marks.
    marks: tuple[str, ...] = ()
    # What the pick and the hand do before this fret is reached, in order; each has its own `link`,
    # `moves` and so on. The first of them takes what would be this head's `tied`.
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
        """Cents by which it is bent: as the head begins, and after each bend or release."""
        found = [self.bent]
        for move in self.moves:
            if move.technique.bending:
                found.append(bend_cents(move, self.fret or 0))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class ScoreEvent:
    """A chord, a note or a rest with one written value."""

    at: Fraction  # felt beats from the first beat of the bar, 0 <= at < 4
    beats: Fraction  # its length in felt beats
    # `value` and `dots`: how it is written: ``whole`` ``half`` ``quarter`` ``eighth`` ``16th``
    # ``32nd`` ``64th`` ``128th`` ``256th`` and 0 or 1 dots; the whole-bar rest is a ``whole``
    # without dots.
    value: str
    dots: int = 0
    # One for each string, in the order in which the pick hits them; none for a rest. A muted
    # string has a head only where it is picked.
    heads: tuple[Head, ...] = ()
    tuplet: Tuplet | None = None  # the tuplet it belongs to
    stroke: int = -1  # its number in the phrase's ``strokes()``; -1 for a rest
    tips: tuple[int, ...] = ()  # numbers of the remarks of `Score.remarks` that speak of it

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
class Word:
    """A word over a place in a bar: the name of a part, ``Call``, or a chord, ``A7``."""

    at: Fraction
    text: str


@dataclass(frozen=True, slots=True)
class Slowing:
    """Where a part slows down at its end, or the share of it that falls into a bar."""

    at: Fraction  # and `end`: felt beats, from bar one or from the first beat of the bar
    end: Fraction
    # `begins` and `ends`: whether it begins and ends there; False where it comes from or goes on
    # in another bar.
    begins: bool = True
    ends: bool = True


Spans = TypeVar("Spans", bound=Slowing)


@dataclass(frozen=True, slots=True)
class Hairpin(Slowing):
    """Where a part becomes louder or softer; `text` is ``cresc.`` or ``dim.``."""

    text: str = ""


@dataclass(frozen=True, slots=True)
class Measure:
    """One bar."""

    number: int  # from 1; 0 for a pickup bar
    start: Fraction  # felt beats of the bar that are left out; 0 but for a pickup bar
    beats: Fraction  # felt beats that it lasts: from `start` to the end of the bar
    events: tuple[ScoreEvent, ...]  # without gaps, from `start` on
    chords: tuple[Word, ...] = ()  # chord names, each where it begins
    # Names of the parts, each at its first note, which may be a pickup within a bar.
    labels: tuple[Word, ...] = ()

    @property
    def empty(self) -> bool:
        """Whether it is one rest."""
        return all(event.rest for event in self.events)


@dataclass(frozen=True, slots=True)
class Remark:
    """A tip of the teacher's."""

    number: int  # from 1; 0 for a remark on the whole
    text: str  # in Markdown
    place: str = ""  # as players say it: ``call, bar 1, 3&``; empty for the whole


@dataclass(frozen=True, slots=True)
class Score:
    """A phrase as written music."""

    title: str  # the phrase's (for a variation with its name)
    key: Key  # the phrase's
    meter: Meter  # the phrase's
    tempo: Fraction  # felt beats a minute; in 12/8 dotted quarters
    measures: tuple[Measure, ...]  # in order
    groove: str = ""  # the groove's title
    scale: str = ""  # the phrase's
    tuning: str = ""
    swing: float = 1.0  # long to short; 1 for even eighths
    # Whether a swing mark is wanted: 4/4, swung, and with off-beats that are no triplets.
    swung: bool = False
    remarks: tuple[Remark, ...] = ()  # the tips, those of the whole first
    level: str = ""  # the phrase's
    tags: tuple[str, ...] = ()  # the phrase's
    # The roles of the phrase's parts and their bars; none where it stands in a whole chorus.
    parts: tuple[tuple[str, int], ...] = ()
    slowings: tuple[Slowing, ...] = ()  # where the parts slow down at their ends, from bar one
    # `drags` and `dynamics`: for each part over how many beats it slows down, and how loud it
    # becomes.
    drags: tuple[Fraction, ...] = ()
    dynamics: tuple[str, ...] = ()
    hairpins: tuple[Hairpin, ...] = ()  # what is drawn for that, from bar one
    # What the phrase says that is not written, by its key in a phrase file: `lines`, `behind`,
    # `slide`, `tone`, `pick`.
    asides: tuple[tuple[str, str], ...] = ()
    credits: Credits = NOBODY  # the phrase's

    def within(self, spans: Sequence[Spans], measure: Measure) -> Iterator[Spans]:
        """Yield what of slowing ends or hairpins falls into a bar."""
        first = (measure.number - 1) * self.meter.beats
        start, until = measure.start, measure.start + measure.beats
        for span in spans:
            at, end = span.at - first, span.end - first
            if at < until and end > start:
                yield replace(
                    span, at=max(at, start), end=min(end, until), begins=at >= start,
                    ends=end <= until,
                )  # fmt: skip

    @property
    def home(self) -> str:
        """The key with its scale, as players say it: ``A minor blues scale``, ``A minor``."""
        if not self.scale:
            return str(self.key)
        # The minor key is one thing and the scale another.
        return f"{self.key}{',' if self.key.mode == 'minor' else ''} {self.scale} scale"


def beamed(events: Sequence[ScoreEvent]) -> Iterator[list[int]]:
    """Yield the numbers of events that share a beam; one alone where it has none.

    A beam holds what lies in one beat or one tuplet, without a rest between.
    """
    start = 0

    def unit(number: int) -> tuple[int, int, bool]:
        nonlocal start
        event = events[number]
        start = number if event.tuplet and event.tuplet.start else start
        inside = (-1, start) if event.tuplet else (0, int(event.at))
        return *inside, VALUES[event.value] < VALUES["quarter"] and not event.rest

    for (_, _, flagged), group in groupby(range(len(events)), unit):
        if flagged:
            yield list(group)
        else:
            yield from ([number] for number in group)


def spell(pitch: int, key: Key) -> Spelling:
    """Return how a MIDI pitch is written in a key: by its degree, without double accidentals."""
    name = degree_name(key.tonic, DEGREES[(pitch - key.pitch_class) % 12])
    if name[1:] in ("bb", "##"):
        letter = "CCDDEFFGGAAB"[pitch % 12] if "#" in name else "CDDEEFGGAABB"[pitch % 12]
        alter = (pitch - NATURAL[letter] + 6) % 12 - 6
    else:
        letter, alter = name[0], name.count("#") - name.count("b")
    return Spelling(letter, alter, (pitch - alter) // 12 - 1)
