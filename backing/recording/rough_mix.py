"""A rough mix: what was played and what was recorded, level-matched, under one limit."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from backing.output import beside
from backing.sound.filters import Samples
from backing.sound.limiter import BLOCK, MARGIN, gain_curve
from backing.sound.loudness import SILENCE, LoudnessMeter
from backing.sound.mix import LIMIT
from backing.sound_files import explained, write_frames

__all__ = ["BELOW", "rough_mix"]


BELOW = 1.0  # LU that the take is under the backing while it sounds
ONE_SIDED = 30.0  # dB that one side is above the other where only one has a cable in it
MOST = 24.0  # dB that a take is made louder, so that a silent one does not hiss
CHUNK = 4096 * BLOCK  # frames mixed at a time


def rough_mix(take: Path, backing: Path, out: Path) -> float:
    """Mix a take with its backing into a 16-bit WAV file as long as the longer one.

    Where only one of the take's sides has anything to say, as of an interface with a guitar in one
    of its two inputs, it is heard in the middle. The two are files of one rate that start
    together; `out` is replaced when it is complete. The answer is the gain of the take in dB.
    OutputError if it cannot be written.
    """
    import soundfile

    with contextlib.ExitStack() as stack:
        played, recorded = (stack.enter_context(soundfile.SoundFile(p)) for p in (backing, take))
        rate = played.samplerate
        side = _only_side(recorded)
        levels = [_loudness(played, None), _loudness(recorded, side)]
        gain = 0.0 if SILENCE in levels else min(MOST, levels[0] - BELOW - levels[1])
        frames = max(played.frames, recorded.frames)
        draft = stack.enter_context(beside(out))
        stack.enter_context(explained(out))
        mixed = _mixed(played, recorded, side, np.float32(10 ** (gain / 20)), frames)
        write_frames(draft, mixed, rate)
    return gain


def _only_side(file: Any) -> int | None:
    """Return the side of a file beside which the other is nothing, None where there is none."""
    if file.channels == 1:
        return None
    power = np.zeros(2)
    for start in range(0, file.frames, CHUNK):
        sound = _read(file, None, start, min(file.frames, start + CHUNK))
        power += np.square(sound, dtype=np.float64).sum(axis=1)
    louder = int(power.argmax())
    return louder if power[louder] > power[1 - louder] * 10 ** (ONE_SIDED / 10) else None


def _read(file: Any, side: int | None, start: int, stop: int) -> Samples:
    """Return frames of a file, or of one side of it, on both sides, shape (2, frames).

    They are silent beyond its ends.
    """
    first, last = max(0, start), max(0, min(stop, file.frames))
    out = np.zeros((2, stop - start), np.float32)
    if first < last:
        file.seek(first)
        sound = file.read(last - first, dtype="float32", always_2d=True).T
        out[:, first - start : last - start] = sound if side is None else sound[side]
    return out


def _loudness(file: Any, side: int | None) -> float:
    meter = LoudnessMeter(1, file.samplerate)
    for start in range(0, file.frames, CHUNK):
        meter.add(_read(file, side, start, min(file.frames, start + CHUNK))[np.newaxis])
    return meter.loudness(np.ones(1))


def _mixed(
    played: Any, recorded: Any, side: int | None, gain: np.float32, frames: int
) -> Iterator[Samples]:
    for start in range(0, frames, CHUNK):
        stop = min(frames, start + CHUNK)
        around = start - MARGIN, stop + MARGIN
        mix = _read(played, None, *around) + gain * _read(recorded, side, *around)
        mix *= gain_curve(mix, LIMIT)
        yield np.ascontiguousarray(mix[:, MARGIN : MARGIN + stop - start].T)
