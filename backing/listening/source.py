"""A take as one row of frames, read in blocks, so that an hour takes little memory.

Conventions: frames are mono, at 60 kHz at most; a take at a higher rate is thinned out while it
is read. Beyond its ends there is silence.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from phrases.errors import BluesError

__all__ = ["BLOCK_SECONDS", "Frames", "Memory", "Source", "TakeError", "blocks", "thinned"]

Mono = NDArray[np.float32]

BLOCK_SECONDS = 20.0
HIGHEST = 60_000  # frames a second that are kept
LOWEST = 8_000
LONGEST = 4 * 3600.0  # seconds
NO_SOUND = "not a sound file; name one that is WAV, FLAC, Ogg or MP3"
ONE_SIDED = 1000.0  # times the power of the other side, where only one has a cable in it
SILENT = 10 ** (-60 / 20)
TAPS = 63


class TakeError(BluesError, ValueError):
    """A take cannot be read, has nothing in it to hear, or is of another phrase."""


class Frames(Protocol):
    """Something that gives frames: a file, or an array."""

    rate: int
    frames: int

    def read(self, start: int, stop: int) -> Mono:
        """Return frames from one to before another; silence beyond the ends."""


class Memory:
    """Frames that are in memory already.

    Parameters
    ----------
    sound
        Shape (frames,).
    rate
        Frames a second.
    """

    def __init__(self, sound: Mono, rate: int) -> None:
        self.sound = np.asarray(sound, np.float32)
        self.rate = rate
        self.frames = len(self.sound)

    def read(self, start: int, stop: int) -> Mono:
        """Return frames from one to before another; silence beyond the ends."""
        out = np.zeros(stop - start, np.float32)
        low, high = max(0, start), min(stop, self.frames)
        if low < high:
            out[low - start : high - start] = self.sound[low:high]
        return out


class Source:
    """A sound file; of two sides the one that has a cable in it, or their mean.

    Parameters
    ----------
    path
        Whatever libsndfile reads.

    Attributes
    ----------
    rate, frames
        As `read` counts them.
    peak
        The highest sample, full scale is 1.

    Raises
    ------
    TakeError
        If it is no sound file, is silent, shorter than a second, or longer than four hours.
    """

    def __init__(self, path: Path) -> None:
        import soundfile

        self.path = path
        if not path.exists():
            raise TakeError(f"{path}: there is no such file")
        try:
            self._file: Any = soundfile.SoundFile(path)
        except (RuntimeError, OSError, TypeError):
            raise TakeError(f"{path}: {NO_SOUND}") from None
        try:
            self._look()
        except BaseException:
            self._file.close()
            raise

    def _look(self) -> None:
        rate, frames = int(self._file.samplerate), int(self._file.frames)
        if rate < LOWEST:
            raise TakeError(f"{self.path}: {rate} frames a second; it takes {LOWEST} or more")
        if frames < rate:
            raise TakeError(f"{self.path}: shorter than a second")
        if frames > LONGEST * rate:
            raise TakeError(f"{self.path}: longer than four hours; cut it into parts")
        self._own = frames
        self._by = -(-rate // HIGHEST)
        self.rate = rate // self._by
        self.frames = frames // self._by
        power = np.zeros(self._file.channels)
        self.peak = 0.0
        step = int(BLOCK_SECONDS * rate)
        for start in range(0, frames, step):
            self._file.seek(start)
            try:
                sound = self._file.read(min(step, frames - start), "float32", always_2d=True)
            except (RuntimeError, OSError) as error:
                raise TakeError(f"{self.path}: damaged: {error}") from None
            if not np.isfinite(sound).all():
                raise TakeError(f"{self.path}: damaged: it holds values that are no numbers")
            power += np.square(sound, dtype=np.float64).sum(axis=0)
            self.peak = max(self.peak, float(np.abs(sound).max(initial=0.0)))
        if self.peak < SILENT:
            raise TakeError(
                f"{self.path}: nothing is heard in it; is the input connected, and the right one?"
            )
        best = int(power.argmax())
        rest = np.delete(power, best).max(initial=0.0)
        self._side = best if power[best] > rest * ONE_SIDED else None

    def read(self, start: int, stop: int) -> Mono:
        """Return frames from one to before another; silence beyond the ends."""
        if self._by == 1:
            return self._plain(start, stop)
        edge = TAPS * self._by
        raw = self._plain(start * self._by - edge, stop * self._by + edge)
        return thinned(raw, self._by)[TAPS : TAPS + stop - start]

    def _plain(self, start: int, stop: int) -> Mono:
        out = np.zeros(stop - start, np.float32)
        low, high = max(0, start), min(stop, self._own)
        if low < high:
            self._file.seek(low)
            sound = self._file.read(high - low, "float32", always_2d=True)
            mono = sound.mean(axis=1) if self._side is None else sound[:, self._side]
            out[low - start : low - start + len(mono)] = mono
        return out

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Source:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()


def thinned(sound: Mono, by: int) -> Mono:
    """Return every `by`-th frame of a sound, low-passed before (a windowed sinc of 63 taps)."""
    reach = np.arange(TAPS) - TAPS // 2
    low = np.sinc(reach / by * 0.92) * np.hamming(TAPS)
    out: Mono = np.convolve(sound, (low / low.sum()).astype(np.float32), "same")[::by]
    return out


def blocks(source: Frames, grid: int) -> Iterator[tuple[int, int]]:
    """Yield the first and the last but one frame of blocks that begin on a grid of frames."""
    step = max(1, round(BLOCK_SECONDS * source.rate / grid)) * grid
    for start in range(0, source.frames, step):
        yield start, min(start + step, source.frames)
