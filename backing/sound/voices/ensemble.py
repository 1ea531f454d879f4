"""Who plays what: strings and wheels of our own, and the soundfont for the rest.

Conventions: sound is dry stems, a stereo pair for each part, as `backing.sound.synth` makes it.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator
from pathlib import Path
from typing import Protocol

import numpy as np

from backing.events import LEVELS, VOICES, Note, Stream, part_of
from backing.sound.filters import Samples
from backing.sound.synth import LENGTH, PARTS, Stems, stretches
from backing.sound.voices.gauges import BASS, GUITAR
from backing.sound.voices.guitar import Strings
from backing.sound.voices.loop import HOP

__all__ = ["played", "sampled"]


# The General MIDI programs, from 0, of the parts that are played here.
OWN: dict[str, Container[int]] = {"lead": range(128), "comp": (26, 27), "bass": (33,)}


class _Voice(Protocol):
    """A part that is played here: no frame sounds after `frames`."""

    frames: int

    def play(self, start: int, frames: int) -> Samples: ...


def _voice(
    part: str, program: int, notes: tuple[Note, ...], pick: str, rate: int
) -> _Voice | None:
    """Return who plays a part; None for the soundfont."""
    if part not in OWN or program not in OWN[part]:
        return None
    if part == "bass":
        return Strings(BASS, notes, "", rate)
    return Strings(GUITAR, notes, pick if part == "lead" else "middle", rate)


def sampled(stream: Stream) -> list[str]:
    """Return the parts of a stream that the soundfont plays."""
    parts = dict.fromkeys(map(part_of, stream.voices))
    if stream.voice != "strings":
        return list(parts)
    return [part for part in parts if stream.programs.get(part, -1) not in OWN.get(part, ())]


def played(
    notes: tuple[Note, ...], programs: dict[str, int], soundfont: Path, rate: int,
    voice: str = VOICES[0], pick: str = "middle",
) -> Iterator[Stems]:  # fmt: skip
    """Yield notes as dry stems, from frame 0 on, in stretches.

    Parameters
    ----------
    notes, programs, soundfont, rate
        As for `backing.sound.synth.stretches`.
    voice
        One of `backing.events.VOICES`.
    pick
        Where the lead is picked, a key of `backing.sound.voices.gauges.PICKS`.

    Yields
    ------
    numpy.ndarray
        As `backing.sound.synth.stretches` does.

    Raises
    ------
    AudioError
        If FluidSynth is missing or cannot load the soundfont.
    """
    own: dict[str, _Voice] = {}
    if voice == "strings":
        for part in PARTS:
            mine = tuple(note for note in notes if part_of(note.voice) == part)
            who = _voice(part, programs.get(part, -1), mine, pick, rate) if mine else None
            if who is not None:
                own[part] = who
    rest = tuple(note for note in notes if part_of(note.voice) not in own)
    if not own:
        yield from stretches(rest, programs, soundfont, rate)
        return
    sampled = stretches(rest, programs, soundfont, rate) if rest else iter(())
    last = max(who.frames for who in own.values())
    start = 0
    while True:
        stems = next(sampled, None)
        if stems is None and start >= last:
            return
        frames = min(LENGTH, math.ceil(max(0, last - start) / HOP) * HOP)
        if stems is None or stems.shape[2] < frames:
            longer = np.zeros((len(PARTS), 2, frames), np.float32)
            if stems is not None:
                longer[:, :, : stems.shape[2]] = stems
            stems = longer
        if start < last:
            for part, who in own.items():
                sound = who.play(start, stems.shape[2])
                stems[PARTS.index(part)] += sound * _sides(part)[:, None]
        yield stems
        start += LENGTH


def _sides(part: str) -> Samples:
    """Return the gains of left and right, of the same power wherever a part stands."""
    place = LEVELS[part][1] / 127 * math.pi / 2
    return np.array([math.cos(place), math.sin(place)], np.float32)
