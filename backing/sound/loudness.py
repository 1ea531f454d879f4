"""Loudness, as ITU-R BS.1770 measures it.

Conventions: sound is an array of shape (layers, 2, frames) in full-scale units; loudness is in
LUFS.

References: ITU-R BS.1770-4 for the K-weighting, the gates (-70 LUFS, then 10 LU below the mean)
and the 400 ms blocks that overlap by three quarters. Its tables hold the weighting at 48 kHz;
`SHELF` and `LOW_CUT` are the analogue filters whose bilinear transform gives those tables, so that
other rates can be had.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from backing.sound.filters import Samples, blocks, once, passed
from backing.sound.limiter import BLOCK

__all__ = ["CELL", "SILENCE", "TAPS", "LoudnessMeter", "k_spectrum", "weighed"]


SHELF = (1681.974450955533, 3.999843853973347, 0.7071752369554196)  # Hz, dB, Q
LOW_CUT = (38.13547087602444, 0.5003270373238773)  # Hz, Q
OFFSET = -0.691
STEP = 0.1  # seconds; a block is four
GATE, BELOW = -70.0, 10.0
SILENCE = -math.inf

TAPS = 4096  # 93 ms: the low cut has died away to 1e-9
FFT = 1 << 15
CELL = 15 * BLOCK  # frames that are weighed together, about 10 ms


@lru_cache(maxsize=2)
def weighting(rate: int) -> tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...]:
    """Return the two stages of the K-weighting as (numerator, denominator), three terms each."""
    hertz, decibels, q = SHELF
    k = math.tan(math.pi * hertz / rate)
    high = 10 ** (decibels / 20)
    band = high**0.4996667741545416
    a0 = 1 + k / q + k * k
    shelf = (
        np.array([high + band * k / q + k * k, 2 * (k * k - high), high - band * k / q + k * k])
        / a0,
        np.array([a0, 2 * (k * k - 1), 1 - k / q + k * k]) / a0,
    )
    hertz, q = LOW_CUT
    k = math.tan(math.pi * hertz / rate)
    a0 = 1 + k / q + k * k
    cut = (np.array([1.0, -2.0, 1.0]), np.array([a0, 2 * (k * k - 1), 1 - k / q + k * k]) / a0)
    return shelf, cut


@once(2)
def k_spectrum(rate: int) -> NDArray[np.complex64]:
    """Return the K-weighting as `weighed` multiplies by it, shape (`FFT` / 2 + 1,)."""
    turn = np.exp(-2j * np.pi * np.arange(FFT + 1) / (2 * FFT))
    response = np.ones(FFT + 1, np.complex128)
    for top, bottom in weighting(rate):
        response *= np.polyval(top[::-1], turn) / np.polyval(bottom[::-1], turn)
    impulse = np.fft.irfft(response)[:TAPS]
    return (np.fft.rfft(impulse, FFT) * FFT).astype(np.complex64)


def weighed(sound: Samples, rate: int) -> Samples:
    """Return the Gram matrix of the K-weighted layers of a sound, for each of its cells.

    Parameters
    ----------
    sound
        Shape (layers, 2, frames); the first `TAPS` - 1 frames are those before.
    rate
        Frames a second.

    Returns
    -------
    numpy.ndarray
        Shape (cells, layers, layers): the product of two layers, summed over a cell's frames and
        both sides. A cell is `CELL` frames, but for the last.
    """
    hop = (FFT - TAPS + 1) // CELL * CELL
    frames = sound.shape[2] - TAPS + 1
    cells = -(-frames // CELL)
    heard = np.zeros((*sound.shape[:2], cells * CELL), np.float32)
    for start, several in blocks(sound, hop, FFT, FFT):
        for block in np.moveaxis(passed(several, k_spectrum(rate), FFT), -2, 0):
            here = heard[:, :, start : min(start + hop, frames)]
            here[...] = block[:, :, TAPS - 1 : TAPS - 1 + here.shape[2]]
            start += hop
    each = heard.reshape(len(sound), 2, cells, CELL)
    shared: Samples = np.empty((cells, len(sound), len(sound)), np.float32)
    for a, first in enumerate(each):
        for b, second in enumerate(each[: a + 1]):
            shared[:, a, b] = shared[:, b, a] = np.einsum("cnf,cnf->n", first, second)
    return shared


class LoudnessMeter:
    """Measures layers of sound as they come, for whatever gains they get later.

    Parameters
    ----------
    layers
        How many there are; each is stereo.
    rate
        Frames a second.
    """

    def __init__(self, layers: int, rate: int) -> None:
        self.rate = rate
        self._past = np.zeros((layers, 2, TAPS - 1), np.float32)
        self._shared: list[Samples] = [np.zeros((0, layers, layers), np.float32)]
        self._known: NDArray[np.float64] | None = None
        self._edges = [np.zeros(1)]  # frames at which cells end
        self._frames = 0

    def add(self, sound: Samples) -> None:
        """Take in the next frames, shape (layers, 2, frames)."""
        whole = np.concatenate([self._past, sound], axis=2)
        self._past = whole[:, :, whole.shape[2] - TAPS + 1 :]
        self.add_weighed(weighed(whole, self.rate), sound.shape[2])

    def add_weighed(self, shared: Samples, frames: int) -> None:
        """Take in the next frames by the matrices that `weighed` returns for them."""
        ends = np.minimum(np.arange(1, len(shared) + 1) * CELL, frames)
        self._known = None
        self._shared.append(shared)
        self._edges.append(ends + float(self._frames))
        self._frames += frames

    def loudness(self, gains: NDArray[np.float64], left: Samples | None = None) -> float:
        """Return the integrated loudness in LUFS of the layers with a gain each.

        Parameters
        ----------
        gains
            One for each layer.
        left
            What a limiter leaves of the power of each cell, 1 or less; None for all.

        Returns
        -------
        float
            `SILENCE` where nothing is above the absolute gate.
        """
        shares = np.outer(gains, gains).ravel()
        if left is None:
            energy = self._windows() @ shares
        else:
            cells = (self._cells() @ shares.astype(np.float32)) * left
            energy = self._windowed(cells[:, np.newaxis])[:, 0]
        energy = energy[energy > 10 ** ((GATE - OFFSET) / 10)]
        if not energy.size:
            return SILENCE
        gate = energy.mean() / 10 ** (BELOW / 10)
        return OFFSET + 10 * math.log10(energy[energy > gate].mean())

    def _cells(self) -> Samples:
        """Return the inner product of each pair of layers in each cell, shape (cells, pairs)."""
        if len(self._shared) > 1:
            self._shared = [np.concatenate(self._shared)]
        return self._shared[0].reshape(len(self._shared[0]), -1)

    def _windows(self) -> NDArray[np.float64]:
        """Return the same for each gating block, shape (blocks, pairs)."""
        if self._known is None:
            self._known = self._windowed(self._cells())
        return self._known

    def _windowed(self, cells: Samples | NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the mean of every column of cells in each window of 400 ms, every 100 ms."""
        total = np.zeros((len(cells) + 1, cells.shape[1]))
        np.cumsum(cells, axis=0, out=total[1:])
        step = STEP * self.rate
        steps = int(self._frames // step)
        if steps < 4:  # shorter than what is gated: as one
            return total[-1:] / max(1, self._frames)
        self._edges = [np.concatenate(self._edges)]
        places = np.arange(steps + 1) * step
        sums = np.stack([np.interp(places, self._edges[0], column) for column in total.T], axis=1)
        means: NDArray[np.float64] = (sums[4:] - sums[:-4]) / (4 * step)
        return means
