"""A string as one delay loop, in blocks that numpy works on.

Conventions: time in frames; a hop is `HOP` frames, and what the hands do is told at the edges of
hops. What a wave meets on its way along the string and back - the time that takes, what it loses,
how stiffness hurries its treble - is one short filter behind a delay of whole frames. The filters
of all hops are designed at once, by weighted least squares. A block no longer than the delay is
made at once, so that Python is asked once a block and not once a frame: of a pitch that stays by
one product of matrices, of one that moves by two correlations, between which is faded.

References: Karplus & Strong 1983 and Jaffe & Smith 1983 (Computer Music Journal 7(2)) for the
loop; Karjalainen, Valimaki & Tolonen 1998 (the same, 22(3)) for the single delay loop; Fletcher's
stiff string for its partials.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from backing.sound.filters import Samples
from backing.sound.voices.gauges import FLOOR, HIGH, HIGH_LOSS, Gauge

__all__ = ["HOP", "LOWEST", "RAMP", "Loop", "between"]

Floats = NDArray[np.float64]
F = TypeVar("F", np.float32, np.float64)

HOP = 64
# Frequencies at which a filter is asked to be right: more than it has taps for, and low ones.
BINS, BINS_A_TAP, LOW_BINS = 96, 0.7, 24
LOW_BIN = 18.0  # Hz from one of those to the next
SHORT, SHORT_TAPS = 60.0, 24  # a period of fewer frames has room for so many taps
# Taps that lie after the delay of the first partial at least, and of a long period; with fewer a
# low string loses all that it has in a second.
ROOM, LONG_ROOM = 16, 0.055
TAIL, STEP = 48, 16  # and as a rule; sizes come in steps
# Of a period, what the filter itself delays by: what is short has more, for it needs some frames.
LEAD, SHORT_LEAD, FEW = 0.3, 0.45, 30
MOST = 0.99999  # of any frequency that comes round
DULL = 7000.0  # Hz above which nothing of a string lives
LOWEST = 40  # Hz
KEPT = 4000  # filters of a string
QUICK = 32  # numpy correlates with a multiple of so many taps in half the time
LONG = 400  # frames of a block that are worth more taps
SIDE = 32  # frames in a row of a block that is a product of matrices
CENTS = 1200 * 5
RAMP = (np.arange(HOP) / HOP).astype(np.float32)


@lru_cache(maxsize=32)
def _turns(taps: int, rate: int) -> Floats:
    """Return the frequencies at which a filter is asked to be right, in radians a frame."""
    low = 2 * np.pi * LOW_BIN / rate * (1 + np.arange(LOW_BINS))
    bins = max(BINS, round(BINS_A_TAP * taps))
    return np.concatenate([low, (np.arange(bins) + 0.5) / bins * np.pi])


@lru_cache(maxsize=32)
def _solved(taps: int, rate: int) -> tuple[Floats, Floats]:
    """Return the matrices of a least-squares fit of taps to the parts of a response."""
    turn = _turns(taps, rate)
    hertz = turn * rate / (2 * np.pi)
    weight = np.where(hertz < 5000, 1.0, np.where(hertz < 11000, 0.3, 0.1))
    weight = (weight * np.where(hertz < 2000, 8.0, 1.0))[:, None]
    cosines, sines = (f(np.outer(turn, np.arange(taps))) for f in (np.cos, np.sin))
    normal = (cosines * weight).T @ cosines + (sines * weight).T @ sines
    inverse = np.linalg.inv(normal + 1e-7 * np.eye(taps))
    return (weight * cosines) @ inverse, (weight * sines) @ inverse


@lru_cache(maxsize=32)
def _kept(gauge: Gauge, rate: int) -> dict[bytes, list[Samples]]:
    """Return the filters of a string that have been designed, by what was wanted of them.

    Behind each filter stand the matrices of one round, of two, and so on, as they were asked for.
    """
    return {}


def _quick(taps: Samples) -> Samples:
    """Return taps, newest frame last, with silent ones before them."""
    return np.concatenate([np.zeros(-len(taps) % QUICK, np.float32), taps])


def _matrix(rounds: list[Samples], level: int) -> Samples:
    """Return the matrix that makes `SIDE` frames of those before, for 2**level rounds."""
    around = np.zeros(SIDE - 1, np.float32)
    for made in range(len(rounds) - 1, level + 1):
        taps = rounds[made][: 1 - SIDE, 0] if made else np.trim_zeros(rounds[0], "f")
        taps = np.convolve(taps, taps) if made else taps
        shifted = sliding_window_view(np.concatenate([around, taps, around]), SIDE)[:, ::-1]
        rounds[made + 1 : made + 2] = [shifted.copy()]  # another thread may do the same
    return rounds[level + 1]


def between(edges: NDArray[F], rows: NDArray[np.intp]) -> NDArray[F]:
    """Interpolate values at the edges of hops to each frame of some hops, (hops, frames)."""
    first = edges[rows][:, None]
    out: NDArray[F] = (edges[rows + 1][:, None] - first) * RAMP.astype(edges.dtype)
    out += first
    return out


def _bytes(rows: Floats) -> list[bytes]:
    """Return each row as what a dictionary takes."""
    found: list[bytes] = np.ascontiguousarray(rows).view(f"V{8 * rows.shape[1]}")[:, 0].tolist()
    return found


def _different(rows: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Return the different rows, and for each row the place of its equal among them."""
    new = np.concatenate([[True], (rows[1:] != rows[:-1]).any(axis=1)])
    starts = np.flatnonzero(new)
    known: dict[bytes, int] = {}
    places = [known.setdefault(row, len(known)) for row in _bytes(rows[starts])]
    first = np.zeros(len(known), np.intp)
    first[places[::-1]] = starts[::-1]
    return rows[first], np.array(places)[np.cumsum(new) - 1]


class Loop:
    """One string that goes on ringing from chunk to chunk.

    Parameters
    ----------
    gauge
        The string.
    rate
        Frames a second.
    """

    def __init__(self, gauge: Gauge, rate: int) -> None:
        self.gauge = gauge
        self.rate = rate
        self.taps = max(SHORT_TAPS, round(gauge.taps * rate / 44100))
        self.pad = rate // LOWEST + 2 * (self.taps + QUICK) + HOP
        self._before = np.zeros(self.pad, np.float32)

    def filters(self, rows: Floats, taps: int) -> Samples:
        """Return a filter for each row, newest frame last, shape (rows, taps).

        A row is the period in frames, the whole frames of it that are delayed, the frames the
        filter may delay by, the fret, and what a hand takes: dB a second, and as much more for
        each kHz.
        """
        period, whole, lead, fret, damped, dull = rows.T[:, :, None]
        turn = _turns(taps, self.rate)[None, :]
        hertz = turn * self.rate / (2 * np.pi)
        gauge = self.gauge
        stiff = gauge.stiffness * 2 ** (fret / 6)
        ideal = self.rate / period / np.sqrt(1 + stiff)  # the first partial without stiffness
        number = np.sqrt((np.sqrt(1 + 4 * stiff * (hertz / ideal) ** 2) - 1) / (2 * stiff))
        sooner = self.rate * (1 / ideal - number / hertz)
        most = np.maximum(1.0, (lead - 4) / 1.9)  # so that all of it lies within the taps
        first = self.rate / ideal - period
        sooner = first + most * np.tanh((sooner - first) / most)
        delay = self.rate / ideal - sooner - whole
        kilo = hertz / 1000
        drag = gauge.drag + gauge.stopped * fret / 12
        loss = np.maximum(FLOOR, gauge.loss + drag * np.sqrt(kilo))
        loss = loss + HIGH_LOSS * np.maximum(kilo - HIGH, 0.0) + damped + dull * kilo
        loss = loss + 6.0 * ideal * np.maximum((hertz - DULL) / 5000, 0.0) ** 2
        gain = 10 ** (-loss * period / (20 * self.rate))
        turned = turn * delay
        real, imaginary = _solved(taps, self.rate)
        # Row by row, so that a filter is the same whatever others are designed with it.
        both = zip(gain * np.cos(turned), gain * np.sin(turned), strict=True)
        found = np.stack([one @ real + other @ imaginary for one, other in both])
        highest = np.abs(np.fft.rfft(found, 512, axis=1)).max(axis=1)
        found *= np.minimum(1.0, MOST / highest)[:, None]
        return found[:, ::-1].astype(np.float32)

    def _designed(self, rows: Floats, taps: NDArray[np.intp]) -> list[list[Samples]]:
        """Return a filter for each row, of so many taps; those that were made before are kept."""
        known = _kept(self.gauge, self.rate)
        keys = _bytes(rows)
        out = [known.get(key) for key in keys]
        new = np.array([one is None for one in out])
        if len(known) > KEPT:  # by another thread too
            known.clear()
        for size in sorted(set(taps[new].tolist())):  # np.unique loads more of numpy
            numbers = np.flatnonzero(new & (taps == size))
            for number, one in zip(numbers, self.filters(rows[numbers], size), strict=True):
                known[keys[number]] = out[number] = [_quick(one)]
        return [one for one in out if one is not None]

    def run(self, periods: Floats, frets: Floats, hand: Floats, sounding: NDArray[np.bool_],
            given: Samples, put: Sequence[tuple[int, int]]) -> Samples:  # fmt: skip
        """Return some hops of the string, and keep how it rings.

        Parameters
        ----------
        periods
            Frames at the edges of hops, one more than there are hops.
        frets
            At the same edges, whole or not.
        hand
            What a hand takes there: rows of dB a second, and as much more for each kHz.
        sounding
            Whether anything sounds in each hop; where not, the string is at rest.
        given
            What is put into the string, for each frame.
        put
            From which frame on something is, and until which, from the first on.
        """
        hops, pad = len(sounding), self.pad
        more = np.zeros(pad + hops * HOP + SIDE, np.float32)
        out = more[:-SIDE]
        out[:pad] = self._before
        live = np.flatnonzero(sounding)
        if len(live):
            self._ring(more, periods, frets, hand, live, given, put)
        self._before = out[len(out) - pad :].copy()
        return out

    def _ring(self, out: Samples, periods: Floats, frets: Floats, hand: Floats,
              live: NDArray[np.intp], given: Samples,
              put: Sequence[tuple[int, int]]) -> None:  # fmt: skip
        # In steps, so that filters come again while a pitch moves: of a fifth of a cent.
        steps = 2 ** ((np.log2(periods) * CENTS).round() / CENTS)
        edges = np.column_stack([steps, (4 * frets).round() / 4, hand.round(6)])
        least = np.minimum(edges[live, 0], edges[live + 1, 0])
        brief = least < SHORT
        lead = np.where(
            brief,
            np.minimum(SHORT_TAPS - 10, np.floor(0.42 * least)),
            np.minimum(
                self.taps - np.floor(np.clip(LONG_ROOM * least, ROOM, TAIL)),
                np.floor(np.maximum(LEAD * least, np.minimum(SHORT_LEAD * least, FEW))),
            ),
        )
        needed = np.minimum(self.taps, STEP * np.ceil((lead + TAIL) / STEP))
        taps = np.where(brief, SHORT_TAPS, needed).astype(np.intp)
        whole = np.floor(least) - lead
        around = np.column_stack([whole, lead])
        wanted = np.concatenate(
            [np.column_stack([edges[at, :1], around, edges[at, 1:]]) for at in (live, live + 1)]
        )
        rows, place = _different(wanted)
        sizes = np.zeros(len(rows), np.intp)
        sizes[place] = np.concatenate([taps, taps])
        filters = self._designed(rows, sizes)
        begin, end = place[: len(live)], place[len(live) :]
        # Hops in which nothing changes are one span.
        alike = (begin[1:] == begin[:-1]) & (begin[1:] == end[1:]) & (begin[:-1] == end[:-1])
        alike &= live[1:] == live[:-1] + 1
        first = np.concatenate([[0], np.flatnonzero(~alike) + 1, [len(live)]])
        starts = HOP * live[first[:-1]]
        stops = starts + HOP * np.diff(first)
        begun, over = np.array(put).T
        quiet = np.maximum(starts, over[np.searchsorted(begun, stops) - 1])
        ramp, correlate, pad = RAMP, np.correlate, self.pad
        spans = zip(
            (pad + starts).tolist(), (pad + stops).tolist(), (pad + quiet).tolist(),
            whole[first[:-1]].astype(int).tolist(), begin[first[:-1]].tolist(),
            end[first[:-1]].tolist(), strict=True,
        )  # fmt: skip
        for start, stop, silent, delay, one, other in spans:
            rounds, at = filters[one], start
            if one != other:
                taps, later = rounds[0], filters[other][0]
                reach = delay + len(taps) - 1
                while at < stop:
                    until = min(at + delay, stop)
                    heard = out[at - reach : until - delay]
                    new = correlate(heard, taps, "valid")
                    changed = correlate(heard, later, "valid")
                    changed -= new
                    changed *= ramp[at - start : until - start]
                    new += changed
                    if at < silent:
                        new += given[at - pad : until - pad]
                    out[at:until] = new
                    at = until
                continue
            level, block, matrix = 0, delay, _matrix(rounds, 0)
            reach = delay + len(rounds[0]) - 1
            # Where nothing was put in for so long, what comes is what two rounds make of it.
            further = silent + reach
            while at < stop:
                while at >= further and 2 * block <= LONG:
                    level, block = level + 1, 2 * block
                    matrix = _matrix(rounds, level)
                    further += reach << level
                until = min(at + block, stop)
                wide = len(matrix)
                heard = np.ndarray(
                    ((until - at + SIDE - 1) // SIDE, wide), np.float32, out,
                    4 * (at - block - wide + SIDE), (4 * SIDE, 4),
                )  # fmt: skip
                new = heard.dot(matrix).reshape(-1)[: until - at]
                if at < silent:
                    new += given[at - pad : until - pad]
                out[at:until] = new
                at = until

    def rest(self) -> None:
        """Let the string come to rest."""
        self._before[:] = 0.0
