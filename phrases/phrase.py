"""The data: what one guitarist plays, exactly and without sound.

Conventions: positions are exact beats from the first beat of a part's first bar, so a pickup
lies below zero. A stroke is what the pick hits at once: one note, or a double stop.

References: Friberg & Sundstrom 2002, Music Perception 19(3), 333-349: a soloist's down-beats come
after the band's, his off-beats with them. How late is common practice, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from phrases.counting import METERS, Meter, even_beats
from phrases.credits import NOBODY, Credits
from phrases.errors import ChoiceError
from phrases.fretboard import fret_pitch, parse_tuning
from phrases.pitch import Key
from phrases.techniques import HARMONICS, PINCHED, TECHNIQUES, Technique
from phrases.words import choose

__all__ = [
    "DYNAMICS", "LATEST", "LEVELS", "MOST_DRAG", "PICKS", "ROLES", "SLIDES_ON", "TONES", "Move",
    "Part", "Phrase", "StringNote", "Stroke", "Tip", "bend_cents", "laid_back", "one_by_one",
    "part_names",
]  # fmt: skip

ROLES = ("call", "response", "line")
LEVELS = ("easy", "medium", "hard")
TONES = ("clean", "driven", "fuzz")
SLIDES_ON = {"middle": 2, "ring": 3, "little": 4}  # the fingers that wear one
PICKS = ("bridge", "middle", "neck")
LATEST = 120  # milliseconds that a phrase may lie behind
MOST_DRAG = 8  # beats
# How loud a part is from its first note to its last: at which shares of it what stands over it.
DYNAMICS: dict[str, tuple[tuple[Fraction, str], ...]] = {
    "rise": ((Fraction(0), "cresc."),),
    "fall": ((Fraction(0), "dim."),),
    "swell": ((Fraction(0), "cresc."), (Fraction(1, 2), "dim.")),
}
SOFT, LOUD = -18, 8  # added to the MIDI velocity where such a part is softest and loudest
BROADER = Fraction(3, 20)  # of its length is what a slowing end is longer by
ARCH = 5  # of MIDI velocity, from the ends of a part to its middle


def part_names(roles: Sequence[str]) -> list[str]:
    """Return the names of parts by their roles: ``call``, or ``call 2`` of several calls."""
    return [
        role if roles.count(role) == 1 else f"{role} {roles[: number + 1].count(role)}"
        for number, role in enumerate(roles)
    ]


@dataclass(frozen=True, slots=True)
class Move:
    """One technique under a picked note."""

    sign: str  # a key of `phrases.techniques.TECHNIQUES`
    fret: int | None = None  # where it goes, for slides, hammer-ons, pull-offs and bends to a fret
    size: str | None = None  # a key of `phrases.techniques.BEND_SIZES`, for bends by a size
    at: Fraction | None = None  # the beat it was counted on; None where it follows at once
    over: Fraction | None = None  # beats that it takes; None as long as hands take
    # Times a second that it comes and goes; None as often as hands do it.
    rate: Fraction | None = None
    grows: bool = False  # whether a vibrato grows from nothing to its width

    @property
    def technique(self) -> Technique:
        """Its row of the table."""
        return TECHNIQUES[self.sign]

    def __str__(self) -> str:
        """Return it as it is written: ``h7``, ``b(full)``."""
        inside = [self.size or "", *self.manner]
        told = f"({' '.join(filter(None, inside))})" if any(inside) else ""
        return self.sign + ("" if self.fret is None else str(self.fret)) + told

    def later(self, beats: Fraction | int) -> Move:
        """Return the same move some beats later; what follows at once still does."""
        return self if self.at is None else replace(self, at=self.at + beats)

    @property
    def manner(self) -> tuple[str, ...]:
        """How it is done, as it is written in brackets behind a size."""
        found = []
        if self.over is not None:
            found.append(f"over {self.over}")
        if self.rate is not None:
            found.append(f"{float(self.rate):g}/s")
        return (*found, "grows") if self.grows else tuple(found)

    @property
    def words(self) -> str:
        """Its size, where no bend has it, and how it is done, in words; mostly nothing."""
        found = []
        if self.size is not None and not self.technique.bending:
            found.append("a half step" if self.size == "1/2" else f"{self.size} step")
        if self.over is not None:
            found.append(f"over {self.over} beat{'s' * (self.over > 1)}")
        if self.rate is not None:
            found.append(f"{float(self.rate):g} times a second")
        return ", ".join([*found, "growing"] if self.grows else found)


@dataclass(frozen=True, slots=True)
class StringNote:
    """One string under a stroke."""

    string: str  # and `fret`: where; the fret is None for a muted string
    fret: int | None
    moves: tuple[Move, ...] = ()  # and `marks`: what the hands do to it
    marks: tuple[str, ...] = ()
    into: str = ""  # a key of `phrases.techniques.SLIDES` where it is slid into from nowhere
    tuned: int = 0  # semitones by which its string is above its usual pitch
    glass: int = 0  # the finger with the slide that stops it; 0 where the finger itself does

    def pitch(self, fret: int) -> int:
        """Return the MIDI pitch of its string at a fret."""
        return fret_pitch(self.string, fret) + self.tuned

    def walked(self) -> Iterator[tuple[Move, int]]:
        """Yield each move with the fret from which it goes, 0 for a muted string."""
        fret = self.fret or 0
        for move in self.moves:
            yield move, fret
            fret = move.fret if move.fret is not None and move.technique.lands else fret

    @property
    def raised(self) -> int:
        """Semitones above its fret at which it sounds: a harmonic is higher."""
        if "harmonic" in self.marks and self.fret is not None:
            return HARMONICS[self.fret] - self.fret
        return PINCHED if "pinch" in self.marks else 0


@dataclass(frozen=True, slots=True)
class Stroke:
    """Notes that one movement of the pick hits together."""

    at: Fraction  # and `end`: the beats from which and until which it rings
    end: Fraction
    notes: tuple[StringNote, ...]  # one for each string
    late: float = 0.0  # seconds that it comes after its beat, as the phrase is laid back
    laid: float = 0.0  # the share, 0 to 1, of `laid_back` that it comes late besides
    # `drag` and `drag_end`: beats that it comes, and ends, after its beat where the phrase slows
    # down at its end.
    drag: Fraction = Fraction(0)
    drag_end: Fraction = Fraction(0)
    lift: int = 0  # added to its MIDI velocity, for its place in the line
    # The beats that its phrase divides evenly, so that nothing swings there.
    even: frozenset[int] = frozenset()

    @property
    def counts(self) -> tuple[Fraction, ...]:
        """The beats that are counted: of its start and end, and of what the hand does between."""
        moves = (move.at for note in self.notes for move in note.moves if move.at is not None)
        return (self.at, self.end, *moves)

    def moved(self, beats: Fraction | int) -> Stroke:
        """Return the same stroke some beats later."""
        notes = tuple(
            replace(note, moves=tuple(move.later(beats) for move in note.moves))
            for note in self.notes
        )
        even = frozenset(math.floor(beat + beats) for beat in self.even)
        return replace(self, at=self.at + beats, end=self.end + beats, notes=notes, even=even)

    def mapped(self, make: Callable[[StringNote], StringNote]) -> Stroke:
        """Return the same stroke with each of its notes changed."""
        return replace(self, notes=tuple(map(make, self.notes)))

    def until(self, at: Fraction, drag: Fraction | int = 0) -> Stroke:
        """Return the same stroke, stopped where another begins, however slow its part becomes.

        The other is at the beat `at`, later than this one's, and comes `drag` beats after it.
        """
        end = min(self.end, at)
        return replace(
            self,
            end=end,
            drag=min(self.drag, drag + (at - self.at) / 2),
            drag_end=min(self.drag_end, at + drag - end),
        )


@dataclass(frozen=True, slots=True)
class Part:
    """A call, a response or a single line.

    Attributes
    ----------
    role
        One of `ROLES`.
    bars
        Length in bars, the pickup not counted.
    strokes
        In order of time; those before beat 0 are the pickup.
    drag
        Beats before the end of its last note over which it slows down while the band goes on.
    dynamics
        A key of `DYNAMICS`, or empty where it stays as loud as it is.
    """

    role: str
    bars: int
    strokes: tuple[Stroke, ...]
    drag: Fraction = Fraction(0)
    dynamics: str = ""

    @property
    def directions(self) -> tuple[tuple[Fraction, Fraction, str], ...]:
        """What its dynamics say: from the beat of a stroke to that of another, and how."""
        words = DYNAMICS.get(self.dynamics, ())
        found = [
            min((s.at for s in self.strokes), key=lambda at: abs(self._share(at) - share))
            for share, _ in words
        ]
        last = self.strokes[-1]
        end = last.end if found[-1:] == [last.at] else last.at
        ends = [*found[1:], end][: len(found)]
        return tuple((at, to, word) for at, to, (_, word) in zip(found, ends, words, strict=True))

    def loudness(self, at: Fraction) -> int:
        """Return the MIDI velocity that its dynamics add at a beat."""
        if not self.dynamics:
            return 0
        share = self._share(at)
        high = {"rise": share, "fall": 1 - share, "swell": 1 - abs(2 * share - 1)}[self.dynamics]
        return round(SOFT + (LOUD - SOFT) * high)

    def _share(self, at: Fraction) -> Fraction:
        first, last = self.strokes[0].at, self.strokes[-1].at
        return (at - first) / (last - first) if last > first else Fraction(1)

    def strung(self, tuned: Mapping[str, int], glass: int = 0) -> Part:
        """Return the part on strings tuned so, and with a slide on a finger.

        `tuned` are the semitones by which each string is above its usual pitch; `glass` the
        finger, 0 for none: notes that have another finger written are stopped by that.
        """
        if not glass and not any(tuned.values()):
            return self

        def strung(note: StringNote) -> StringNote:
            other = {"1", "2", "3", "4"} - {str(glass)}
            slid = glass if note.fret and not other & set(note.marks) else 0
            return replace(note, tuned=tuned[note.string], glass=slid)

        return self.mapped(strung)

    def mapped(self, make: Callable[[StringNote], StringNote]) -> Part:
        """Return the same part with each of its notes changed."""
        return replace(self, strokes=tuple(stroke.mapped(make) for stroke in self.strokes))

    @property
    def pickup(self) -> Fraction:
        """Beats before bar one at which the part starts, 0 or more."""
        return max(Fraction(0), -self.strokes[0].at) if self.strokes else Fraction(0)


@dataclass(frozen=True, slots=True)
class Tip:
    """A remark of the teacher's, in Markdown."""

    text: str  # what to mind
    # `part` and `at`: the number of the part it speaks of, from 0, and the beat in it; None for
    # the whole.
    part: int | None = None
    at: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Phrase:
    """One phrase file.

    Attributes
    ----------
    title
        Its name.
    key
        The key it is written in.
    scale
        A key of `phrases.pitch.SCALES`, or an empty string.
    groove
        The name of the groove it belongs to.
    tempo
        Felt beats a minute.
    meter
        How its counts read.
    tuning
        As written, ``open G`` or six note names; empty for the standard one.
    slide
        The finger that wears a slide, a key of `SLIDES_ON`; empty where none does.
    swing
        As written, ``2:1`` or ``auto``; empty where the groove decides.
    lines
        Over which four-bar lines of a form it is played: ``every``, ``first`` (once a
        chorus) or ``outer``.
    behind
        Milliseconds that it lies behind the beat; None as players do at its tempo.
    tone, pick
        The guitar's sound and where it is picked, one of `TONES` and of `PICKS`, or empty.
    level, tags
        How hard it is, one of `LEVELS` or empty, and what it is about.
    tips
        Of the whole and of single places.
    variations
        By name; each is a whole phrase without variations of its own.
    credits
        Who made it.
    parts
        In the order they are played, each after the bars of the one before.
    """

    title: str
    key: Key
    groove: str
    tempo: Fraction
    parts: tuple[Part, ...]
    scale: str = ""
    meter: Meter = METERS["4/4"]
    tuning: str = ""
    slide: str = ""
    swing: str = ""
    lines: str = "every"
    behind: int | None = 0
    tone: str = ""
    pick: str = ""
    level: str = ""
    tags: tuple[str, ...] = ()
    tips: tuple[Tip, ...] = ()
    variations: tuple[tuple[str, Phrase], ...] = ()
    credits: Credits = NOBODY

    @property
    def bars(self) -> int:
        """Length in bars, the pickup not counted."""
        return sum(part.bars for part in self.parts)

    @property
    def tuned(self) -> dict[str, int]:
        """Semitones by which each string is above its usual pitch."""
        return parse_tuning(self.tuning or "standard")

    def strung(self, part: Part) -> Part:
        """Return a part on the phrase's strings, with its slide."""
        return part.strung(self.tuned, SLIDES_ON.get(self.slide, 0))

    @property
    def even(self) -> frozenset[int]:
        """The beats, from its first bar, that it divides evenly: nothing swings there."""
        return frozenset[int]().union(*(stroke.even for stroke in self.strokes()))

    def variation(self, name: str) -> Phrase:
        """Return a variation by its name; raises `ChoiceError` with the nearest one."""
        found = dict(self.variations)
        if not found:
            raise ChoiceError(f'"{self.title}" has no variations; leave the variation out')
        return found[choose(f'a variation of "{self.title}"', name, found)]

    def placed(self) -> tuple[tuple[int, Part], ...]:
        """Return each part with the bar it starts on, from 0."""
        starts = []
        bar = 0
        for part in self.parts:
            starts.append((bar, part))
            bar += part.bars
        return tuple(starts)

    def strokes(self) -> tuple[Stroke, ...]:
        """Return all strokes in order, in beats from the phrase's first bar.

        One guitarist plays them: where a pickup begins, the note before it stops ringing. He
        plays them as a line, laid back as the phrase says, and slows down where it says so.
        """
        beats = self.meter.beats
        late, laid = (0.0, 1.0) if self.behind is None else (self.behind / 1000, 0.0)
        every = [
            replace(
                stroke.moved(bar * beats),
                late=late * _down(stroke.at),
                laid=laid * _down(stroke.at),
                drag=_dragged(part, stroke.at),
                drag_end=_dragged(part, stroke.end),
                lift=_lifted(number, len(part.strokes)) + part.loudness(stroke.at),
            )
            for bar, part in self.placed()
            for number, stroke in enumerate(part.strokes)
        ]
        line = one_by_one(every)
        if line:
            # The next time round begins with the pickup, or with the bar.
            last, room = line[-1], self.bars * beats - self.parts[0].pickup
            room = room if room > last.at else Fraction(self.bars * beats)
            line[-1] = replace(last, drag=min(last.drag, (room - last.at) / 2))
        return tuple(line)


def one_by_one(strokes: Iterable[Stroke], until: Fraction | None = None) -> list[Stroke]:
    """Return strokes in order, as one guitarist plays them: the next one stops the one before.

    `until` is the beat at which something else begins after the last.
    """
    line = sorted(strokes, key=lambda stroke: stroke.at)
    even = even_beats(at for stroke in line for at in stroke.counts)
    even = even.union(*(stroke.even for stroke in line))
    found: list[Stroke] = []
    for stroke in reversed(line):
        if found:
            stroke = stroke.until(found[-1].at, found[-1].drag)
        elif until is not None:
            stroke = stroke.until(until)
        beats = range(math.floor(stroke.at), math.floor(stroke.end) + 1)
        found.append(replace(stroke, even=even.intersection(beats)))
    return found[::-1]


def bend_cents(move: Move, fret: int) -> int:
    """Return the cents to which a bend or a release brings a string stopped at a fret."""
    if move.size is not None:
        return move.technique.sizes[move.size]
    return 100 * (move.fret - fret) if move.fret is not None else 0


def laid_back(beat: float) -> float:
    """Return the seconds players lay back in a beat of so many: a twelfth of it, 50 ms at most."""
    return min(0.05, beat / 12)


def _down(at: Fraction) -> float:
    """Return how much of a down-beat a place is: 1 on the beat, 0 from halfway on."""
    return float(max(Fraction(0), 1 - 2 * (at % 1)))


def _dragged(part: Part, at: Fraction) -> Fraction:
    """Return how far a stroke is pushed back by the slowing end of its part: more and more."""
    since = at - (part.strokes[-1].end - part.drag)
    if not part.drag or since <= 0:
        return Fraction(0)
    return BROADER * since * since / part.drag


def _lifted(number: int, count: int) -> int:
    if count < 3:
        return 0
    return round(ARCH * math.sin(math.pi * number / (count - 1))) - ARCH // 2
