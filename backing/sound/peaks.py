"""The peaks of a row of stretches, and what a limiter leaves of it at gains that are tried.

How high the band and the lead reach in each block is found once; together they reach no more than
the sum. What comes again in a row, among the same neighbours, is reckoned once.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence, Sized

import numpy as np
from numpy.typing import NDArray

from backing.sound.filters import Samples
from backing.sound.limiter import BLOCK, MARGIN, block_gains
from backing.sound.loudness import CELL
from backing.sound.mix import LIMIT
from backing.sound.spool import Stretch

__all__ = ["AROUND", "Peaks", "near"]

MANY = 1 << 14  # blocks whose gains are found at a time
AROUND = MARGIN // BLOCK  # blocks around a stretch that its gains depend on


def near(row: Sequence[Sized], number: int, before: int, after: int) -> tuple[int, int]:
    """Return the first and the last stretch within some frames of one."""
    first, last = number, number
    while first > 0 and before > 0:
        first -= 1
        before -= len(row[first])
    while last + 1 < len(row) and after > 0:
        last += 1
        after -= len(row[last])
    return first, last


class Peaks:
    """The peaks of the blocks of a row of stretches, each that comes again kept once.

    Parameters
    ----------
    row
        The stretches.
    parts
        How many layers are looked at by themselves.

    Attributes
    ----------
    parts
        The highest frame of each block of each part, as it was filled in; silence at the end.
    places
        Where among the blocks those of each stretch are.
    """

    def __init__(self, row: Sequence[Stretch], parts: int) -> None:
        self.places: dict[Stretch, slice] = {}
        end = 0
        for stretch in dict.fromkeys(row):
            start, end = end, end - (-len(stretch) // BLOCK)
            self.places[stretch] = slice(start, end)
        self.parts = np.zeros((parts, end + AROUND), np.float32)
        self._batches = [_Batch()]
        cells = 0
        known: dict[Hashable, NDArray[np.intp]] = {}
        order: list[NDArray[np.intp]] = []
        blocks = [range(end)[self.places[stretch]] for stretch in row]
        silence = np.arange(end, end + AROUND)
        for number, here in enumerate(blocks):
            first, last = near(blocks, number, AROUND, AROUND)
            key = number - first, *row[first : last + 1]
            if key not in known:
                past = [_each(block[-AROUND:]) for block in blocks[first:number]]
                after = [_each(block[:AROUND]) for block in blocks[number + 1 : last + 1]]
                before = np.concatenate([silence, *past])[-AROUND:]
                if self._batches[-1].size > MANY:
                    self._batches.append(_Batch())
                added = self._batches[-1].add(
                    before, here, np.concatenate([*after, silence])[:AROUND]
                )
                known[key] = np.arange(cells, cells + added - 1)  # the last is no cell
                cells += added
            order.append(known[key])
        self._order = np.concatenate(order)

    def fill(self, stretch: Stretch, heights: Sequence[Samples]) -> None:
        """Take in the highest frames of the blocks of a stretch, an array for each part."""
        self.parts[:, self.places[stretch]] = heights

    def bounds(self, stretch: Stretch, gains: NDArray[np.float32]) -> Samples:
        """Return an upper bound of the peak of each block of a stretch at given gains."""
        bounds: Samples = gains @ self.parts[:, self.places[stretch]]
        return bounds

    def left(self, peaks: Samples, gain: float) -> Samples:
        """Return the power that each cell of the row keeps after the limiter, as a share.

        Parameters
        ----------
        peaks
            Of each block in `parts`.
        gain
            What they are multiplied by.
        """
        every = [batch.left(peaks, np.float32(gain)) for batch in self._batches]
        return np.concatenate(every)[self._order]


def _each(blocks: range) -> NDArray[np.intp]:
    return np.arange(blocks.start, blocks.stop)


class _Batch:
    """Blocks of stretches, each with those around it, that are worked on at a time."""

    def __init__(self) -> None:
        self.size = 0
        self._blocks: list[slice | NDArray[np.intp]] = []
        self._starts: list[NDArray[np.intp]] = []
        self._sizes: list[NDArray[np.intp]] = []

    def add(self, before: NDArray[np.intp], here: range, after: NDArray[np.intp]) -> int:
        """Append the places of blocks; return their cells, and one that holds what is after."""
        edges = np.append(np.arange(0, len(here), CELL // BLOCK), len(here))
        self._starts.append(self.size + len(before) + edges)
        self._sizes.append(np.diff(edges, append=len(here) + 1))
        self._blocks += [before, slice(here.start, here.stop), after]
        self.size += len(before) + len(here) + len(after)
        return len(edges)

    def left(self, peaks: Samples, gain: np.float32) -> Samples:
        """Return the share of its power that each cell, and the rest, keeps after the limiter."""
        end = np.zeros(1, np.float32)
        blocks = np.concatenate([*(peaks[place] for place in self._blocks), end]) * gain
        power = block_gains(blocks, LIMIT) ** 2
        sums = np.add.reduceat(power, np.concatenate(self._starts))
        return (sums / np.concatenate(self._sizes)).astype(np.float32)
