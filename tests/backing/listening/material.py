"""Takes with known slips, made with the product's own synthesiser.

Put together by program, so bends and legato are cleaner than a hand's.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backing.events import Note, Stream
from backing.listening.ears import Ears, listen
from backing.listening.source import Memory
from backing.sound.synth import PARTS
from backing.sound.tone import shaped
from backing.sound.voices.ensemble import plain_level, played
from phrases.curve import Curve
from phrases.fretboard import fret_pitch
from phrases.phrase import Phrase, bend_cents
from soundfonts import find_soundfont

RATE = 44100


@dataclass(frozen=True)
class Slips:
    """What a student does to a phrase.

    `spread` and `late` in seconds, `dropped`, `wrong` and `added` as shares of the strokes,
    `bends` and `tuning` in cents; strings ring on for up to `ring` seconds, and the hand touches
    a string `noises` times a second.
    """

    spread: float = 0.0
    dropped: float = 0.0
    wrong: float = 0.0
    bends: tuple[float, ...] = (0.0,)
    late: float = 0.0
    tuning: float = 0.0
    seed: int = 1
    added: float = 0.0
    ring: float = 0.0
    noises: float = 0.0


@dataclass(frozen=True)
class Played:
    """A stroke as it was played: the written notes, how late, and what was wrong with it."""

    notes: tuple[Note, ...]
    late: float
    dropped: bool
    wrong: int
    bend: float


def lead(stream: Stream, *, turns: bool = False) -> list[Note]:
    """Return the student's notes in seconds of the piece."""
    out = []
    for section in stream.sections:
        notes = [] if turns else [n for n in section.notes if n.voice.startswith("lead")]
        for note in [*notes, *section.silent]:
            at = float(section.start)
            out.append(replace(note, start=at + note.start, end=at + note.end))
    return sorted(out, key=lambda note: note.start)


def student(notes: Sequence[Note], slips: Slips) -> list[Played]:
    """Return a phrase with slips, stroke by stroke."""
    chance = random.Random(slips.seed)
    strokes: list[list[Note]] = []
    for note in notes:
        if strokes and note.start - strokes[-1][-1].start < 0.06:
            strokes[-1].append(note)
        else:
            strokes.append([note])
    out = []
    for stroke in strokes:
        late = max(-0.08, min(0.08, chance.gauss(0, slips.spread))) if slips.spread else 0.0
        dropped = chance.random() < slips.dropped
        wrong = chance.choice((-2, -1, 1, 2)) if chance.random() < slips.wrong else 0
        wrong = 0 if stroke[0].damped else wrong
        bend = chance.choice(slips.bends)
        out.append(Played(tuple(stroke), late + slips.late, dropped, wrong, bend))
    return out


def added(strokes: Sequence[Played], slips: Slips) -> list[Note]:
    """Return notes that nobody wrote, in gaps of 0.3 s and more, and touches of the hand."""
    chance = random.Random(slips.seed + 1)
    out = []
    for one, after in pairwise(strokes):
        first = one.notes[0]
        gap = after.notes[0].start - first.start
        if chance.random() < slips.added and gap > 0.3:
            at = first.start + chance.uniform(0.4, 0.7) * gap
            end = min(at + 0.25, after.notes[0].start + after.late - 0.01)
            pitch = max(40, first.pitch + chance.choice((-3, -2, 2, 3, 5)))
            out.append(Note(first.voice, at, end, pitch, 88))
    at = 0.5
    while slips.noises and at < strokes[-1].notes[0].start:
        at += chance.expovariate(slips.noises)
        voice = f"lead {chance.choice('EADG')}"
        out.append(Note(voice, at, at + 0.02, 45, 60, Curve(), damped=True))
    return out


def sounded(strokes: Sequence[Played], slips: Slips) -> list[Note]:
    """Return the notes that really sound."""
    chance = random.Random(slips.seed + 2)
    out: list[Note] = added(strokes, slips)
    for one in strokes:
        for note in one.notes if not one.dropped else ():
            curve = note.curve or Curve()
            up = one.bend if curve.first > 0 else 0.0
            glides = tuple(
                replace(g, cents=g.cents + (one.bend if g.seconds > 0 and g.cents > 0 else 0.0))
                for g in curve.glides
            )
            curve = replace(curve, first=curve.first + up, glides=glides)
            out.append(
                replace(
                    note, start=note.start + one.late,
                    end=note.end + one.late + (0 if note.damped else chance.random() * slips.ring),
                    pitch=note.pitch + one.wrong, curve=_tuned(curve, slips.tuning),
                )
            )  # fmt: skip
    out.sort(key=lambda note: note.start)
    last: dict[str, int] = {}
    for n, note in enumerate(out):
        before = last.get(note.voice)
        if before is not None and out[before].end > note.start - 0.008:
            out[before] = replace(
                out[before], end=max(out[before].start + 0.02, note.start - 0.008)
            )
        last[note.voice] = n
    return out


def _tuned(curve: Curve, cents: float) -> Curve:
    return replace(
        curve,
        first=curve.first + cents,
        glides=tuple(replace(g, cents=g.cents + cents) for g in curve.glides),
    )


def sound(
    notes: Sequence[Note],
    stream: Stream,
    tone: str = "clean",
    voice: str = "soundfont",
    soundfont: Path | None = None,
) -> NDArray[np.float32]:
    """Return the guitar alone, mono, peak at a half."""
    font = soundfont or find_soundfont(None).path
    stems = np.concatenate([*played(tuple(notes), stream.programs, font, RATE, voice)], axis=-1)
    plain = plain_level(voice, stream.programs, font, RATE)
    lead = shaped(stems[PARTS.index("lead")], RATE, tone, "middle", plain).mean(axis=0)
    out: NDArray[np.float32] = (lead / np.abs(lead).max() * 0.5).astype(np.float32)
    return out


def heard(sound: NDArray[np.float32]) -> Ears:
    """Return what is heard of a sound."""
    return listen(Memory(sound, RATE))


def take(stream: Stream, slips: Slips, tone: str = "clean") -> tuple[tuple[Played, ...], Ears]:
    """Return a take of a stream and what is heard of it."""
    strokes = student(lead(stream), slips)
    return tuple(strokes), heard(sound(sounded(strokes, slips), stream, tone))


Sounding = tuple[Fraction, int | None, list[tuple[str, Fraction | None, object]]]


def sounding(phrase: Phrase) -> list[Sounding]:
    """Return the notes of a phrase: beat, pitch, and moves with their counts and how far they go.

    On which string and fret is left out: that is a matter of fingers.
    """
    out: list[Sounding] = []
    for bar, part in phrase.placed():
        for stroke in part.strokes:
            for note in stroke.moved(bar * phrase.meter.beats).notes:
                moves: list[tuple[str, Fraction | None, object]] = []
                if note.fret is None:
                    out.append((stroke.at + bar * phrase.meter.beats, None, moves))
                    continue
                if note.into:
                    moves.append((f"{note.into} into", None, None))
                fret = note.fret
                for move in note.moves:
                    far: object = None if move.fret is None else move.fret - fret
                    if move.technique.bending:
                        far = bend_cents(move, fret)
                    if move.technique.lands and move.fret is not None:
                        fret = move.fret
                    moves.append((move.sign, move.at, far))
                pitch = fret_pitch(note.string, note.fret) + note.raised
                out.append((stroke.at + bar * phrase.meter.beats, pitch, moves))
    return out


@dataclass
class Again:
    """A phrase that was caught again: how much of it is right, and what is not, in words."""

    notes: int = 0
    right: int = 0
    more: int = 0
    moves: int = 0
    moves_right: int = 0
    moves_more: int = 0
    rest: list[str] = field(default_factory=list)
    read: bool = True

    def add(self, other: Again) -> None:
        """Add another phrase's."""
        for name in ("notes", "right", "more", "moves", "moves_right", "moves_more"):
            setattr(self, name, getattr(self, name) + getattr(other, name))


def again(written: Phrase, caught: Phrase) -> Again:
    """Compare a phrase with what was caught of it; its bars may be counted from another one."""
    beats = written.meter.beats
    own, heard = sounding(written), sounding(caught)

    def moved(bars: int) -> list[Sounding]:
        by = bars * beats
        return [
            (at + by, pitch, [(s, m if m is None else m + by, far) for s, m, far in moves])
            for at, pitch, moves in heard
        ]

    def fits(bars: int) -> int:
        there = {(at, pitch) for at, pitch, _ in moved(bars)}
        return sum((at, pitch) in there for at, pitch, _ in own)

    left = moved(max(range(-4, 5), key=fits))
    out = Again(notes=len(own))
    for at, pitch, moves in own:
        out.moves += len(moves)
        place = f"bar {at // beats + 1} beat {at % beats + 1}"
        found = next((one for one in left if one[:2] == (at, pitch)), None)
        if found is None:
            out.rest.append(f"{place}: pitch {pitch} is not there")
            continue
        left.remove(found)
        out.right += 1
        others = [*found[2]]
        for move in moves:
            if move in others:
                others.remove(move)
                out.moves_right += 1
            else:
                out.rest.append(f"{place}: {move[0]} of pitch {pitch} is not there")
        out.moves_more += len(others)
        out.rest += [f"{place}: {move[0]} of pitch {pitch} is not written" for move in others]
    out.more = len(left)
    out.rest += [
        f"bar {at // beats + 1} beat {at % beats + 1}: pitch {p} is not written"
        for at, p, _ in left
    ]
    return out
