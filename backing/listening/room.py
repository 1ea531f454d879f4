"""A take without what of the backing came into it through the air.

What was played is known, so one filter stands for the way from the loudspeaker to the microphone:
by least squares over the whole take, weighted by how little the guitar disturbs: cross spectrum
over power spectrum of pieces that overlap (Wiener 1949; Welch 1967), cut to what a room takes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from backing.listening.source import Frames, Memory, Mono

__all__ = ["Cleaned", "cleaned"]

PIECE = 1 << 15  # frames
NEAR = 33  # bins over which it is asked how loud the take is
ROOM = 0.2  # seconds that a room answers
EARLY = 64  # frames by which the take may be ahead
AUDIBLE = -34.0  # dB from guitar to backing under which there is nothing in it to take out
LOUD = -13.0  # dB above which what is left disturbs
MOST = 12.0  # dB by which a take becomes quieter; where it is more, it is the backing itself


class Cleaned:
    """A take less the backing in it, as `backing.listening.source.Frames`.

    Attributes
    ----------
    level
        dB from the guitar to what is taken out.
    loud
        Whether so much was in it that what is left disturbs.
    """

    def __init__(self, take: Frames, backing: Frames, way: NDArray[np.float64]) -> None:
        self.rate = take.rate
        self.frames = take.frames
        self.level = 0.0
        self.loud = False
        self._take = take
        self._backing = backing
        self._way = way

    def air(self, start: int, stop: int) -> Mono:
        """Return the backing's share of some frames."""
        before = len(self._way) - EARLY
        sound = self._backing.read(start - before, stop + EARLY).astype(np.float64)
        size = 1 << (len(sound) + len(self._way)).bit_length()
        whole = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(self._way, size), size)
        first = len(self._way)
        out: Mono = whole[first : first + stop - start].astype(np.float32)
        return out

    def read(self, start: int, stop: int) -> Mono:
        """Return frames from one to before another."""
        out: Mono = self._take.read(start, stop) - self.air(start, stop)
        return out


def cleaned(take: Frames, backing: Frames) -> Cleaned | None:
    """Return a take without the backing in it, None where none of it is heard in it.

    Parameters
    ----------
    take
        What was recorded.
    backing
        What was played, at the same rate, from the same first frame on.
    """
    window = np.hanning(PIECE)
    cross = np.zeros(PIECE // 2 + 1, np.complex128)
    power = np.zeros(PIECE // 2 + 1)
    floor = 1e-4 * _power(take)
    for start in range(0, min(take.frames, backing.frames) - PIECE, PIECE // 2):
        played = np.fft.rfft(backing.read(start, start + PIECE) * window)
        came = np.fft.rfft(take.read(start, start + PIECE) * window)
        # The guitar is what disturbs: where it rests, more is learned of the room.
        disturbed = np.convolve(np.abs(came) ** 2, np.ones(NEAR) / NEAR, "same") + floor
        cross += np.conj(played) * came / disturbed
        power += np.abs(played) ** 2 / disturbed
    if not power.any():
        return None
    way = np.fft.irfft(cross / (power + 1e-4 * power.mean()))
    length = min(PIECE // 2, int(ROOM * take.rate))
    fade = min(2000, length // 4)
    way = np.concatenate([way[-EARLY:], way[:length]])
    way[:EARLY] *= np.hanning(2 * EARLY)[:EARLY]
    way[-fade:] *= np.hanning(2 * fade)[fade:]
    out = Cleaned(take, backing, way)
    step = 20 * take.rate
    was = left = air = 0.0
    for start in range(0, take.frames, step):
        stop = min(start + step, take.frames)
        sound, through = take.read(start, stop), out.air(start, stop)
        was += float(np.square(sound, dtype=np.float64).sum())
        air += float(np.square(through, dtype=np.float64).sum())
        left += float(np.square(sound - through, dtype=np.float64).sum())
    if was <= 0 or left <= 0:
        return None
    if was > left * 10 ** (MOST / 10):
        return None
    out.level = 10 * math.log10(max(air, 1e-12) / left)
    out.loud = out.level > LOUD
    return out if out.level > AUDIBLE else None


def _power(take: Frames) -> float:
    """Return the mean power of a piece of the take in each bin."""
    step = 20 * take.rate
    total = sum(
        float(np.square(take.read(start, min(start + step, take.frames)), dtype=np.float64).sum())
        for start in range(0, take.frames, step)
    )
    return total / max(1, take.frames) * PIECE


def laid(
    sound: NDArray[np.float32], rate: int, frames: int, pieces: list[tuple[float, float, float]]
) -> Memory:
    """Return a backing in the pieces in which it was played, from its file.

    Parameters
    ----------
    sound
        The whole backing, shape (frames,).
    rate
        Frames a second.
    frames
        How long the take is.
    pieces
        Second in the take, second in the backing, and seconds that are played from there.
    """
    out = np.zeros(frames, np.float32)
    for at, since, length in pieces:
        to, source, count = round(at * rate), round(since * rate), round(length * rate)
        count = max(0, min(count, frames - to, len(sound) - source))
        out[to : to + count] = sound[source : source + count]
    return Memory(out, rate)
