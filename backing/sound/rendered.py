"""A rendered piece: its layers in order, measured, and mastered as they are read.

A piece is a row of stretches. Where a pass comes again the same stretches come again, and what
was found out about one among its neighbours - its loudness, its peaks, its finished sound - is
not found out twice.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backing.sound.filters import Samples
from backing.sound.fluid import AT_ONCE
from backing.sound.limiter import BLOCK, MARGIN, block_gains, block_heights, block_peaks, least
from backing.sound.loudness import TAPS, LoudnessMeter, weighed
from backing.sound.mix import LIMIT, Gains, master
from backing.sound.peaks import AROUND, Peaks, near
from backing.sound.spool import Spool, Stretch, fits, trim
from backing.sound.synth import PARTS

__all__ = ["Rendered"]

AHEAD = 4  # stretches that are finished before they are first asked for
KEPT = 32  # stretches within which one comes again for which it is kept
WORTH = 0.55  # of the limit: what is lower is not higher than that between its frames
MASTERED = 12  # stretches whose mix is kept for a while
NEAR = BLOCK  # frames around a stretch, more than its true peaks depend on


def _again(keys: Sequence[Hashable]) -> list[int]:
    """Return the place at which each key comes next, beyond the end where it does not."""
    following: dict[Hashable, int] = {}
    out = []
    for place in range(len(keys) - 1, -1, -1):
        out.append(following.get(keys[place], sys.maxsize))
        following[keys[place]] = place
    return out[::-1]


class Rendered:
    """A piece as layers, measured and ready to be mastered.

    Parameters
    ----------
    names, rate
        As the attributes are.
    folder
        Where a long piece waits; the system's temporary folder by default.
    expected
        About how many different frames will be added.

    Attributes
    ----------
    names
        The layers, `backing.sound.mix.TOGETHER` or `backing.sound.mix.APART`.
    window
        The first frame that is kept and the one after the last; None keeps all.
    gains
        What mastering will do.
    heard
        The highest frame of each of `backing.sound.synth.PARTS`, dry; whoever renders fills it in.
    loudness
        What mastering makes of it, in LUFS; not a number where that was not measured.
    peak
        The highest frame that has been finished.
    """

    def __init__(
        self, names: tuple[str, ...], rate: int, folder: Path | None, expected: int = 0
    ) -> None:
        self.names = names
        self.rate = rate
        self.window: tuple[int, int] | None = None
        self.gains = Gains(1.0, 1.0)
        self.heard = np.zeros(len(PARTS), np.float32)
        self.loudness = math.nan
        self.peak = 0.0
        self.spool = Spool(len(names), folder, expected)
        self.row: list[Stretch] = []
        # The layers of the band, and of the lead and the sticks if there are any.
        only = (Gains(1.0, 0.0), Gains(0.0, 1.0), Gains(0.0, 0.0, 1.0))
        each = [np.flatnonzero(part.of(names)) for part in only]
        self._parts = [layers for layers in each if len(layers)]
        self._kinds = [number for number, layers in enumerate(each) if len(layers)]
        self._heard: list[int] = []
        self._short = fits(len(names), expected)
        self._high: dict[Stretch, Future[list[Samples]]] = {}
        self._balanced: Gains | None = None
        self._peaks: Peaks | None = None
        self._weighed: dict[Hashable, Future[Samples]] = {}
        self.pool = ThreadPoolExecutor(AT_ONCE)  # FluidSynth and numpy leave Python to others
        # A stretch is looked at for its neighbours' sake too.
        self._peaked = lru_cache(KEPT)(self._true_peaks)
        self._mastered = lru_cache(MASTERED)(lambda stretch: self._mixed(stretch, self.gains))

    @property
    def frames(self) -> int:
        """Its length."""
        return sum(map(len, self.row))

    def add(self, stretch: Stretch, *, counts: bool = True) -> None:
        """Append what lies in the spool; its loudness may not count."""
        if not stretch:
            return
        number = len(self.row)
        self.row.append(stretch)
        if counts:
            self._heard.append(number)
            key = self._near(number, TAPS, 0)
            if key not in self._weighed:
                self._weighed[key] = self.pool.submit(self._weigh, number)
            if self._short and stretch not in self._high:
                self._high[stretch] = self.pool.submit(self._heights, stretch)

    def _weigh(self, number: int) -> Samples:
        return weighed(self._around(self.row, number, TAPS - 1, 0, self.spool.read), self.rate)

    def measure(self) -> None:
        """Decide the gains from all that was added."""
        if not self._short:
            trim()  # of what is needed only while notes are rendered
        meter = LoudnessMeter(len(self.names), self.rate)
        row = [self.row[number] for number in self._heard]
        peaks = Peaks(row, len(self._parts) if self._short else 1) if row else None
        for number in self._heard:
            shared = self._weighed[self._near(number, TAPS, 0)].result()
            meter.add_weighed(shared, len(self.row[number]))
        self._weighed.clear()
        if peaks is not None:
            self._peaks = peaks
            for stretch in self._high:
                peaks.fill(stretch, self._high[stretch].result())
            self._high.clear()
            self.gains = master(meter, self.names, lambda gains: peaks.left(*self._at(gains)))
            if self._short:  # else it would have to be read once more
                each = self.gains.of(self.names).astype(np.float64)
                self.loudness = meter.loudness(each, peaks.left(*self._at(self.gains)))

    def _heights(self, stretch: Stretch) -> list[Samples]:
        """Return the highest frame of each block of each part."""
        sound = self.spool.read(stretch)
        return [
            block_heights(sound[layers[0]] if len(layers) == 1 else sound[layers].sum(axis=0))
            for layers in self._parts
        ]

    def _at(self, gains: Gains) -> tuple[Samples, float]:
        """Return the highest frame of each block, exact where a limiter works, and their gain."""
        assert self._peaks is not None
        if not self._short:
            return self._reread(gains)
        parts, balance = self._peaks.parts, self._balance(gains)
        alone = np.flatnonzero(balance)
        if len(alone) == 1:
            return parts[alone[0]], float(balance[alone[0]])
        peaks: Samples = balance @ parts
        unsure = np.flatnonzero(peaks > LIMIT)
        unsure = unsure[(parts[:, unsure] > 0.0).sum(axis=0) > 1]
        places = self._peaks.places
        split = np.split(unsure, np.searchsorted(unsure, [at.stop for at in places.values()]))
        for (stretch, at), here in zip(places.items(), split, strict=False):
            if len(here):
                frames = (here - at.start)[:, None] * BLOCK + np.arange(BLOCK)
                sound = np.take(self.spool.read(stretch), frames, axis=2, mode="clip")
                mix = np.einsum("l,lcbf->cbf", gains.of(self.names), sound)
                peaks[here] = np.abs(mix).max(axis=(0, 2))
        return peaks, 1.0

    def _reread(self, gains: Gains) -> tuple[Samples, float]:
        """Return the same of a long piece, whose layers lie on the disk.

        Up to a gain it depends on the balance of band and lead alone; one is kept.
        """
        assert self._peaks is not None
        most = max(gains.band, gains.lead)
        balance = Gains(gains.band / most, gains.lead / most, gains.sticks / most)
        if balance != self._balanced:
            self._balanced = balance

            def find(stretch: Stretch) -> list[Samples]:
                return [block_heights(self._mixed(stretch, balance))]

            found = self.pool.map(find, self._peaks.places)
            for stretch, heights in zip(self._peaks.places, found, strict=True):
                self._peaks.fill(stretch, heights)
        return self._peaks.parts[0], most

    def _balance(self, gains: Gains) -> Samples:
        """Return the gain of each part that is looked at by itself."""
        if not self._short:  # the balance that was kept is nearly theirs
            return np.array([max(gains.band, gains.lead)], np.float32)
        return np.array([gains.band, gains.lead, gains.sticks], np.float32)[self._kinds]

    def _mixed(self, stretch: Stretch, gains: Gains) -> Samples:
        mix: Samples = np.einsum("l,lcf->cf", gains.of(self.names), self.spool.read(stretch))
        return mix

    # --- what was added, and what lies around it -----------------------------

    def _near(self, number: int, before: int, after: int) -> tuple[int, tuple[Stretch, ...]]:
        """Return the stretches within so many frames of one, and the place of it among them."""
        first, last = near(self.row, number, before, after)
        return number - first, tuple(self.row[first : last + 1])

    def _around(
        self, row: Sequence[Stretch], number: int, before: int, after: int,
        read: Callable[[Stretch], Samples],
    ) -> Samples:  # fmt: skip
        """Return a stretch of a row and so many frames around it, silent beyond the ends."""
        parts = [read(row[number])]
        at = number
        while before > 0 and at > 0:
            at -= 1
            stretch = row[at]
            parts.insert(0, read(stretch.cut(len(stretch) - before, len(stretch))))
            before -= len(stretch)
        at = number
        while after > 0 and at + 1 < len(row):
            at += 1
            parts.append(read(row[at].cut(0, after)))
            after -= len(row[at])
        silence = np.zeros((*parts[0].shape[:-1], max(0, before, after)), np.float32)
        parts.insert(0, silence[..., : max(0, before)])
        return np.concatenate([*parts, silence[..., : max(0, after)]], axis=-1)

    # --- finished sound -------------------------------------------------------

    def mixes(self, bits: int | None = None) -> Iterator[NDArray[Any]]:
        """Yield the finished mix, shape (frames, 2), some frames at a time.

        Parameters
        ----------
        bits
            16 for whole numbers of 16 bits; None for floating point.
        """

        def make(number: int) -> NDArray[Any]:
            sound = self._finished(number)
            self.peak = max(
                self.peak, float(sound.max(initial=0.0)), -float(sound.min(initial=0.0))
            )
            out = np.empty((sound.shape[1], 2), np.float32 if bits is None else np.int16)
            if bits is not None:
                sound *= np.float32(32767)  # the limiter leaves nothing above 1
                np.rint(sound, out=sound)
            out[:, 0], out[:, 1] = sound
            return out

        kept = list(self._kept())
        keys = [self._near(number, MARGIN, MARGIN) for number, _, _ in kept]
        again = _again(keys)
        made: dict[Hashable, Future[NDArray[Any]]] = {}
        new: set[int] = set()  # places of what is made and was not asked for yet
        begun = 0
        try:
            for place, (_, low, high) in enumerate(kept):
                new.discard(place)
                while begun < len(kept) and begun <= place + KEPT and len(new) <= AHEAD:
                    if keys[begun] not in made:
                        made[keys[begun]] = self.pool.submit(make, kept[begun][0])
                        new.add(begun)
                    begun += 1
                sound = made[keys[place]].result()
                if again[place] > place + KEPT:
                    del made[keys[place]]
                yield sound[low:high]
        finally:
            for waiting in made.values():
                waiting.cancel()

    def blocks(self) -> Iterator[tuple[Samples, Samples]]:
        """Yield the layers at their gains and the finished mix, some frames at a time.

        The layers of each pair, shape (layers, 2, frames), add up to its mix, shape
        (2, frames), before the limiter.
        """
        at = 0
        for mix in self.mixes():
            yield self.layers(at, at + len(mix)), mix.T
            at += len(mix)

    def layers(self, start: int, stop: int) -> Samples:
        """Return the layers at their gains between two frames of what is kept."""
        at = -self.window[0] if self.window else 0
        parts = []
        for stretch in self.row:
            if start < at + len(stretch) and at < stop:
                parts.append(self.spool.read(stretch.cut(start - at, stop - at)))
            at += len(stretch)
        sound: Samples = np.concatenate(parts, axis=2)
        sound *= self.gains.of(self.names)[:, None, None]
        return sound

    def _kept(self) -> Iterator[tuple[int, int, int]]:
        """Yield each stretch of which something is kept, and from where to where."""
        low, high = self.window or (0, self.frames)
        start = 0
        for number, stretch in enumerate(self.row):
            first, last = max(low - start, 0), min(high - start, len(stretch))
            if first < last:
                yield number, first, last
            start += len(stretch)

    def _finished(self, number: int) -> Samples:
        """Return a stretch as it is heard, shape (2, frames): its mix at the limiter's gains."""
        place, beside = self._near(number, MARGIN, MARGIN)
        first = number - place
        peaks = [
            self._peaked(*self._near(first + other, NEAR, NEAR)) for other in range(len(beside))
        ]
        start = -sum(len(stretch) for stretch in beside[:place])
        centres = []
        for stretch in beside:
            edges = np.append(np.arange(0, len(stretch), BLOCK), len(stretch))
            centres.append(start + (edges[1:] + edges[:-1]) / 2 - 0.5)
            start += len(stretch)
        before, blocks = sum(map(len, peaks[:place])), len(peaks[place])
        around = slice(max(0, before - AROUND), before + blocks + AROUND)
        before -= around.start
        gains = block_gains(np.concatenate(peaks)[around], LIMIT)
        lower = np.flatnonzero(least(gains, 1)[before : before + blocks] < 1.0)
        mix = self._mastered(self.row[number]).copy()
        frames = (lower[:, None] * BLOCK + np.arange(BLOCK)).ravel()
        frames = frames[frames < mix.shape[1]]
        curve = np.interp(frames, np.concatenate(centres)[around], gains)
        mix[:, frames] *= curve.astype(np.float32)
        return mix

    def _true_peaks(self, place: int, beside: tuple[Stretch, ...]) -> Samples:
        """Return the true peak of each block of a stretch, as far as a limiter minds."""
        stretch = beside[place]
        around = self._around(beside, place, NEAR, NEAR, self._mastered)
        bounds = None
        if self._peaks is not None and stretch in self._peaks.places:
            ends = np.zeros(1, np.float32)
            inside = self._peaks.bounds(stretch, self._balance(self.gains))
            bounds = np.concatenate([ends, inside, ends])
        return block_peaks(around, WORTH * LIMIT, bounds)[1 : 1 - (-len(stretch) // BLOCK)]

    def close(self) -> None:
        """Stop what is being done, and give back the memory and the temporary file."""
        self.pool.shutdown(wait=True, cancel_futures=True)
        self._mastered.cache_clear()
        self._peaked.cache_clear()
        self._high.clear()
        self._peaks = None
        self._weighed.clear()
        self.spool.close()
