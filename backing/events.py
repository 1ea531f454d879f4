"""The one stream: everything that sounds, in order, as every output reads it.

Conventions: a stream is a row of sections, each of one tempo, that follow each other without a
gap. A section starts at an exact second and an exact beat; its notes and labels count seconds
from its own start, so that equal passes are equal data. MIDI channels and programs count from 0.

References: MIDI 1.0 for pitch bend (14 bits, centred on 8192) and RPN 0; General MIDI 1.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from importlib import import_module
from typing import Any, Literal

from backing.tempo import Steps, clock_time
from phrases.counting import Meter
from phrases.credits import NOBODY, Credits
from phrases.curve import Curve
from phrases.phrase import Phrase
from phrases.pitch import Key

__all__ = [
    "BEND_RANGE", "CHANNELS", "LEAD", "VOICES", "Label", "LabelKind", "Message", "Note", "Section",
    "SectionKind", "Stream", "bend", "bend_value", "messages", "part_of", "set_up",
]  # fmt: skip

# The voices of the lead, each with its string. Every string has a channel of its own: it sounds
# one note and bends alone.
LEAD = {f"lead {string}": string for string in "eBGDAE"}
CHANNELS = {**{voice: n for n, voice in enumerate(LEAD)}, "bass": 6, "comp": 7, "drums": 9}

# Controller 7 (volume) and 10 (pan, 64 is the centre) of each part.
LEVELS: dict[str, tuple[int, int]] = {
    "lead": (108, 64),
    "bass": (100, 64),
    "comp": (74, 80),
    "drums": (96, 58),
}

# Who plays strings and organ in audio: strings and wheels of our own, or the soundfont.
VOICES = ("strings", "soundfont")

# General MIDI 1: side stick, high and low wood block. What counts in or gives a cue.
COUNTING = (37, 76, 77)
BENT = ("lead", "comp")
DAMPED_PROGRAM, LEAD_PROGRAM = 28, 27  # General MIDI 1: electric guitar, muted and clean
BEND_RANGE = 24
BEND_CENTRE = 8192

# Controller 11 (expression) of a note that swells: where it begins, the steps to full.
EXPRESSION, SOFT, SWELL_STEPS = 11, 52, 24
SOUND_OFF = 120  # the channel mode message that ends at once what rings on after its note

# What a section is, and what a label says: the section's own name, a part of the phrase, or whose
# turn it is.
SectionKind = Literal["count-in", "intro", "chorus", "slow-down", "tag", "ending", "pass"]
LabelKind = Literal["section", "part", "turn", "chord"]

OFF, BEND, ON = 0, 1, 2
Message = tuple[float, int, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class Note:
    """One attack."""

    voice: str  # a key of `CHANNELS`
    # `start` and `end`: seconds from the start of its section; the end may lie beyond the
    # section's.
    start: float
    end: float
    pitch: int  # MIDI pitch, or General MIDI percussion key
    velocity: int  # 1 to 127
    curve: Curve | None = None  # how the pitch moves; of a chord the first note carries it for all
    # Whether it begins softly and grows; of a chord the first note says so for all.
    swell: bool = False
    damped: bool = False  # whether a guitar string is muted by a hand; of the lead in MIDI, too
    beat: Fraction | None = None  # of the lead: the beat of its section on which it is written


@dataclass(frozen=True, slots=True)
class Label:
    """A named place."""

    seconds: float  # from the start of its section
    text: str  # as it is shown
    kind: LabelKind = "section"  # what it says
    yours: bool = False  # whether it begins the student's turn


@dataclass(frozen=True, slots=True)
class Section:
    """Bars of one tempo: a count-in, a chorus, a pass, the ending."""

    name: str  # what it is called
    start: Fraction  # and `seconds`: exact start and length in seconds
    seconds: Fraction
    first_beat: Fraction  # and `beats`: exact start and length in felt beats
    beats: Fraction
    tempo: Fraction  # and `swing`: felt beats a minute at its start, and long part to short part
    swing: float
    notes: tuple[Note, ...]  # and `labels`: in order of time
    labels: tuple[Label, ...] = ()
    # Later tempos within it, each with the beat, from its start, from which it holds.
    steps: Steps = ()
    chords: tuple[Label, ...] = ()  # the names of the chords, each where it starts
    kind: SectionKind = "chorus"  # what it is
    # What is left to the student in it, as notes of the lead; nothing plays them.
    silent: tuple[Note, ...] = ()

    def tempo_runs(self) -> list[tuple[Fraction, Fraction, Fraction, Fraction]]:
        """Return its runs of one tempo: first second, first beat, beats, tempo.

        Seconds and beats count from the start of the piece.
        """
        rows = []
        second = self.start
        starts = [(Fraction(0), self.tempo), *self.steps]
        for number, (beat, tempo) in enumerate(starts):
            end = starts[number + 1][0] if number + 1 < len(starts) else self.beats
            rows.append((second, self.first_beat + beat, end - beat, tempo))
            second += (end - beat) * 60 / tempo
        return rows


@dataclass(frozen=True)
class Stream:
    """A whole piece.

    Attributes
    ----------
    title, key, meter, seed
        What it is and what it grew from.
    sections
        In order, without gaps.
    programs
        General MIDI program of each part that has one.
    facts
        What a summary prints besides: groove, form, bars, choruses.
    tone, pick
        The lead's tone and where it is picked, for audio: words of `phrases.phrase`.
    voice
        Who plays strings and organ in audio, one of `VOICES`.
    window
        The sections that are kept, the first and the one after the last; the others only ring
        into them and are rung into. None keeps all.
    phrase
        What the lead plays, in the stream's key.
    plan
        What the band agreed on, a line of words for each chorus.
    shown
        What is written over a pass, the student's turns included, where that is not the phrase.
    """

    title: str
    key: Key
    meter: Meter
    seed: int
    sections: tuple[Section, ...]
    programs: dict[str, int]
    facts: dict[str, object] = field(default_factory=dict)
    tone: str = "clean"
    pick: str = "middle"
    voice: str = VOICES[0]
    window: tuple[int, int] | None = None
    phrase: Phrase | None = None
    plan: tuple[str, ...] = ()
    shown: Phrase | None = None

    def __repr__(self) -> str:
        kept = self.kept()
        long = clock_time(float(kept.seconds))
        return f"<Stream {self.title!r} in {self.key}, {len(kept.sections)} sections, {long}>"

    @property
    def credits(self) -> Credits:
        """Who made what the lead plays."""
        return self.phrase.credits if self.phrase else NOBODY

    def play(self, **ways: Any) -> None:
        """Play it, as `backing.play` does."""
        import_module("backing").play(self, **ways)

    def _repr_html_(self) -> str:
        """Return the player that a notebook shows."""
        text: str = import_module("backing").shown(self)
        return text

    @property
    def seconds(self) -> Fraction:
        """Exact length of the music; notes may ring a little longer."""
        last = self.sections[-1]
        return last.start + last.seconds

    def kept(self) -> Stream:
        """Return the stream of the sections that are kept, from second and beat 0.

        Nothing rings beyond its end, which is where its start comes again.
        """
        if self.window is None:
            return self
        sections = self.sections[slice(*self.window)]
        second, beat = sections[0].start, sections[0].first_beat
        moved = [
            replace(s, start=s.start - second, first_beat=s.first_beat - beat) for s in sections
        ]
        length = float(moved[-1].seconds)
        cut = tuple(replace(note, end=min(note.end, length)) for note in moved[-1].notes)
        moved[-1] = replace(moved[-1], notes=cut)
        return replace(self, sections=tuple(moved), window=None)

    @property
    def music(self) -> list[Section]:
        """Its sections but the counting in."""
        return [section for section in self.sections if section.kind != "count-in"]

    @property
    def steady(self) -> range:
        """The sections that tell how loud it is: in a loop the passes that have neighbours."""
        passes = [n for n, section in enumerate(self.sections) if section.kind == "pass"]
        if len(passes) < 3:
            return range(len(self.sections))
        return range(passes[1], passes[-1])

    @property
    def voices(self) -> tuple[str, ...]:
        """Voices that sound, in the order of `CHANNELS`."""
        used = {note.voice for section in self.sections for note in section.notes}
        return tuple(voice for voice in CHANNELS if voice in used)

    @property
    def parts(self) -> tuple[str, ...]:
        """Parts that sound; the drums' is ``sticks`` where they do no more than count."""
        drums = {n.pitch for section in self.sections for n in section.notes if n.voice == "drums"}
        named = dict.fromkeys(map(part_of, self.voices))
        return tuple(
            "sticks" if part == "drums" and drums <= set(COUNTING) else part for part in named
        )


def part_of(voice: str) -> str:
    """Return the part a voice belongs to: ``lead``, ``bass``, ``comp`` or ``drums``."""
    return voice.split()[0]


def bend_value(cents: float) -> int:
    """Return the 14-bit bend for a pitch in cents, under a range of `BEND_RANGE` semitones."""
    return max(0, min(16383, BEND_CENTRE + round(cents * 8192 / (100 * BEND_RANGE))))


def bend(channel: int, cents: float) -> tuple[int, ...]:
    """Return the message that bends a channel by cents."""
    value = bend_value(cents)
    return (0xE0 | channel, value & 0x7F, value >> 7)


def set_up(voice: str, programs: dict[str, int]) -> list[tuple[int, ...]]:
    """Return the messages that make a voice's channel ready: program, level, pan, bend range."""
    channel = CHANNELS[voice]
    part = part_of(voice)
    volume, pan = LEVELS[part]
    ready: list[tuple[int, ...]] = []
    if part in programs:
        ready.append((0xC0 | channel, programs[part]))
    ready += [(0xB0 | channel, 7, volume), (0xB0 | channel, 10, pan)]
    if part in BENT:
        for controller, value in ((101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127),
                                  (100, 127)):  # fmt: skip
            ready.append((0xB0 | channel, controller, value))
        ready.append(bend(channel, 0.0))
    return ready


def messages(notes: tuple[Note, ...]) -> list[Message]:
    """Return notes as MIDI channel messages in order of time.

    Each is (seconds, rank, bytes); the rank puts what stops before what bends before what
    starts. A note that would overlap the next of its pitch and voice is cut at it, and left out
    where the two start together. What a guitar string still sounds ends where it is picked again
    with the wheel elsewhere: it would be heard at the new note's bend.
    """
    wheels = _wheels(notes)
    stops: dict[tuple[str, int], float] = {}
    every: list[Message] = []
    for note in reversed(notes):
        channel = CHANNELS[note.voice]
        place = (note.voice, note.pitch)
        end = min(note.end, stops.get(place, note.end))
        stops[place] = note.start
        if end <= note.start:
            continue
        every.append((note.start, ON, (0x90 | channel, note.pitch, note.velocity)))
        every.append((end, OFF, (0x80 | channel, note.pitch, 0)))
        if note.curve is not None:
            if id(note) in wheels:
                every.append((note.start, BEND, (0xB0 | channel, SOUND_OFF, 0)))
            for seconds, cents in note.curve.points():
                if note.start + seconds < end:
                    every.append((note.start + seconds, BEND, bend(channel, cents)))
        if note.damped and note.voice in LEAD:
            every.append((note.start, BEND, (0xC0 | channel, DAMPED_PROGRAM)))
            every.append((end, BEND, (0xC0 | channel, LEAD_PROGRAM)))
        if note.swell:
            for step in range(SWELL_STEPS + 1):
                value = SOFT + round((127 - SOFT) * step / SWELL_STEPS)
                at = note.start + (end - note.start) * step / SWELL_STEPS
                every.append((at, BEND, (0xB0 | channel, EXPRESSION, value)))
    every.sort(key=lambda message: message[:2])
    return every


def _wheels(notes: tuple[Note, ...]) -> set[int]:
    """Return the ids of the notes that move the wheel under what their string still sounds."""
    found: set[int] = set()
    left: dict[str, float] = {}  # the cents at which a string's last note was left
    for note in notes:
        if note.curve is None or note.voice not in LEAD:
            continue
        points = note.curve.points()
        if left.get(note.voice) != points[0][1]:
            found.add(id(note))
        for at, cents in points:
            if note.start + at < note.end:
                left[note.voice] = cents
    return found
