"""The teacher's own recording in the place of the synthetic phrase.

A take is the phrase played once, at a tempo that the lesson makes, with any silence around it; or
the whole demo, where it lasts longer than `ONCE` phrases. It is aligned as a whole: tempo and
timing stay the player's. Where its attacks fall is compared with where those of the rendered
phrase fall, at some paces a little quicker and slower, and it is brought to the loudness of that
phrase. A take in which the phrase is not found is refused.

Conventions: attacks are seen as the rise of energy in bands of a third of an octave, frame by
frame of `HOP` seconds; the lag of two such curves is where their cross-correlation is highest, on
a parabola through the three points there.

References: Bello et al. 2005, IEEE Transactions on Speech and Audio Processing 13(5), 1035-1047,
on onset detection functions (from memory). Loudness as in `backing.sound.loudness`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from backing.events import Stream
from backing.listening.source import NO_SOUND, TakeError
from backing.sound.audio import CHUNK, Rendered
from backing.sound.filters import Samples
from backing.sound.limiter import BLOCK, MARGIN, gain_curve
from backing.sound.loudness import SILENCE, LoudnessMeter
from backing.sound.mix import LIMIT, OF_LEAD
from phrases.phrase import Phrase

__all__ = ["LONGEST", "attacks", "lag", "read_take", "with_take"]

LONGEST = 900.0  # seconds
LEAST = 0.2  # seconds of sound
BLOCKS = 400  # hundredths of a second that are looked at at a time
SECONDS = 3  # that are brought to another rate at a time
QUIET = 10 ** (-45 / 20)  # of its loudest frame: below this a take has not begun
ONCE = 1.6  # phrases
HOP, WINDOW = 0.002, 0.016  # seconds
PACES = 1 + np.arange(-24, 25) / 400  # of a take, 1 being the tempo that it should have
UNLIKELY = 2.0  # what of the correlation is taken off for each 1 of pace
NEAR = 20  # frames within which a human hand hits a beat
# Correlation of attacks from which on a take is of the phrase, or of the whole demo. Measured: of
# one phrase, noise of no kind comes over 0.43, a sloppy player in a noisy room not under 0.58.
ALIKE, ALIKE_LONG = 0.5, 0.3
BAND = 2 ** (1 / 3)
LOWEST, HIGHEST = 160.0, 6000.0  # Hz
FADE = 0.02  # seconds


def with_take(
    path: Path, phrase: Phrase, stream: Stream, done: Rendered
) -> Iterator[tuple[Samples, Samples]]:
    """Yield a demo's layers and its mix, as `Rendered.blocks` does, with a take for the lead.

    The stream is the demo at the take's tempo, `done` the same rendered. Raises `TakeError` if the
    recording is no sound, silent, far too short or long, or the phrase is not found in it.
    """
    rate, names = done.rate, done.names
    lead = [number for number, name in enumerate(names) if name in OF_LEAD]
    first, last = done.window or (0, done.frames)
    frames = last - first
    reference = Sound(lambda low, high: done.layers(low, high)[lead].sum(axis=0), frames)
    take = read_take(path, rate)
    spots = _spots(path, take, reference, _starts(stream, rate), _heard(phrase, stream), rate)
    placed = _laid(take, spots, frames, rate)
    gain = np.float32(_matching(reference, placed, rate))
    for start in range(0, frames, CHUNK):
        stop = min(frames, start + CHUNK)
        low = max(0, start - MARGIN - (start - MARGIN) % BLOCK)
        layers = done.layers(low, min(frames, stop + MARGIN))
        layers[lead] = 0.0  # a take brings its own room
        layers[names.index("lead")] = placed.read(low, low + layers.shape[2]) * gain
        mix = layers.sum(axis=0)
        here = slice(start - low, stop - low)
        yield layers[:, :, here], mix[:, here] * gain_curve(mix, LIMIT)[here]


class Sound(NamedTuple):
    """A sound that is read as it is needed: shape (2, frames) from one frame to another."""

    read: Callable[[int, int], Samples]
    frames: int

    def part(self, start: int, stop: int) -> Sound:
        """Return some of it; beyond its ends it is silent."""

        def read(low: int, high: int) -> Samples:
            out = np.zeros((2, high - low), np.float32)
            first, last = max(0, start + low), min(self.frames, start + high)
            if first < last:
                out[:, first - start - low : last - start - low] = self.read(first, last)
            return out

        return Sound(read, stop - start)


def read_take(path: Path, rate: int) -> Sound:
    """Return a recording at a rate, without the silence around it.

    Raises `TakeError` if it is no sound, silent, or far too short or long.
    """
    import soundfile

    try:
        info = soundfile.info(path)
        if info.duration > LONGEST:
            raise TakeError(
                f"{path}: {info.duration / 60:.0f} minutes; a take is the phrase once, or one "
                f"demo, {LONGEST / 60:.0f} minutes at most"
            )
        return _heard_of(path, soundfile.SoundFile(path), rate)
    except (OSError, RuntimeError):
        raise TakeError(f"{path}: {NO_SOUND}") from None


def _heard_of(path: Path, file: Any, rate: int) -> Sound:
    """Return the audible part of an open file."""
    own, frames = file.samplerate, file.frames
    step = max(1, round(0.01 * own))
    peaks = [np.zeros(0, np.float32)]
    for start in range(0, frames // step * step, BLOCKS * step):
        whole = np.abs(_frames(file, start, min(frames // step * step, start + BLOCKS * step)))
        peaks.append(whole.reshape(2, -1, step).max(axis=(0, 2)))
    high = np.concatenate(peaks)
    heard = np.flatnonzero(high > QUIET * high.max(initial=0.0))
    if not heard.size or (heard[-1] - heard[0]) * step < LEAST * own:
        raise TakeError(f"{path}: nothing is heard in it; is it the right recording?")
    first, last = max(0, int(heard[0]) - 1) * step, min(frames, (int(heard[-1]) + 2) * step)

    def read(start: int, stop: int) -> Samples:
        return _frames(file, first + start, first + stop)

    return _resampled(read, last - first, own, rate)


def _frames(file: Any, start: int, stop: int) -> Samples:
    """Return frames of a file on two sides, shape (2, frames)."""
    file.seek(start)
    raw = file.read(stop - start, dtype="float32", always_2d=True)
    sound: Samples = raw[:, :2].T if raw.shape[1] > 1 else np.repeat(raw.T, 2, axis=0)
    return np.nan_to_num(sound, nan=0.0, posinf=0.0, neginf=0.0)


def _resampled(read: Callable[[int, int], Samples], frames: int, own: int, rate: int) -> Sound:
    """Return so many frames at another rate, through a Fourier transform of each block.

    A block is `SECONDS` long and is heard with a second on either side, which begins and ends in
    silence so that the block's end does not run into its beginning.
    """
    if own == rate:
        return Sound(read, frames)
    block, done, whole = SECONDS * own, SECONDS * rate, round(frames * rate / own)
    ramp = (0.5 - 0.5 * np.cos(np.pi * np.arange(own) / own)).astype(np.float32)
    source = Sound(read, frames)

    @lru_cache(maxsize=2)
    def made(number: int) -> Samples:
        start = number * block - own
        sound = source.part(start, start + block + 2 * own).read(0, block + 2 * own)
        sound[:, :own] *= ramp
        sound[:, -own:] *= ramp[::-1]
        spectrum = np.fft.rfft(sound)[:, : (done + 2 * rate) // 2 + 1]
        wave = np.fft.irfft(spectrum, done + 2 * rate) * (rate / own)
        out: Samples = wave[:, rate:-rate].astype(np.float32)
        return out

    def again(low: int, high: int) -> Samples:
        numbers = range(low // done, -(-high // done))
        parts = [made(n)[:, max(0, low - n * done) : high - n * done] for n in numbers]
        return np.concatenate([np.zeros((2, 0), np.float32), *parts], axis=1)

    return Sound(again, whole)


def attacks(sound: Sound, rate: int) -> NDArray[np.float64]:
    """Return how strongly something begins in each frame of `HOP` seconds of a sound."""
    hop, window = round(HOP * rate), round(WINDOW * rate)
    frames = max(2, (sound.frames + window // 2) // hop)
    edges = LOWEST * BAND ** np.arange(int(np.log(HIGHEST / LOWEST) / np.log(BAND)) + 1)
    size = 4 * window
    bins = np.unique(np.round(edges * size / rate).astype(int))
    shape = np.hanning(window).astype(np.float32)
    parts = []
    around = sound.part(-(window // 2), sound.frames + window)
    for start in range(0, frames, 4096):
        stop = min(frames, start + 4096)
        mono = around.read(start * hop, (stop - 1) * hop + window).mean(axis=0)
        windows = np.lib.stride_tricks.sliding_window_view(mono, window)[::hop]
        power = np.abs(np.fft.rfft(windows * shape, size)) ** 2
        parts.append(np.add.reduceat(power, bins, axis=1)[:, :-1])
    energy = np.concatenate(parts)
    # What lies 50 dB under the loudest moment of its band counts for nothing.
    level = np.log(energy + 1e-5 * energy.max(axis=0, keepdims=True) + 1e-20)
    rise = np.maximum(0.0, level[4:] - level[:-4]).sum(axis=1)  # over 8 ms
    rise = np.concatenate([np.zeros(4), rise])
    strength: NDArray[np.float64] = rise - rise.mean()
    return strength


def lag(
    reference: NDArray[np.float64],
    other: NDArray[np.float64],
    low: float = -np.inf,
    high: float = np.inf,
) -> tuple[float, float]:
    """Return by how many frames `other` must be moved later to fit `reference` best.

    Both are as `attacks` returns them, and it is moved by `low` to `high` frames. Returns frames,
    with a fraction, and how well it fits then: the correlation, 1 at most.
    """
    size = 1 << (reference.size + other.size).bit_length()
    spectrum = np.fft.rfft(reference, size) * np.conj(np.fft.rfft(other, size))
    fit = np.fft.irfft(spectrum, size)
    fit = np.concatenate([fit[size - other.size :], fit[: reference.size]])
    moved = np.arange(-other.size, reference.size)
    allowed = np.flatnonzero((moved >= low) & (moved <= high))
    if not allowed.size:
        return 0.0, 0.0
    best = int(allowed[fit[allowed].argmax()])
    before, here, after = fit[max(0, best - 1)], fit[best], fit[min(fit.size - 1, best + 1)]
    curved = before - 2 * here + after
    fine = 0.5 * (before - after) / curved if curved < 0 else 0.0
    likeness = here / max(1e-9, np.sqrt((reference**2).sum() * (other**2).sum()))
    return float(moved[best] + np.clip(fine, -0.5, 0.5)), float(likeness)


def _starts(stream: Stream, rate: int) -> list[int]:
    """Return the frames at which the phrase begins in a demo, pickups aside."""
    assert stream.phrase is not None
    starts = [
        round((float(section.start) + label.seconds) * rate)
        for section in stream.sections
        for label in section.labels
        if label.kind == "part"
    ]
    return starts[:: len(stream.phrase.parts)]


def _heard(phrase: Phrase, stream: Stream) -> tuple[float, float]:
    """Return when the phrase's first note begins and its last one ends, in seconds of its bars."""
    strokes = phrase.strokes()
    music = next(section for section in stream.sections if section.kind == "chorus")
    return float(strokes[0].at * 60 / music.tempo), float(strokes[-1].end * 60 / music.tempo)


def _spots(
    path: Path, take: Sound, reference: Sound, starts: list[int], heard: tuple[float, float],
    rate: int,
) -> list[tuple[int, int]]:  # fmt: skip
    """Return where a take begins and ends: at each place of the phrase, or once."""
    frames, long, seconds = reference.frames, take.frames / rate, heard[1] - heard[0]
    if long < seconds / 2:
        raise TakeError(
            f"{path}: it is {long:.1f} s long, the phrase {seconds:.1f} s; record all of it"
        )
    if long > ONCE * seconds:
        moved, likeness = lag(attacks(reference, rate), attacks(take, rate))
        _check(path, likeness, ALIKE_LONG)
        return [(round(moved * HOP * rate), frames)]
    # Against its first place alone: the next one's pickup may sound like it.
    span = starts[1] - starts[0] if len(starts) > 1 else frames
    early = max(0, starts[0] - round(seconds * rate))
    once = reference.part(early, min(frames, starts[0] + span))
    begins = (starts[0] - early) / rate + heard[0]
    at = early + round(
        _moved(path, attacks(once, rate), attacks(take, rate), begins, seconds) * rate
    )
    ends = [at + start - starts[0] for start in starts[1:]] + [frames]
    return [(at + start - starts[0], end) for start, end in zip(starts, ends, strict=True)]


def _moved(
    path: Path,
    reference: NDArray[np.float64],
    take: NDArray[np.float64],
    begins: float,
    seconds: float,
) -> float:
    """Return by how many seconds a take of one phrase is moved later.

    `begins` is when the phrase begins in the reference, which lasts some `seconds`. A take that is
    quicker or slower lies so that it is early at one end by as much as it is late at the other.
    """
    found = []
    blur = np.hanning(2 * NEAR + 3)[1:-1]
    reference, take = (np.convolve(one, blur, mode="same") for one in (reference, take))
    places = np.arange(take.size)
    for pace in PACES:  # a take of pace 1.02 is over sooner
        scaled = np.interp(np.arange(int(take.size * pace)) / pace, places, take)
        before = max(0.0, scaled.size * HOP - 0.9 * seconds)  # what may stand before the phrase
        moved, likeness = lag(reference, scaled, (begins - before) / HOP, (begins + 0.5) / HOP)
        found.append((likeness - UNLIKELY * abs(pace - 1), likeness, moved * HOP, pace))
    _, likeness, moved, pace = max(found)
    _check(path, likeness)
    middle = begins - moved + seconds / 2  # of the phrase, in the take at the right pace
    return float(moved + middle - middle / pace)


def _check(path: Path, likeness: float, least: float = ALIKE) -> None:
    if likeness < least:
        raise TakeError(
            f"{path}: the phrase is not found in it; is it the right recording, in the phrase's "
            "own key, and is take-tempo the tempo that you played at?"
        )


def _laid(take: Sound, spots: list[tuple[int, int]], frames: int, rate: int) -> Sound:
    """Return a take at some places, faded out where the next one begins."""
    fade = round(FADE * rate)

    def read(low: int, high: int) -> Samples:
        out = np.zeros((2, high - low), np.float32)
        for at, end in spots:
            first, last = max(low, at), min(high, end, at + take.frames)
            if first < last:
                left = np.minimum(1.0, (end - 1 - np.arange(first, last)) / (fade - 1))
                out[:, first - low : last - low] += take.read(first - at, last - at) * (
                    left.astype(np.float32) if at + take.frames > end else np.float32(1)
                )
        return out

    return Sound(read, frames)


def _matching(reference: Sound, take: Sound, rate: int) -> float:
    """Return the gain that makes a take as loud as the phrase it replaces."""
    found = []
    for sound in (reference, take):
        meter = LoudnessMeter(1, rate)
        for start in range(0, sound.frames, CHUNK):
            block = sound.read(start, min(sound.frames, start + CHUNK))
            meter.add(np.ascontiguousarray(block[np.newaxis]))
        found.append(meter.loudness(np.ones(1)))
    if SILENCE in found:
        raise TakeError("the take is too quiet to be measured; record it louder")
    return float(10 ** ((found[0] - found[1]) / 20))
