"""A WAV file that is whole at every moment while it grows.

The sizes in its header are written after the frames they speak of, so that whatever ends the
program, what was written opens.

References: the RIFF/WAVE layout, with format tag 3 (IEEE float) and its `fact` chunk.
"""

from __future__ import annotations

import contextlib
import os
import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["LONGEST", "Growing"]

FLOAT = 3
WIDE = 4  # bytes of a sample
HEAD = struct.Struct("<4sI4s 4sIHHIIHHH 4sII 4sI")
LONGEST = 4_000_000_000  # bytes of sound; the sizes have 32 bits, the rest is for what waits


class Growing:
    """A stereo or mono file of 32-bit floating point, opened for writing.

    It must not exist, unless it is to be written `over`; channels are 1 or 2. OSError if it cannot
    be made; `write` raises it too, and what was written before stays whole.
    """

    def __init__(self, path: Path, rate: int, channels: int, *, over: bool = False) -> None:
        self.path = path
        self.rate = rate
        self.channels = channels
        self.frames = 0  # written so far
        how = os.O_TRUNC if over else os.O_EXCL
        flags = os.O_RDWR | os.O_CREAT | how | getattr(os, "O_BINARY", 0)
        self._file = os.open(path, flags, 0o666)
        try:
            self._write_head()
        except OSError:
            self.close(kept=False)
            path.unlink()
            raise

    @property
    def full(self) -> bool:
        """Whether no more fits."""
        return self.frames * self.channels * WIDE >= LONGEST

    def write(self, block: NDArray[np.float32]) -> None:
        """Append frames, shape (frames, channels)."""
        data = np.ascontiguousarray(block, "<f4").tobytes()
        os.lseek(self._file, HEAD.size + self.frames * self.channels * WIDE, os.SEEK_SET)
        done = 0
        while done < len(data):
            done += os.write(self._file, data[done:])
        self.frames += len(block)
        self._write_head()

    def _write_head(self) -> None:
        size = self.frames * self.channels * WIDE
        os.lseek(self._file, 0, os.SEEK_SET)
        os.write(
            self._file,
            HEAD.pack(
                b"RIFF", HEAD.size - 8 + size, b"WAVE",
                b"fmt ", 18, FLOAT, self.channels, self.rate, self.rate * self.channels * WIDE,
                self.channels * WIDE, 8 * WIDE, 0,
                b"fact", 4, self.frames, b"data", size,
            ),
        )  # fmt: skip

    def close(self, *, kept: bool = True) -> None:
        """Close it; one that is kept lies on the disk then, whatever happens to the power.

        OSError if it cannot be brought there; it is closed all the same.
        """
        try:
            if kept:
                os.fsync(self._file)
                _settle(self.path.parent)
        finally:
            os.close(self._file)


def _settle(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system lets one open a folder."""
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
