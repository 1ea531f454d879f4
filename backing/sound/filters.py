"""Sound through a filter: convolution with an impulse response by the FFT, block by block.

Conventions: sound is an array whose last axis is frames. All is done in single precision, in
blocks of one size, so that an hour takes little memory. Real FFTs are scaled forward, else numpy
makes them in double precision; `ROWS` rows are transformed together, filled up beforehand, since
fewer, or rows that numpy fills up, take twice as long. `scipy.signal` would take half a second to
import, more than a short MIDI export.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from functools import lru_cache, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from soundfonts.presets import Stamp, stamp

__all__ = ["blocks", "filtered", "once", "passed", "white"]

Samples = NDArray[np.float32]
P = ParamSpec("P")
T = TypeVar("T")
S = TypeVar("S", np.float32, np.complex64)

ROWS = 4  # transforms that numpy does at once; fewer take more than twice as long each

_ONCE = threading.RLock()


def once(most: int) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Cache a function's last results, those of a file until it is replaced.

    No two threads compute the same one at once.
    """

    def keeping(make: Callable[P, T]) -> Callable[P, T]:
        @lru_cache(most)
        def kept(_files: tuple[Stamp, ...], *given: P.args, **named: P.kwargs) -> T:
            return make(*given, **named)

        @wraps(make)
        def made(*given: P.args, **named: P.kwargs) -> T:
            with _ONCE:
                files = tuple(stamp(one) for one in given if isinstance(one, Path))
                return kept(files, *given, **named)  # type: ignore[arg-type]

        return made

    return keeping


def white(first: int, frames: int) -> NDArray[np.float64]:
    """Return white noise from -1 to 1, from a place on in a row that is always the same.

    It is the splitmix64 generator (Steele, Lea and Flood 2014); numpy's own take longer to load
    than all of a room to make.
    """
    place = np.arange(first, first + frames, dtype=np.uint64)
    mixed = place * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (mixed ^ (mixed >> np.uint64(31))) / 2.0**63 - 1.0


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


def passed(sound: Samples, spectrum: NDArray[np.complex64], size: int) -> Samples:
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


def _together(sound: Samples) -> int:
    """Return how many blocks of a sound are transformed at once."""
    return max(1, ROWS // math.prod(sound.shape[:-1]))


def blocks(sound: Samples, hop: int, length: int, size: int) -> Iterator[tuple[int, Samples]]:
    """Yield where blocks start that are `hop` frames apart, and as many at once as is quick.

    They have shape (..., blocks, size): up to `length` frames of sound each, then silence. They
    are valid until the next.
    """
    together = _together(sound)
    several = _scratch("blocks", (*sound.shape[:-1], together, size), np.float32)
    for start in range(0, sound.shape[-1], together * hop):
        for number in range(together):
            piece = sound[..., start + number * hop :][..., :length]
            several[..., number, : piece.shape[-1]] = piece
            several[..., number, piece.shape[-1] :] = 0.0
        yield start, several


def _fast(frames: int) -> int:
    """Return the next length that is quick to transform: few factors, all small."""
    power = 1 << max(7, (frames - 1).bit_length())
    sizes = (share * power // 128 for share in (64, 80, 96, 100, 120, 125, 128))
    return min(size for size in sizes if size >= frames)


class _Same:
    """An array that is the same as itself alone, and is not written to."""

    def __init__(self, array: Samples) -> None:
        self.array = array

    def __hash__(self) -> int:
        return id(self.array)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.array is other.array


@once(16)
def _spectrum(response: _Same, size: int) -> NDArray[np.complex64]:
    return (np.fft.rfft(response.array.astype(np.float64), size) * size).astype(np.complex64)


def filtered(
    sound: Samples, response: Samples, most: int = 1 << 18, out: Samples | None = None
) -> Samples:
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
    for start, several in blocks(sound, hop, hop, size):
        for block in np.moveaxis(passed(several, spectrum, size), -2, 0):
            here = out[..., start : start + size]
            here += block[..., : here.shape[-1]]
            start += hop
    return out
