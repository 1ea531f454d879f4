"""What should be heard in a take: the phrase's notes at the moments at which they were played.

Conventions: times are seconds from the first frame of the take. A segment is a section of the
stream, or the rest of one, as it was really played: a pause, a jump or another tempo begins a
new one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from backing.events import LEAD, Note, Section, Stream
from phrases.counting import spoken_count
from phrases.curve import Curve

__all__ = ["Event", "Place", "Segment", "WrittenNote", "strokes", "unbroken", "whole", "written"]

TOGETHER = 0.03  # seconds within which picks are one stroke
DEAD = 0.05  # seconds; a damped note that is shorter has no pitch
RAKE = 0.0205  # seconds; a damped note that is shorter belongs to a rake
TRILL = 8  # moves under one pick, above which they are not told apart
ROOM = 0.06  # seconds a hammer-on, pull-off or slide must last to be heard as one
SOFT = 70  # velocity
STILL = Curve()


@dataclass(frozen=True, slots=True)
class Segment:
    """A section, or a part of one, as it was played."""

    section: int  # its number in the stream
    at: float  # second of the take at which it begins
    offset: float = 0.0  # second within the section from which it is played
    pace: float = 1.0  # seconds of the section in a second of the take
    until: float = math.inf  # second of the take at which it is left; infinite: not before its end

    @classmethod
    def of(cls, row: Sequence[float | None]) -> Segment:
        """Return a row of a take's slate as a segment."""
        section, at, offset, pace, until = row
        return cls(
            int(section or 0), at or 0.0, offset or 0.0, pace or 1.0,
            math.inf if until is None else until,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """One string of a stroke: its pitch, how that moves, and how far into that it begins."""

    string: str
    pitch: int
    curve: Curve = STILL
    since: float = 0.0

    def cents(self, seconds: float) -> float:
        """Return the written pitch some seconds after the beginning, 100 times the MIDI pitch."""
        return 100.0 * self.pitch + self.curve.at(max(0.0, seconds) + self.since)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the phrase something is: the part, the bar in it (0 is its pickup), the count."""

    part: str
    bar: int
    beat: int
    within: Fraction

    def __str__(self) -> str:
        bar = f"bar {self.bar}" if self.bar > 0 else "the pickup"
        said = [self.part.lower(), bar, spoken_count(self.beat, self.within)]
        return ", ".join(word for word in said if word)


NOWHERE = Place("", 1, 1, Fraction(0))


@dataclass(frozen=True, slots=True)
class Event:
    """Something that should be heard to begin."""

    at: float  # seconds of the take
    end: float
    notes: tuple[WrittenNote, ...]  # what begins on each string
    kind: str  # pick; step: a hammer-on, pull-off or slide; dead: a muted string; rake
    tempo: float  # felt beats a minute
    beat: Fraction  # of its section
    soft: bool = False  # whether it is written soft
    place: Place = NOWHERE  # in the phrase
    go: int = 0  # its segment, counted from 0; a pickup belongs to the one it leads into
    raked: bool = False  # whether a rake leads into it, so that it begins nowhere

    @property
    def pitched(self) -> bool:
        """Whether it has a pitch of its own that one can listen for."""
        return self.kind in ("pick", "step") and len(self.notes) == 1

    def moved(self, by: float) -> Event:
        """Return it some seconds later."""
        return replace(self, at=self.at + by, end=self.end + by)

    def cents(self, seconds: float) -> float:
        """Return the written pitch of its first string some seconds after it begins."""
        return self.notes[0].cents(seconds)


def unbroken(stream: Stream) -> list[Segment]:
    """Return the segments of a stream that was played from end to end."""
    return [Segment(n, float(section.start)) for n, section in enumerate(stream.sections)]


def written(stream: Stream, segments: Iterable[Segment], *, turns: bool) -> list[Event]:
    """Return the notes that the student should be heard to play, in order of time.

    Parameters
    ----------
    stream
        What was played.
    segments
        As it was played.
    turns
        Whether only what the stream leaves open is the student's; else the whole phrase is.
    """
    events: list[Event] = []
    for go, segment in enumerate(segments):
        section = stream.sections[segment.section]
        notes = [*section.silent]
        if not turns:
            notes += [note for note in section.notes if note.voice in LEAD]
        here = [
            _played(note, segment)
            for note in sorted(notes, key=lambda note: note.start)
            if note.start >= segment.offset
        ]
        here = [note for note in here if note.start < segment.until]
        last = segment.section + 1 == len(stream.sections)
        following = None if last else stream.sections[segment.section + 1]
        tempo = float(section.tempo) * segment.pace
        for event in strokes(here, tempo):
            where = _place(event.beat, section, following, stream)
            late = where.bar == 0 and section.beats - event.beat <= stream.meter.beats
            if late and following is not None:  # a pickup belongs to the pass that it leads to
                event = replace(event, tempo=float(following.tempo) * segment.pace)
            events.append(replace(event, place=where, go=go + late))
    return whole(events)


def whole(strokes: Sequence[Event]) -> list[Event]:
    """Return strokes with the hammer-ons, pull-offs and slides after them, in order of time."""
    events = [one for event in strokes for one in (event, *_steps(event))]
    events.sort(key=lambda event: event.at)
    return [
        replace(event, raked=event.kind == "pick" and n > 0 and events[n - 1].kind == "rake")
        for n, event in enumerate(events)
    ]


def _played(note: Note, segment: Segment) -> Note:
    start, end = (
        segment.at + (at - segment.offset) / segment.pace for at in (note.start, note.end)
    )
    return replace(note, start=start, end=end)


def strokes(notes: Sequence[Note], tempo: float) -> list[Event]:
    """Return notes as strokes: what is picked together is one."""
    out: list[Event] = []
    for note in notes:
        part = WrittenNote(LEAD[note.voice], note.pitch, note.curve or STILL)
        length = note.end - note.start
        kind = "pick"
        if note.damped and length <= DEAD:
            kind = "rake" if length <= RAKE else "dead"
        last = out[-1] if out else None
        if kind == "pick" and last and last.kind == "pick" and note.start - last.at < TOGETHER:
            out[-1] = replace(last, notes=(*last.notes, part), end=max(last.end, note.end))
            continue
        soft = note.velocity < SOFT
        beat = note.beat or Fraction(0)
        out.append(Event(note.start, note.end, (part,), kind, tempo, beat, soft))
    return out


def _steps(event: Event) -> list[Event]:
    """Return the hammer-ons, pull-offs and slides after one pick that last long enough."""
    if event.kind != "pick" or len(event.notes) > 1:
        return []
    part = event.notes[0]
    glides = part.curve.glides
    if len(glides) > TRILL:
        return []
    out = []
    before = part.curve.first
    ends = [*(glide.start for glide in glides[1:]), event.end - event.at][: len(glides)]
    for glide, until in zip(glides, ends, strict=True):
        hand = glide.kind != "bend" and abs(glide.cents - before) >= 50
        if hand and until - glide.start >= ROOM and glide.start >= ROOM:
            begins = replace(part, since=glide.start + 1e-6)
            out.append(
                replace(
                    event, at=event.at + glide.start, end=event.at + until, kind="step",
                    notes=(begins,),
                )
            )  # fmt: skip
        before = glide.cents
    return out


def _place(beat: Fraction, section: Section, following: Section | None, stream: Stream) -> Place:
    """Return where in the phrase a beat is; a pickup belongs to what it leads into."""
    beats = stream.meter.beats
    parts = stream.phrase.parts if stream.phrase is not None else ()
    pickups = {part.role.capitalize(): part.pickup for part in parts}
    starts = [(at, text) for at, text in _turns(section)]
    if following is not None:
        starts += [(section.beats + at, text) for at, text in _turns(following)]
    said, first = "", Fraction(0)
    for at, text in starts:
        if at - pickups.get(text, Fraction(0)) <= beat:
            said, first = text, at
    bar = int(beat // beats)
    begun = math.ceil(first / beats)  # the bar in which the part's first beat is
    within = beat - bar * beats
    return Place(said, max(0, bar - begun + 1), int(within) + 1, within - int(within))


def _turns(section: Section) -> list[tuple[Fraction, str]]:
    """Return the parts and turns of a section, each with the beat on which it begins."""
    beats = float(section.beats) / float(section.seconds)
    return [
        (Fraction(round(label.seconds * beats * 48), 48), label.text)
        for label in section.labels
        if label.kind in ("part", "turn")
    ]
