"""The gain that keeps true peaks under a limit.

Conventions: sound is an array of shape (2, frames) in full-scale units; peaks are linear. Frames
share a peak and a gain in blocks of `BLOCK`.

Reference: ITU-R BS.1770-4 for four-times oversampling for the true peak.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from backing.sound.filters import Samples

__all__ = [
    "BLOCK", "MARGIN", "block_gains", "block_heights", "block_peaks", "gain_curve", "least",
]  # fmt: skip


OVERSAMPLED = 4
SINC = 12  # taps of each phase
BLOCK = 30  # frames that share a peak; a step of the meter is a whole number of them
REACH = 14  # blocks, 10 ms, over which the gain falls and rises
MARGIN = (2 * REACH + 4) * BLOCK  # frames that a gain depends on, before and after


@lru_cache(maxsize=1)
def _between() -> Samples:
    """Return the matrix that interpolates between the frames of a block and `SINC` - 1 around it.

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


def block_heights(sound: Samples) -> NDArray[np.float32]:
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
    sound: Samples, worth: float = 0.0, bounds: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """Return the true peak of each block of `BLOCK` frames, of whichever side is higher.

    Parameters
    ----------
    sound
        Shape (2, frames); the last block may be short.
    worth
        Where no frame of a block reaches this, what is returned is its highest frame or a bound
        of it, and between frames is not looked at.
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


def block_gains(peaks: NDArray[np.float32], limit: float) -> Samples:
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
    gains: Samples = np.ones(len(peaks), np.float32)
    low = np.flatnonzero(least(lowest, REACH) < 1.0)
    shares = (window / window.sum()).astype(np.float32)
    gains[low] = np.einsum("bw,w->b", around[low], shares)
    return gains


def least(values: Samples, reach: int) -> Samples:
    """Return the least of each value and `reach` neighbours on either side, 1 beyond the ends."""
    width = 2 * reach + 1
    beyond = np.ones(reach, values.dtype)
    least, span = np.concatenate([beyond, values, beyond]), 1
    while 2 * span <= width:  # twice as wide each time
        least, span = np.minimum(least[:-span], least[span:]), 2 * span
    rest = width - span
    return np.minimum(least[:-rest], least[rest:]) if rest else least


def gain_curve(sound: Samples, limit: float) -> Samples:
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
