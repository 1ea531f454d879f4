"""Sound that waits: stretches of layers in memory or a temporary file, written by any thread.

A piece is rendered before its loudness is known, and what is equal in it is stored once.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO

import numpy as np
from numpy.typing import NDArray

__all__ = ["Spool", "Stretch"]

Sound = NDArray[np.float32]

IN_MEMORY = 1 << 26  # bytes; what is more waits on disk


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
    """What waits, the first of it in memory and the rest in a temporary file.

    Parameters
    ----------
    layers
        How many layers each stretch has; each is stereo.
    folder
        Where a long piece waits; the system's temporary folder by default.
    """

    def __init__(self, layers: int, folder: Path | None) -> None:
        self.layers = layers
        self._folder = folder
        self._held: dict[int, Sound] = {}
        self._file: IO[bytes] | None = None
        self._filed = self._end = 0  # the places where the file begins and ends
        self._lock = threading.Lock()

    def write(self, sound: Sound) -> Stretch:
        """Store a sound, shape (layers, 2, frames), which then must stay as it is."""
        sound = np.ascontiguousarray(sound, np.float32)
        with self._lock:
            place = self._end
            if self._file is None and place + sound.nbytes > IN_MEMORY:
                self._file = TemporaryFile(dir=self._folder, prefix=".")  # noqa: SIM115
                self._filed = place
            if self._file is None:
                self._held[place] = sound
            else:
                self._file.seek(place - self._filed)
                self._file.write(sound.data)
            self._end += sound.nbytes
        return Stretch(place, sound.shape[2], 0, sound.shape[2])

    def read(self, stretch: Stretch) -> Sound:
        """Return a stretch, shape (layers, 2, frames), not to be written to."""
        held = self._held.get(stretch.place)
        if held is None:
            shape = (self.layers, 2, stretch.whole)
            with self._lock:
                assert self._file is not None
                self._file.seek(stretch.place - self._filed)
                data = self._file.read(8 * self.layers * stretch.whole)
            held = np.frombuffer(data, np.float32).reshape(shape)
        return held[:, :, stretch.start : stretch.stop]

    def close(self) -> None:
        """Give back the memory and the temporary file."""
        self._held.clear()
        if self._file is not None:
            self._file.close()
