"""What there is to hear in a take: where notes may begin, and the pitch every five milliseconds.

Conventions: pitch is in cents, 100 times the MIDI pitch; levels are in dB below the loudest
frame; times are seconds from the first frame of the take. Arrays by frame have one value each
`hop` seconds, of a window around that time.

References: Bock & Widmer 2013, DAFx (spectral flux with a maximum filter, against vibrato); de
Cheveigne & Kawahara 2002, JASA 111(4) (YIN); Maeda 1985 (change point by information criterion).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backing.listening.source import Frames, Mono, blocks, thinned

__all__ = ["AFTER", "STEPS", "UNSURE", "Ears", "Onset", "listen", "middle", "swaying", "yin"]

Row = NDArray[np.float64]

HOP = 0.005  # seconds
LOWEST_PITCH, HIGHEST_PITCH = 70.0, 1500.0  # Hz: below a low D, above the 24th fret
STEPS = 16  # frames of pitch that are kept of a beginning
AFTER = 6  # frames after it with which they begin: no part of the window lies before it
MARGIN = 0.25  # seconds beside a block that are heard with it
APART = 0.025  # seconds; what is closer is one beginning
AHEAD = 0.004  # seconds by which the flux runs ahead
TRUST = 0.006  # seconds; how far from the flux a finer place is believed
UNSURE = 0.35  # aperiodicity above which there is no pitch
NEW = (0.06, 0.12)  # seconds in which it is asked what is new after a pick
NEW_TOP, OVERTONES = 5000.0, 12  # hertz, and partials, up to which it is asked
CURVED = 0.7  # seconds from which the pitch under a vibrato may be bowed
RATES, TREMBLES = (2.5, 9.5), (1.5, 20.0)  # turns a second: of a vibrato, of whatever trembles
FAINT = 0.105  # share of the 99th percentile of the flux below which nothing begins


@dataclass(frozen=True, slots=True)
class Onset:
    """A place at which a note may begin.

    Attributes
    ----------
    at
        Seconds.
    strength
        Height of the flux over what is around it; the 99th percentile is 1.
    cents
        Pitch in the frames from `AFTER` on, shape (2, `STEPS`): the usual reading, and the
        highest one that is nearly as good. Not a number where there is none.
    level, before
        dB after and before it.
    """

    at: float
    strength: float
    cents: Row
    level: float
    before: float


@dataclass(frozen=True, slots=True)
class Ears:
    """All that is heard in a take.

    Attributes
    ----------
    source, hop
        The take, and the seconds from one frame of the arrays to the next.
    cents, higher, unsure, level
        By frame: pitch, the highest reading nearly as good, aperiodicity (0 is a clear pitch),
        and dB.
    onsets
        In order of time.
    loud
        The median level of clear beginnings in dB.
    """

    source: Frames
    hop: float
    cents: Row
    higher: Row
    unsure: Row
    level: Row
    onsets: list[Onset]
    loud: float

    def pitched(self, start: float, stop: float, unsure: float = 0.3) -> Row:
        """Return the pitch between two times, not a number where it is not clear."""
        low, high = max(0, round(start / self.hop)), max(0, round(stop / self.hop))
        out: Row = np.where(self.unsure[low:high] < unsure, self.cents[low:high], np.nan)
        return out

    def before(self, at: float) -> float:
        """Return the pitch that sounds just before a time, not a number where there is none."""
        return middle(self.pitched(at - 16 * self.hop, at - 4 * self.hop, 0.25))

    def shares(self, at: float, seconds: float, chords: Sequence[Sequence[float]]) -> Row:
        """Return the share of the new sound after a time that is partials of some pitches.

        Parameters
        ----------
        at
            Seconds at which it is picked.
        seconds
            How long it lasts; no more of it is heard.
        chords
            Cents of what may sound together, a row for each share that is returned, from 0 to 1.
        """
        rate = self.source.rate
        size = int(min(NEW[1], max(NEW[0], seconds - 0.02)) * rate)
        was, now, count = self._around(at, size)
        was, now = was**2, now**2
        new = np.maximum(0.0, now - was)
        new[: int(LOWEST_PITCH * count / rate)] = new[int(NEW_TOP * count / rate) :] = 0.0
        bins, broad = count / rate, 1.5 * count / size  # a partial is as broad as its window
        out = []
        for chord in chords:
            theirs = np.zeros(len(new), bool)
            for cents in chord:
                first = 440.0 * 2 ** ((cents - 6900.0) / 1200.0) * bins
                for place in first * np.arange(1, min(OVERTONES, int(NEW_TOP * bins / first)) + 1):
                    half = max(broad, place * (2 ** (35 / 1200) - 1))
                    theirs[int(place - half) : int(place + half) + 2] = True
            out.append(float(new[theirs].sum()))
        return np.array(out) / (float(new.sum()) + 1e-12)

    def _around(self, at: float, size: int) -> tuple[Row, Row, int]:
        """Return the spectra of so many frames before and after a time, and the frames of each."""
        rate = self.source.rate
        here, window = int(at * rate), np.hanning(size)
        count = 1 << (4 * size).bit_length()
        was, now = (
            np.abs(np.fft.rfft(self.source.read(start, start + size) * window, count))
            for start in (here - size - int(0.004 * rate), here + int(0.012 * rate))
        )
        return was, now, count

    def grown(self, at: float, cents: float) -> float:
        """Return by how many dB the partials of a pitch grow at a time (2nd to 8th, median)."""
        rate = self.source.rate
        was, now, count = self._around(at, int(0.075 * rate))
        first = 440.0 * 2 ** ((cents - 6900.0) / 1200.0)
        floor = 1e-2 * math.sqrt(float((now**2).mean())) + 1e-12
        grown: list[float] = []
        for n in range(1, 9):
            if n * first > 6000.0:
                break
            near = slice(
                int(n * first * 2 ** (-35 / 1200) * count / rate),
                int(n * first * 2 ** (35 / 1200) * count / rate) + 2,
            )
            top = float(now[near].max(initial=0.0))
            ratio = top / (float(was[near].max(initial=0.0)) + 0.3 * floor)
            grown.append(20 * math.log10(ratio) if top > floor else 0.0)
        if not grown:
            return 0.0
        return float(np.median(grown[1:] if len(grown) > 3 else grown))


def listen(source: Frames, progress: Callable[[float], None] | None = None) -> Ears:
    """Hear a take from end to end, in blocks.

    Parameters
    ----------
    source
        The take.
    progress
        Is told the share that is heard.
    """
    by = 2 if source.rate > 30_000 else 1
    rate = source.rate / by
    hop = max(1, round(HOP * rate))
    gain = 1.0 / max(1e-9, _active(source))
    edge = round(MARGIN * source.rate / (hop * by)) * hop * by
    flux, rows = [], []
    for start, stop in blocks(source, hop * by):
        sound = source.read(start - edge, stop + edge) * np.float32(gain)
        sound = thinned(sound, by) if by > 1 else sound
        count = -(-(stop - start) // (hop * by))
        frames = slice(edge // by // hop, edge // by // hop + count)
        flux.append(_flux(sound, rate, hop)[frames])
        rows.append(yin(sound, rate, hop)[:, frames])
        if progress is not None:
            progress(stop / source.frames)
    cents, higher, unsure, power = np.concatenate(rows, axis=1)
    level = 10 * np.log10(power / max(1e-20, float(power.max())) + 1e-12)
    heard = Ears(source, hop / rate, cents, higher, unsure, level, [], 0.0)
    heard.onsets.extend(_onsets(heard, np.concatenate(flux), gain))
    clear = [one.level for one in heard.onsets if one.strength > 0.3]
    return Ears(
        source, heard.hop, cents, higher, unsure, level, heard.onsets,
        float(np.median(clear)) if clear else -30.0,
    )  # fmt: skip


def _active(source: Frames) -> float:
    """Return the root mean square of the tenths of a second that are not silent."""
    size = max(1, source.rate // 10)
    powers = []
    for start, stop in blocks(source, size):
        sound = source.read(start, stop)[: (stop - start) // size * size]
        powers.append(np.square(sound.reshape(-1, size), dtype=np.float64).mean(axis=1))
    power = np.concatenate([*powers, np.zeros(1)])
    return math.sqrt(float(power[power >= 0.1 * power.max()].mean()))


def _framed(sound: Mono, size: int, hop: int) -> Mono:
    """Return frames of a size around every hop, shape (frames, size), without copying."""
    padded = np.concatenate([np.zeros(size // 2, np.float32), sound, np.zeros(size, np.float32)])
    count = 1 + (len(padded) - size) // hop
    step = padded.strides[0]
    return np.lib.stride_tricks.as_strided(
        padded, (count, size), (step * hop, step), writeable=False
    )


def _flux(sound: Mono, rate: float, hop: int) -> Row:
    """Return by how much the spectrum grows, by frame: 24 bands an octave, logarithmic."""
    size = 1024 if rate > 14_000 else 512
    edges = 27.5 * 2 ** (np.arange(0, 9.2, 1 / 24))
    bins = np.unique(np.round(edges * size / rate).astype(int))
    bins = bins[(bins > 1) & (bins < size // 2)]
    frames, window = _framed(sound, size, hop), np.hanning(size).astype(np.float32)
    width = np.sqrt(np.diff(bins)).astype(np.float32)
    bands = np.concatenate(
        [
            np.add.reduceat(np.abs(np.fft.rfft(frames[at : at + 2000] * window)), bins, axis=1)[
                :, :-1
            ]
            / width
            for at in range(0, len(frames), 2000)
        ]
    )
    # The gain before makes the active level 1; a sine of that level reaches about size / 3 here.
    heights = np.log10(1 + bands * (30 * 3 / size))
    padded = np.pad(heights, ((0, 0), (1, 1)), mode="edge")
    widest = np.maximum(np.maximum(padded[:, :-2], padded[:, 1:-1]), padded[:, 2:])
    grown = np.zeros_like(heights)
    grown[3:] = np.maximum(0, heights[3:] - widest[:-3])
    out: Row = grown.mean(axis=1, dtype=np.float64)
    return out


def yin(sound: Mono, rate: float, hop: int) -> Row:
    """Return pitch, the highest pitch nearly as good, aperiodicity and power, by frame."""
    width = round(0.03 * rate)
    top, low = math.ceil(rate / LOWEST_PITCH) + 2, int(rate / HIGHEST_PITCH)
    size = width + top
    count = 1 << (size + width - 1).bit_length()
    frames = _framed(sound, size, hop)
    out = np.empty((4, len(frames)))
    lags = np.arange(top)
    for at in range(0, len(frames), 1000):
        some = frames[at : at + 1000]
        spectrum = np.fft.rfft(some, count) * np.conj(np.fft.rfft(some[:, :width], count))
        product = np.fft.irfft(spectrum, count)[:, :top]
        sums = np.pad(np.cumsum(np.square(some, dtype=np.float64), axis=1), ((0, 0), (1, 0)))
        energy = sums[:, width : width + top] - sums[:, :top]
        apart = np.maximum(0, energy[:, :1] + energy - 2 * product)
        means = np.cumsum(apart, axis=1)
        means[:, 0] = 1
        normal = apart * lags / np.maximum(means, 1e-12)
        normal[:, 0] = 1
        view = normal[:, low : top - 1]
        dips = np.zeros_like(view, bool)
        dips[:, 1:-1] = (view[:, 1:-1] <= view[:, :-2]) & (view[:, 1:-1] < view[:, 2:])
        best = np.where(dips, view, 9).min(axis=1)[:, None]
        first = dips & (view < np.maximum(0.12, best + 0.06))
        lag = np.where(first.any(axis=1), first.argmax(axis=1), view.argmin(axis=1)) + low
        lag = np.clip(lag, 1, top - 2)
        row = np.arange(len(some))
        left, middle, right = (apart[row, lag + n] for n in (-1, 0, 1))
        bow = left - 2 * middle + right
        finer = np.where(np.abs(bow) > 1e-12, 0.5 * (left - right) / np.where(bow, bow, 1), 0)
        near = dips & (view < best + 0.3) & (view < 0.5)
        out[0, at : at + 1000] = _cents(rate / (lag + finer.clip(-0.5, 0.5)))
        out[1, at : at + 1000] = np.where(
            near.any(axis=1), _cents(rate / (near.argmax(axis=1) + low)), np.nan
        )
        out[2, at : at + 1000] = normal[row, lag]
        out[3, at : at + 1000] = energy[:, 0] / width
    return out


def _cents(hertz: NDArray[np.float64]) -> Row:
    out: Row = 6900.0 + 1200.0 * np.log2(hertz / 440.0)
    return out


def _onsets(heard: Ears, flux: Row, gain: float) -> list[Onset]:
    """Return the peaks of the flux that stand out from what is around them."""
    strength = (flux - _local(flux, 100)) / max(1e-12, float(np.percentile(flux, 99)))
    around = np.pad(strength, 5, constant_values=-1.0)
    highest = np.lib.stride_tricks.sliding_window_view(around, 11).max(axis=1)
    found: list[Onset] = []
    for frame in np.flatnonzero((strength == highest) & (strength > FAINT)):
        at = _began(heard.source, float(frame) * heard.hop, gain)
        here = round(at / heard.hop)
        rows = np.full((2, STEPS), np.nan)
        kept = slice(here + AFTER, here + AFTER + STEPS)
        usual = np.where(heard.unsure[kept] > UNSURE, np.nan, heard.cents[kept])
        rows[0, : len(usual)], rows[1, : len(usual)] = usual, heard.higher[kept]
        level = float(heard.level[here + 3 : here + 14].max(initial=-120.0))
        quiet = heard.level[max(0, here - 9) : max(1, here - 3)]
        before = float(quiet.mean()) if len(quiet) else -120.0
        found.append(Onset(at, float(strength[frame]), rows, level, before))
    found.sort(key=lambda one: one.at)
    kept_ones: list[Onset] = []
    for one in found:  # two that were refined to one place are one
        if not kept_ones or one.at - kept_ones[-1].at >= APART:
            kept_ones.append(one)
        elif one.strength > kept_ones[-1].strength:
            kept_ones[-1] = one
    return kept_ones


def _local(values: Row, reach: int) -> Row:
    """Return the median of what lies within some frames of each, in pieces."""
    padded = np.pad(values, reach, mode="reflect" if len(values) > reach else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.concatenate(
        [np.median(windows[at : at + 4000], axis=1) for at in range(0, len(windows), 4000)]
    )


def _began(source: Frames, near: float, gain: float, order: int = 24) -> float:
    """Return where what comes can no longer be foretold from what was, near a peak of the flux.

    A linear prediction of the 40 ms before runs on; its error has two variances, and the place
    that tells them apart best is the change. A pick touches the string before it lets go: what
    counts is where a quarter of the error's height is reached.
    """
    rate = source.rate
    start, stop = int((near - 0.012) * rate), int((near + 0.018) * rate)
    past = int(0.04 * rate)
    if start - past < 0 or stop > source.frames:
        return near + AHEAD
    sound = source.read(start - past, stop).astype(np.float64) * gain
    known = sound[:past]
    size = 1 << (2 * past).bit_length()
    lags = np.fft.irfft(np.abs(np.fft.rfft(known, size)) ** 2, size)[: order + 1]
    lags[0] = lags[0] * 1.0001 + 1e-9
    table = lags[np.abs(np.arange(order)[:, None] - np.arange(order))]
    weights = np.linalg.solve(table, lags[1:])
    error = np.convolve(sound[past - order :], np.concatenate([[1.0], -weights]), "valid")
    power = np.cumsum(error**2) + 1e-10
    count = len(error)
    split = np.arange(16, count - 16)
    cost = split * np.log(power[split] / split) + (count - split) * np.log(
        (power[-1] - power[split]) / (count - split) + 1e-12
    )
    width = max(1, int(0.001 * rate))
    height = np.convolve(error**2, np.ones(width) / width, "same")
    at = (start + max(16 + int(cost.argmin()), int((height > height.max() / 16).argmax()))) / rate
    return at if abs(at - near - AHEAD) < TRUST else near + AHEAD


def middle(values: Row) -> float:
    """Return the median of what is known, not a number where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def swaying(row: Row, hop: float) -> tuple[float, float, float]:
    """Return how a row of cents sways most: turns a second, cents from edge to edge, and share.

    The share is that of all it does between 1.5 and 20 Hz; `hop` is the seconds from one value to
    the next.
    """
    seconds = np.arange(len(row)) * hop
    row = row - np.polyval(np.polyfit(seconds, row, 2 if seconds[-1] > CURVED else 1), seconds)
    window = np.hanning(len(row))
    size = 4096
    heights = np.abs(np.fft.rfft((row - np.average(row, weights=window + 1e-9)) * window, size))
    heights *= 2 / window.sum()
    hertz = np.fft.rfftfreq(size, hop)
    band = np.flatnonzero((hertz > RATES[0]) & (hertz < RATES[1]))
    peak = int(band[heights[band].argmax()])
    reach = round(2.93 / hertz[1])  # a peak of half a second is as broad as that
    near = heights[max(0, peak - reach) : peak + reach]
    around = heights[(hertz > TREMBLES[0]) & (hertz < TREMBLES[1])]
    share = (near**2).sum() / max(1e-9, (around**2).sum())
    return float(hertz[peak]), 2 * float(heights[peak]), float(share)
