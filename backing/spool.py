"""Sound that waits: stretches of layers in a temporary file, written by any thread.

A piece is rendered before its loudness is known, and what is equal in it is stored once.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import SpooledTemporaryFile

import numpy as np
from numpy.typing import NDArray

__all__ = ["Spool", "Stretch"]

Sound = NDArray[np.float32]

IN_MEMORY = 1 << 25  # bytes; longer pieces wait on disk


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames `start` to `stop` of what was written at a place of a spool, `whole` frames long.

    Equal stretches are equal sound.
    """

    place: int
    whole: int
    start: int
    stop: int

    @property
    def frames(self) -> int:
        """How many frames it has."""
        return self.stop - self.start

    def cut(self, start: int, stop: int) -> Stretch:
        """Return frames `start` to `stop` of it, as far as it goes."""
        stop = max(0, min(stop, self.frames))
        start = max(0, min(start, stop))
        return replace(self, start=self.start + start, stop=self.start + stop)


class Spool:
    """A temporary file of layers.

    Parameters
    ----------
    layers
        How many layers each stretch has; each is stereo.
    folder
        Where a long piece waits; the system's temporary folder by default.
    """

    def __init__(self, layers: int, folder: Path | None) -> None:
        self.layers = layers
        self._file = SpooledTemporaryFile(IN_MEMORY, dir=str(folder or "") or None, prefix=".")  # noqa: SIM115
        self._end = 0
        self._lock = threading.Lock()

    def write(self, sound: Sound) -> Stretch:
        """Store a sound, shape (layers, 2, frames)."""
        data = np.ascontiguousarray(sound, np.float32).data
        with self._lock:
            place = self._end
            self._file.seek(place)
            self._file.write(data)
            self._end += data.nbytes
        return Stretch(place, sound.shape[2], 0, sound.shape[2])

    def read(self, stretch: Stretch) -> Sound:
        """Return a stretch, shape (layers, 2, frames), not to be written to."""
        shape = (self.layers, 2, stretch.whole)
        with self._lock:
            self._file.seek(stretch.place)
            data = self._file.read(8 * self.layers * stretch.whole)
        return np.frombuffer(data, np.float32).reshape(shape)[:, :, stretch.start : stretch.stop]

    def close(self) -> None:
        """Give back the temporary file."""
        self._file.close()
