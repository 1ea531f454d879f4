"""From dry stems to the mix: levels, one room, and a ceiling.

Every step but the ceiling is linear, so sections can be mixed apart and laid over each other.
The room is an impulse response made here: noise that decays by 60 dB in `ROOM_SECONDS`, darker
as it decays, different on each side. The ceiling bends peaks over `KNEE` smoothly and never
reaches full scale.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from backing.synth import PARTS, Stems

__all__ = ["ceiling", "mix"]

Sound = NDArray[np.float32]

LEVELS: dict[str, float] = {"drums": 2.1, "bass": 1.9, "comp": 2.6, "lead": 3.0}
SENDS: dict[str, float] = {"drums": 0.16, "bass": 0.03, "comp": 0.22, "lead": 0.30}
ROOM_SECONDS = 0.9
ROOM_GAIN = 0.35
KNEE = 0.8


@lru_cache(maxsize=2)
def room(rate: int) -> Sound:
    """Return the room's impulse response, shape (2, frames), each side of unit energy."""
    frames = round(ROOM_SECONDS * rate)
    chance = np.random.default_rng(20261125)
    noise = chance.standard_normal((2, frames))
    seconds = np.arange(frames) / rate
    decay = 10.0 ** (-3.0 * seconds / ROOM_SECONDS)
    # A room swallows treble first: cross from the noise to its moving average as it decays.
    width = 24
    kernel = np.ones(width) / width
    dark = np.stack([np.convolve(side, kernel, mode="same") for side in noise])
    shade = np.clip(seconds / (0.5 * ROOM_SECONDS), 0.0, 1.0)
    response = (noise * (1 - shade) * 0.4 + dark * (0.4 + shade)) * decay
    gap = round(0.012 * rate)
    response[:, :gap] = 0.0
    response /= np.sqrt((response**2).sum(axis=1, keepdims=True))
    return response.astype(np.float32)


def _reverberate(send: Sound, rate: int) -> Sound:
    """Return a stereo send through the room, longer than it by the room's length."""
    response = room(rate)
    frames = send.shape[1] + response.shape[1] - 1
    size = 1 << 16
    hop = size - response.shape[1] + 1
    spectrum = np.fft.rfft(response, size)
    out = np.zeros((2, frames + size), np.float32)
    for start in range(0, send.shape[1], hop):
        piece = np.fft.rfft(send[:, start : start + hop], size)
        out[:, start : start + size] += np.fft.irfft(piece * spectrum, size)
    return out[:, :frames]


def mix(stems: Stems, rate: int) -> Sound:
    """Return stems mixed with their room.

    Parameters
    ----------
    stems
        Shape (parts, 2, frames), parts in the order of `backing.synth.PARTS`.
    rate
        Frames a second.

    Returns
    -------
    numpy.ndarray
        Shape (2, frames), longer than the stems by the room's decay.
    """
    levels = np.array([LEVELS[part] for part in PARTS], np.float32)
    sends = np.array([SENDS[part] * ROOM_GAIN for part in PARTS], np.float32) * levels
    wet = _reverberate(np.tensordot(sends, stems, axes=1), rate)
    wet[:, : stems.shape[2]] += np.tensordot(levels, stems, axes=1)
    return wet


def ceiling(sound: Sound) -> Sound:
    """Return sound with peaks over `KNEE` bent below full scale and the rest untouched."""
    over = np.abs(sound) > KNEE
    if not over.any():
        return sound
    room_left = 1.0 - KNEE
    loud = sound[over]
    bent = KNEE + room_left * np.tanh((np.abs(loud) - KNEE) / room_left)
    out = sound.copy()
    out[over] = np.copysign(np.minimum(bent, 0.999), loud)
    return out
