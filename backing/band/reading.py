"""Steps that all players share: read a bar, choose its pattern, place notes with a feel."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from backing.band.plan import FLAT
from backing.events import Note
from backing.feel import Feel
from backing.grooves import Groove, Pattern
from backing.harmony import Chord
from backing.lanes import TOUCHES, Hit
from backing.tempo import Clock
from phrases.pitch import Key

__all__ = ["Bar", "Player", "Span", "shortened"]

SHORTEST = 0.02  # where swing brings two strokes of a lane together
LEGATO = 0.94
STACCATO = 0.28  # of a beat


Span = tuple[Fraction, Fraction]  # beats of a bar, from 0


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar as a player reads it: chord, next chord, place in the chorus."""

    # Each with the share of the bar (0 to 1) at which it starts.
    chords: tuple[tuple[Fraction, Chord], ...]
    following: Chord  # the chord after the bar
    # The kinds of pattern that fit, best first: keys of `backing.grooves.groove.WHEN`.
    when: tuple[str, ...] = ("bar",)
    # The kind of chorus it is in: one of `backing.grooves.groove.CHORUS_KINDS`.
    chorus: str = "early"
    # The lowest pitch of the phrase that sounds in it; None where none does.
    ceiling: int | None = None
    strength: float = FLAT  # how strong the chorus is, 0 to 1, as in `backing.band.plan`
    drums: Pattern | None = None  # what the plan has for the drummer in it; None lets him choose
    push: bool = False  # whether all strike together just before the next bar
    # Where in it the phrase sounds; None is all of a bar that it is under.
    sounding: tuple[Span, ...] | None = None
    # Where in it somebody answers the phrase, and who: ``drums`` or ``comp``.
    answer: tuple[Span, str] | None = None
    hits: tuple[Fraction, ...] = ()  # where in it all strike together with the phrase
    # What all play together: the chorus's riff, or the strokes of stop-time.
    line: Pattern | None = None

    def sounds(self, at: Fraction) -> bool:
        """Tell whether the phrase sounds at a beat of the bar."""
        if self.sounding is None:
            return "under" in self.when
        return bool(self.sounding) and any(low <= at < high for low, high in self.sounding)

    def turns(self, beats: int) -> list[tuple[Fraction, Chord]]:
        """Return its chords with the beat of the bar, from 0, at which each starts."""
        return [(at * beats, chord) for at, chord in self.chords]


class Player:
    """One player: what he reads, what he chose last, how he feels the time.

    The part is ``drums``, ``bass`` or ``comp``; the seed chooses among patterns, and a part's
    choices do not depend on another's; looseness is as for `backing.feel.Feel`.
    """

    def __init__(
        self, part: str, groove: Groove, key: Key, seed: object, looseness: float
    ) -> None:
        self.part = part
        self.groove = groove
        self.key = key
        self.beats = groove.meter.beats
        self.chance = random.Random(f"{seed} {part}")
        self._feel = Feel(f"{seed} {part}", looseness)
        self._quiet = random.Random(f"{seed} {part} under a phrase")
        self._last: dict[bool, Pattern] = {}

    def choose(
        self,
        patterns: Sequence[Pattern],
        when: Sequence[str],
        chorus: str,
        *,
        quiet: bool = False,
    ) -> Pattern:
        """Return a pattern for a bar: by weight, and no special one twice running.

        What is chosen to play quietly under a phrase changes nothing of what is chosen besides.
        """
        kinds = ("", chorus, "late") if chorus == "last" else ("", chorus)
        for word in (*when, "bar"):
            fitting = [p for p in patterns if p.when == word and p.chorus in kinds]
            if fitting:
                break
        else:
            fitting = [p for p in patterns if p.when == "bar" and p.bars == 1]
        heaviest = max(p.weight for p in fitting)
        fresh = [p for p in fitting if p is not self._last.get(quiet) or p.weight == heaviest]
        weights = [p.weight for p in fresh]
        chance = self._quiet if quiet else self.chance
        self._last[quiet] = chance.choices(fresh, weights)[0]
        return self._last[quiet]

    def place(self, player: str, seconds: float, velocity: float) -> tuple[float, int]:
        """Return when and how hard a stroke sounds that is written at a time.

        Nothing sounds before its section begins.
        """
        offset, loud = self._feel.stroke(player)
        return max(0.0, seconds + offset), max(1, min(127, round(velocity * loud)))

    def pitched(
        self,
        hit: Hit,
        start: int,
        until: Fraction,
        clock: Clock,
        pitches: Sequence[int],
        loud: float,
    ) -> list[Note]:
        """Return a stroke of bass or comping, held until `until` (beats of the bar) or short."""
        written = clock.seconds(hit.at, start)
        length = (clock.seconds(until, start) - written) * LEGATO
        if hit.short:
            length = min(length, STACCATO * 60 / float(clock.tempo))
        at, velocity = self.place(self.part, written, loud * (0.4 + 0.6 * TOUCHES[hit.touch]))
        end = max(at + SHORTEST, written + length)
        return [Note(self.part, at, end, pitch, velocity) for pitch in pitches]


def shortened(notes: Sequence[Note]) -> list[Note]:
    """Return one voice's single notes, each ended where the next begins."""
    ordered = sorted(notes, key=lambda note: note.start)
    ends = [note.start for note in ordered[1:]] + [float("inf")]
    return [
        Note(n.voice, n.start, max(n.start + 0.001, min(n.end, end)), n.pitch, n.velocity)
        for n, end in zip(ordered, ends, strict=True)
    ]
