"""Takes with known slips, made with the product's own synthesiser.

Put together by program, so bends and legato are cleaner than a hand's.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backing.events import Note, Stream
from backing.listening.ears import Ears, listen
from backing.listening.source import Memory
from backing.sound.synth import PARTS, synthesise
from backing.sound.tone import shaped
from phrases.curve import Curve
from soundfonts import find_soundfont

RATE = 44100


@dataclass(frozen=True)
class Slips:
    """What a student does to a phrase: standard deviations, shares, seconds and cents."""

    spread: float = 0.0
    dropped: float = 0.0
    wrong: float = 0.0
    bends: tuple[float, ...] = (0.0,)
    late: float = 0.0
    tuning: float = 0.0
    seed: int = 1


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


def sounded(played: Sequence[Played], tuning: float = 0.0) -> list[Note]:
    """Return the notes that really sound."""
    out: list[Note] = []
    for one in played:
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
                    note, start=note.start + one.late, end=note.end + one.late,
                    pitch=note.pitch + one.wrong, curve=_tuned(curve, tuning),
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


def sound(notes: Sequence[Note], stream: Stream, tone: str = "clean") -> NDArray[np.float32]:
    """Return the guitar alone, mono, peak at a half."""
    stems = synthesise(tuple(notes), stream.programs, find_soundfont(None).path, RATE)
    lead = shaped(stems[PARTS.index("lead")], RATE, tone, "middle").mean(axis=0)
    out: NDArray[np.float32] = (lead / np.abs(lead).max() * 0.5).astype(np.float32)
    return out


def heard(sound: NDArray[np.float32]) -> Ears:
    """Return what is heard of a sound."""
    return listen(Memory(sound, RATE))


def take(stream: Stream, slips: Slips, tone: str = "clean") -> tuple[tuple[Played, ...], Ears]:
    """Return a take of a stream and what is heard of it."""
    played = student(lead(stream), slips)
    return tuple(played), heard(sound(sounded(played, slips.tuning), stream, tone))
