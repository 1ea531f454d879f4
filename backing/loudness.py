"""Loudness and true peak, and the gain that keeps peaks under a limit.

Conventions: sound is an array of shape (2, frames) in full-scale units; loudness is in LUFS,
peaks are in dBTP. Filters are applied as short impulse responses through the FFT, block by
block, so that an hour is measured in little memory.

References: ITU-R BS.1770-4 for the K-weighting, the gates (-70 LUFS, then 10 LU below the mean),
the 400 ms blocks that overlap by three quarters, and four-times oversampling for the true peak.
Its tables hold the weighting at 48 kHz; `SHELF` and `LOW_CUT` are the analogue filters whose
bilinear transform gives those tables, so that other rates can be had.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from functools import lru_cache, wraps
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLOCK",
    "CELL",
    "MARGIN",
    "SILENCE",
    "TAPS",
    "Meter",
    "block_gains",
    "block_heights",
    "block_peaks",
    "filtered",
    "gain_curve",
    "k_spectrum",
    "least",
    "once",
    "true_peak",
    "weighed",
]

Sound = NDArray[np.float32]
P = ParamSpec("P")
T = TypeVar("T")
S = TypeVar("S", np.float32, np.complex64)

SHELF = (1681.974450955533, 3.999843853973347, 0.7071752369554196)  # Hz, dB, Q
LOW_CUT = (38.13547087602444, 0.5003270373238773)  # Hz, Q
OFFSET = -0.691
STEP = 0.1  # seconds; a block is four
GATE, BELOW = -70.0, 10.0
SILENCE = -math.inf

TAPS = 4096  # 93 ms: the low cut has died away to 1e-9
FFT = 1 << 15
ROWS = 4  # transforms that numpy does at once; fewer take more than twice as long each

OVERSAMPLED = 4
SINC = 12  # taps of each phase
BLOCK = 30  # frames that share a peak; a step is a whole number of them at either rate
CELL = 15 * BLOCK  # frames that are weighed together, about 10 ms
REACH = 14  # blocks, 10 ms, over which the gain falls and rises
MARGIN = (2 * REACH + 4) * BLOCK  # frames that a gain depends on, before and after


_ONCE = threading.RLock()


def once(most: int) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Keep the last so many things that a function made, no two threads making the same."""

    def keeping(make: Callable[P, T]) -> Callable[P, T]:
        kept = lru_cache(most)(make)

        @wraps(make)
        def made(*given: P.args, **named: P.kwargs) -> T:
            with _ONCE:
                return kept(*given, **named)  # type: ignore[arg-type]

        return made

    return keeping


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


_KEPT = threading.local()


def _scratch(name: str, shape: tuple[int, ...], kind: type[S]) -> NDArray[S]:
    """Return this thread's own array for what does not last.

    The pages of a large array that is new each time cost more than what is done with it.
    """
    kept: NDArray[S] | None = getattr(_KEPT, name, None)
    if kept is None or kept.shape != shape:
        kept = np.empty(shape, kind)
        setattr(_KEPT, name, kept)
    return kept


def _passed(sound: Sound, spectrum: NDArray[np.complex64], size: int) -> Sound:
    """Return a sound convolved in a ring of a size, valid until the next call of this thread.

    Its own spectrum is taken over the size, and the other's is as much larger: numpy then
    transforms in single precision, several rows at once, where else it would in double precision,
    which takes three to seven times as long.
    """
    own = _scratch("own", (*sound.shape[:-1], size // 2 + 1), np.complex64)
    np.fft.rfft(sound, size, norm="forward", out=cast(Any, own))
    shape = np.broadcast_shapes(own.shape, spectrum.shape)
    both = own if shape == own.shape else _scratch("both", shape, np.complex64)
    np.multiply(own, spectrum, out=both)
    out = _scratch("out", (*shape[:-1], size), np.float32)
    np.fft.irfft(both, size, out=cast(Any, out))
    return out


def _together(sound: Sound) -> int:
    """Return how many blocks of a sound are transformed at once."""
    return max(1, ROWS // math.prod(sound.shape[:-1]))


def _blocks(sound: Sound, hop: int, length: int, size: int) -> Iterator[tuple[int, Sound]]:
    """Yield where blocks start that are `hop` frames apart, and as many at once as is quick.

    They have shape (..., blocks, size): up to `length` frames of sound each, then silence. They
    are valid until the next.
    """
    together = _together(sound)
    blocks = _scratch("blocks", (*sound.shape[:-1], together, size), np.float32)
    for start in range(0, sound.shape[-1], together * hop):
        for number in range(together):
            piece = sound[..., start + number * hop :][..., :length]
            blocks[..., number, : piece.shape[-1]] = piece
            blocks[..., number, piece.shape[-1] :] = 0.0
        yield start, blocks


def _fast(frames: int) -> int:
    """Return the next length that is quick to transform: few factors, all small."""
    power = 1 << max(7, (frames - 1).bit_length())
    sizes = (share * power // 128 for share in (64, 80, 96, 100, 120, 125, 128))
    return min(size for size in sizes if size >= frames)


class _Same:
    """An array that is the same as itself alone, and is not written to."""

    def __init__(self, array: Sound) -> None:
        self.array = array

    def __hash__(self) -> int:
        return id(self.array)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.array is other.array


@once(16)
def _spectrum(response: _Same, size: int) -> NDArray[np.complex64]:
    return (np.fft.rfft(response.array.astype(np.float64), size) * size).astype(np.complex64)


def filtered(
    sound: Sound, response: Sound, most: int = 1 << 18, out: Sound | None = None
) -> Sound:
    """Return sound convolved with a response, along the last axis, longer by the response.

    Parameters
    ----------
    sound, response
        Of shapes that broadcast together, but for their last axes.
    most
        The longest FFT, more than the response's length.
    out
        What it is added to, as long as what is returned; silence by default.
    """
    over = response.shape[-1] - 1
    frames = sound.shape[-1]
    if out is None:
        sides = np.broadcast_shapes(sound.shape[:-1], response.shape[:-1])
        out = np.zeros((*sides, frames + over), np.float32)
    size = min(most, _fast(-(-frames // _together(sound)) + over))
    hop = size - over
    spectrum = _spectrum(_Same(response), size)[..., np.newaxis, :]
    for start, blocks in _blocks(sound, hop, hop, size):
        for block in np.moveaxis(_passed(blocks, spectrum, size), -2, 0):
            here = out[..., start : start + size]
            here += block[..., : here.shape[-1]]
            start += hop
    return out


def weighed(sound: Sound, rate: int) -> Sound:
    """Return what the layers of a sound share, K-weighted, in each of its cells.

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
    for start, blocks in _blocks(sound, hop, FFT, FFT):
        for block in np.moveaxis(_passed(blocks, k_spectrum(rate), FFT), -2, 0):
            here = heard[:, :, start : min(start + hop, frames)]
            here[...] = block[:, :, TAPS - 1 : TAPS - 1 + here.shape[2]]
            start += hop
    each = heard.reshape(len(sound), 2, cells, CELL)
    shared: Sound = np.empty((cells, len(sound), len(sound)), np.float32)
    for a, first in enumerate(each):
        for b, second in enumerate(each[: a + 1]):
            shared[:, a, b] = shared[:, b, a] = np.einsum("cnf,cnf->n", first, second)
    return shared


class Meter:
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
        self._shared: list[Sound] = [np.zeros((0, layers, layers), np.float32)]
        self._known: NDArray[np.float64] | None = None
        self._edges = [np.zeros(1)]  # frames at which cells end
        self._frames = 0

    def add(self, sound: Sound) -> None:
        """Take in the next frames, shape (layers, 2, frames)."""
        whole = np.concatenate([self._past, sound], axis=2)
        self._past = whole[:, :, whole.shape[2] - TAPS + 1 :]
        self.add_weighed(weighed(whole, self.rate), sound.shape[2])

    def add_weighed(self, shared: Sound, frames: int) -> None:
        """Take in the next frames, of which it is known what `weighed` returns."""
        ends = np.minimum(np.arange(1, len(shared) + 1) * CELL, frames)
        self._known = None
        self._shared.append(shared)
        self._edges.append(ends + float(self._frames))
        self._frames += frames

    def loudness(self, gains: NDArray[np.float64], left: Sound | None = None) -> float:
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

    def _cells(self) -> Sound:
        """Return what each layer and each other share in each cell, shape (cells, pairs)."""
        if len(self._shared) > 1:
            self._shared = [np.concatenate(self._shared)]
        return self._shared[0].reshape(len(self._shared[0]), -1)

    def _windows(self) -> NDArray[np.float64]:
        """Return what they share in each window that is gated, shape (windows, pairs)."""
        if self._known is None:
            self._known = self._windowed(self._cells())
        return self._known

    def _windowed(self, cells: Sound | NDArray[np.float64]) -> NDArray[np.float64]:
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


@lru_cache(maxsize=1)
def _between() -> Sound:
    """Return what makes the values between the frames of a block of it and `SINC` - 1 around it.

    Shape (BLOCK + SINC - 1, values), to be multiplied by from the right.
    """
    place = np.arange(SINC)[:, None] - (SINC / 2 - 1)
    phase = np.arange(1, OVERSAMPLED)[None, :] / OVERSAMPLED
    window = np.kaiser(SINC * OVERSAMPLED + 1, 5.0)
    taps = np.sinc(place - phase)
    taps *= np.interp(
        (place - phase) / (SINC / 2) * 0.5 + 0.5, np.linspace(0, 1, len(window)), window
    )
    taps /= taps.sum(axis=0)
    each = np.zeros((BLOCK + SINC - 1, BLOCK, OVERSAMPLED - 1), np.float32)
    for frame in range(BLOCK):
        each[frame : frame + SINC, frame] = taps
    return each.reshape(len(each), -1)


def block_heights(sound: Sound) -> NDArray[np.float32]:
    """Return the highest frame of each block of `BLOCK` frames, of whichever side is higher.

    Parameters
    ----------
    sound
        Shape (2, frames); the last block may be short.
    """
    high = np.abs(sound).max(axis=0)
    heights: NDArray[np.float32] = np.maximum.reduceat(high, np.arange(0, len(high), BLOCK))
    return heights


def block_peaks(
    sound: Sound, worth: float = 0.0, bounds: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """Return the true peak of each block of `BLOCK` frames, of whichever side is higher.

    Parameters
    ----------
    sound
        Shape (2, frames); the last block may be short.
    worth
        Where no frame of a block reaches this, its peak is only known not to reach it either, or
        is a little more, between frames.
    bounds
        What no frame of each block exceeds, if that is known.
    """
    if not sound.shape[1]:
        return np.zeros(0, np.float32)
    peaks = block_heights(sound) if bounds is None else bounds.copy()
    hot = np.flatnonzero(peaks >= worth)
    place = hot[:, None] * BLOCK + np.arange(BLOCK + SINC - 1) - (SINC // 2 - 1)
    inside = (place >= 0) & (place < sound.shape[1])
    windows = sound[:, np.where(inside, place, 0)] * inside
    peaks[hot] = np.abs(windows[:, :, SINC // 2 - 1 :][:, :, :BLOCK]).max(axis=(0, 2))
    reach = peaks[hot] >= worth
    hot, windows = hot[reach], windows[:, reach]
    between = np.abs(windows @ _between()).max(axis=(0, 2))
    peaks[hot] = np.maximum(peaks[hot], between)
    return peaks


def true_peak(sound: Sound) -> float:
    """Return the true peak in dBTP, shape (2, frames) in; -inf for silence."""
    peak = float(block_peaks(sound).max(initial=0.0))
    return 20 * math.log10(peak) if peak else SILENCE


def block_gains(peaks: NDArray[np.float32], limit: float) -> Sound:
    """Return the gain of each block, 1 or less, that keeps its peak and its neighbours' low.

    Parameters
    ----------
    peaks
        One for each block of `BLOCK` frames, as `block_peaks` finds them.
    limit
        Linear, full scale is 1.
    """
    need = np.minimum(1.0, limit / np.maximum(peaks, 1e-9))
    if (need == 1.0).all():
        return np.ones(len(peaks), np.float32)
    lowest = least(need, REACH + 1)  # a frame lies between the centres of two blocks
    window = np.hanning(2 * REACH + 3)[1:-1]
    ends = np.repeat(lowest[[0, -1]], REACH)
    around = np.lib.stride_tricks.sliding_window_view(
        np.concatenate([ends[:REACH], lowest, ends[REACH:]]), 2 * REACH + 1
    )
    gains: Sound = np.ones(len(peaks), np.float32)
    low = np.flatnonzero(least(lowest, REACH) < 1.0)
    shares = (window / window.sum()).astype(np.float32)
    gains[low] = np.einsum("bw,w->b", around[low], shares)
    return gains


def least(values: Sound, reach: int) -> Sound:
    """Return the least of each value and `reach` neighbours on either side, 1 beyond the ends."""
    width = 2 * reach + 1
    beyond = np.ones(reach, values.dtype)
    least, span = np.concatenate([beyond, values, beyond]), 1
    while 2 * span <= width:  # twice as wide each time
        least, span = np.minimum(least[:-span], least[span:]), 2 * span
    rest = width - span
    return np.minimum(least[:-rest], least[rest:]) if rest else least


def gain_curve(sound: Sound, limit: float) -> Sound:
    """Return the gain of each frame, 1 or less, that keeps true peaks at a limit or under it.

    Parameters
    ----------
    sound
        Shape (2, frames). A gain depends on what lies within `MARGIN` frames.
    limit
        Linear, full scale is 1.
    """
    smooth = block_gains(block_peaks(sound, 0.6 * limit), limit)
    centres = (np.arange(len(smooth)) + 0.5) * BLOCK - 0.5
    return np.interp(np.arange(sound.shape[1]), centres, smooth).astype(np.float32)
