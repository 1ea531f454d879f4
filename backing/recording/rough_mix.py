"""A rough mix: what was played and what was recorded, level-matched, under one limit."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backing.loudness import BLOCK, MARGIN, SILENCE, Meter, gain_curve
from backing.mix import LIMIT
from backing.output import OutputError, beside

__all__ = ["BELOW", "rough_mix"]

Sound = NDArray[np.float32]

BELOW = 1.0  # LU that the take is under the backing while it sounds
MOST = 24.0  # dB that a take is made louder, so that a silent one does not hiss
CHUNK = 4096 * BLOCK  # frames mixed at a time


def rough_mix(take: Path, backing: Path, out: Path) -> float:
    """Mix a take with its backing into a 16-bit WAV file as long as the longer one.

    Parameters
    ----------
    take, backing
        Files of one rate that start together.
    out
        Is replaced when it is complete.

    Returns
    -------
    float
        The gain of the take in dB.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    import soundfile

    with contextlib.ExitStack() as stack:
        played, recorded = (stack.enter_context(soundfile.SoundFile(p)) for p in (backing, take))
        rate = played.samplerate
        levels = [_loudness(file) for file in (played, recorded)]
        gain = 0.0 if SILENCE in levels else min(MOST, levels[0] - BELOW - levels[1])
        frames = max(played.frames, recorded.frames)
        draft = stack.enter_context(beside(out))
        try:
            with soundfile.SoundFile(draft, "w", rate, 2, format="WAV", subtype="PCM_16") as file:
                for block in _mixed(played, recorded, np.float32(10 ** (gain / 20)), frames):
                    file.write(block)
        except (OSError, RuntimeError) as error:
            raise OutputError(f"{out}: cannot be written: {error}") from None
    return gain


def _read(file: Any, start: int, stop: int) -> Sound:
    """Return frames of a file on both sides, shape (2, frames), silent beyond its ends."""
    first, last = max(0, start), max(0, min(stop, file.frames))
    out = np.zeros((2, stop - start), np.float32)
    if first < last:
        file.seek(first)
        sound = file.read(last - first, dtype="float32", always_2d=True).T
        out[:, first - start : last - start] = sound
    return out


def _loudness(file: Any) -> float:
    meter = Meter(1, file.samplerate)
    for start in range(0, file.frames, CHUNK):
        meter.add(_read(file, start, min(file.frames, start + CHUNK))[np.newaxis])
    return meter.loudness(np.ones(1))


def _mixed(played: Any, recorded: Any, gain: np.float32, frames: int) -> Iterator[Sound]:
    for start in range(0, frames, CHUNK):
        stop = min(frames, start + CHUNK)
        around = start - MARGIN, stop + MARGIN
        mix = _read(played, *around) + gain * _read(recorded, *around)
        mix *= gain_curve(mix, LIMIT)
        yield np.ascontiguousarray(mix[:, MARGIN : MARGIN + stop - start].T)
