"""Sound that waits: stretches of layers in memory or a temporary file, written by any thread.

A piece is rendered before its loudness is known, and what is equal in it is stored once.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import threading
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO

import numpy as np

from backing.sound.filters import Samples

__all__ = ["Spool", "Stretch", "fits", "trim"]


# Bytes. A piece that fits waits in memory; of a longer one, which is read from the disk anyway, a
# sixth of that does.
IN_MEMORY = 6 << 24


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames `start` to `stop` of what was written at a place of a spool, `whole` frames long.

    Equal stretches are equal sound.
    """

    place: int
    whole: int
    start: int
    stop: int

    def __len__(self) -> int:
        """Return how many frames it has."""
        return self.stop - self.start

    def cut(self, start: int, stop: int) -> Stretch:
        """Return frames `start` to `stop` of it, as far as it goes."""
        stop = max(0, min(stop, len(self)))
        start = max(0, min(start, stop))
        return Stretch(self.place, self.whole, self.start + start, self.start + stop)


def fits(layers: int, frames: int) -> bool:
    """Tell whether so many frames of stereo layers wait in memory."""
    return 8 * layers * frames <= IN_MEMORY


def trim() -> None:
    """Give freed memory back to the system, which only glibc can be asked for."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


class Spool:
    """What waits, the first of it in memory and the rest in a temporary file.

    Parameters
    ----------
    layers
        How many layers each stretch has; each is stereo.
    folder
        Where a long piece waits; the system's temporary folder by default.
    frames
        About how many will be written.
    """

    def __init__(self, layers: int, folder: Path | None, frames: int = 0) -> None:
        self.layers = layers
        self._folder = folder
        size = IN_MEMORY if fits(layers, frames) else IN_MEMORY // 6
        self._memory: Samples | None = np.empty(size // 4, np.float32)  # taken as it is filled
        self._file: IO[bytes] | None = None
        self._filed = self._end = 0  # the places, in samples, where the file begins and ends
        self._lock = threading.Lock()

    def write(self, sound: Samples) -> Stretch:
        """Store a sound, shape (layers, 2, frames)."""
        assert self._memory is not None
        with self._lock:
            place = self._end
            self._end += sound.size
            if self._file is None and self._end > self._memory.size:
                file = TemporaryFile(dir=self._folder, prefix=".")  # noqa: SIM115
                self._filed = place  # before the file is there for those who read meanwhile
                self._file = file
            if self._file is None:
                self._memory[place : self._end].reshape(sound.shape)[...] = sound
            else:
                self._file.seek(4 * (place - self._filed))
                self._file.write(np.ascontiguousarray(sound, np.float32).data)
        return Stretch(place, sound.shape[2], 0, sound.shape[2])

    def read(self, stretch: Stretch) -> Samples:
        """Return a stretch, shape (layers, 2, frames), not to be written to."""
        assert self._memory is not None
        sides = 2 * self.layers
        if self._file is None or stretch.place < self._filed:
            data = self._memory[stretch.place : stretch.place + sides * stretch.whole]
            data = data.reshape(sides, stretch.whole)[:, stretch.start : stretch.stop]
        else:
            data = np.empty((sides, len(stretch)), np.float32)
            with self._lock:
                for side in range(sides):
                    start = stretch.place - self._filed + side * stretch.whole + stretch.start
                    self._file.seek(4 * start)
                    if self._file.readinto(data[side]) != data[side].nbytes:  # type: ignore[attr-defined]
                        raise OSError(errno.EIO, "the temporary file is shorter than it was")
        return data.reshape(self.layers, 2, len(stretch))

    def close(self) -> None:
        """Give back the memory and the temporary file."""
        self._memory = None
        if self._file is not None:
            self._file.close()
