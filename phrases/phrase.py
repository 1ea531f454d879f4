"""The data: what one guitarist plays, exactly and without sound.

Conventions: positions are exact beats from the first beat of a part's first bar, so a pickup
lies below zero. A stroke is what the pick hits at once: one note, or a double stop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from phrases.counting import METERS, Meter
from phrases.pitch import Key

__all__ = ["ROLES", "Move", "Note", "Part", "Phrase", "Stroke"]

ROLES = ("call", "response", "line")


@dataclass(frozen=True, slots=True)
class Move:
    """One technique under a picked note.

    Attributes
    ----------
    sign
        A key of `phrases.techniques.TECHNIQUES`.
    fret
        Where it goes, for slides, hammer-ons, pull-offs and bends to a fret.
    size
        A key of `phrases.techniques.BEND_SIZES`, for bends by a size.
    at
        The beat it was counted on; None where it follows at once.
    """

    sign: str
    fret: int | None = None
    size: str | None = None
    at: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """One string under a stroke; `fret` is None for a muted string."""

    string: str
    fret: int | None
    moves: tuple[Move, ...] = ()
    marks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stroke:
    """What the pick hits at beat `at`; it rings until beat `end`."""

    at: Fraction
    end: Fraction
    notes: tuple[Note, ...]

    def moved(self, beats: Fraction | int) -> Stroke:
        """Return the same stroke some beats later."""
        notes = tuple(
            replace(
                note,
                moves=tuple(
                    move if move.at is None else replace(move, at=move.at + beats)
                    for move in note.moves
                ),
            )
            for note in self.notes
        )
        return Stroke(self.at + beats, self.end + beats, notes)


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
    """

    role: str
    bars: int
    strokes: tuple[Stroke, ...]

    @property
    def pickup(self) -> Fraction:
        """Beats before bar one at which the part starts, 0 or more."""
        return max(Fraction(0), -self.strokes[0].at) if self.strokes else Fraction(0)


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
    swing
        As written, ``2:1`` or ``auto``; empty where the groove decides.
    lines
        Over which four-bar lines of a form it is played: ``every``, ``first``, ``outer``.
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
    swing: str = ""
    lines: str = "every"

    @property
    def bars(self) -> int:
        """Length in bars, the pickup not counted."""
        return sum(part.bars for part in self.parts)

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

        One guitarist plays them: where a pickup begins, the note before it stops ringing.
        """
        beats = self.meter.beats
        every = [
            stroke.moved(bar * beats) for bar, part in self.placed() for stroke in part.strokes
        ]
        every.sort(key=lambda stroke: stroke.at)
        cut = [replace(a, end=min(a.end, b.at)) for a, b in pairwise(every)]
        return tuple(cut + every[-1:])
