"""Cymbals: a stroke that rings for seconds is taken from the soundfont once, and laid often.

Conventions: sound is stereo, shape (2, frames). FluidSynth has a voice for each stroke that still
rings, some twenty of a ride, which took longer than all the rest of a band. Softer strokes of one
sample are the same sound with less gain (SoundFont 2.01, 8.4.1: by the square of the velocity);
where that is not so, as a harder stroke has a sample of its own, FluidSynth plays them all.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from backing.events import Note
from backing.sound.filters import Samples, once
from backing.sound.synth import BLOCK, chunks

__all__ = ["CYMBALS", "Strokes", "stroke"]

# General MIDI keys of what rings for long and is not choked: crash, ride, China, bell, splash.
CYMBALS = (49, 51, 52, 53, 55, 57, 59)
HARD, SOFT = 127, 60  # velocities
ALIKE = 1e-4  # of the height, by which strokes may differ that are called alike


@once(2 * len(CYMBALS))
def stroke(key: int, program: int, soundfont: Path, rate: int) -> Samples | None:
    """Return a hard stroke; None where a soft one is another sound."""
    hard, soft = (
        chunks((Note("drums", 0.0, 0.06, key, velocity),), {"drums": program}, soundfont, rate)
        for velocity in (HARD, SOFT)
    )
    sound, first = np.concatenate([piece[0] for piece in hard], axis=1), next(soft)[0]
    alike = sound[:, : first.shape[1]]
    power = float((alike**2).sum())
    gain = float((first * alike).sum()) / max(power, 1e-9)
    if np.abs(first - gain * alike).max() > ALIKE * np.abs(first).max():
        return None
    return sound


class Strokes:
    """Strokes on cymbals, chunk by chunk.

    Parameters
    ----------
    notes
        Of `CYMBALS`, in order of time.
    program, soundfont
        Whose cymbals they are.
    rate
        Frames a second.

    Attributes
    ----------
    frames
        After so many nothing sounds.
    """

    def __init__(self, notes: Sequence[Note], program: int, soundfont: Path, rate: int) -> None:
        self._laid = []
        for note in notes:
            sound = stroke(note.pitch, program, soundfont, rate)
            assert sound is not None
            at = round(note.start * rate / BLOCK) * BLOCK
            self._laid.append((at, np.float32((note.velocity / HARD) ** 2), sound))
        self.frames = max(at + sound.shape[1] for at, _, sound in self._laid)

    def play(self, start: int, frames: int) -> Samples:
        """Return frames from `start` on."""
        out = np.zeros((2, frames), np.float32)
        for at, gain, sound in self._laid:
            begin, end = max(at, start), min(at + sound.shape[1], start + frames)
            if begin < end:
                out[:, begin - start : end - start] += sound[:, begin - at : end - at] * gain
        return out
