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
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backing.events import Stream
from backing.listening.source import TakeError
from backing.sound.audio import CHUNK, Rendered
from backing.sound.filters import Samples
from backing.sound.limiter import BLOCK, MARGIN, gain_curve
from backing.sound.loudness import SILENCE, Meter
from backing.sound.mix import LIMIT
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
    layers = np.concatenate([layers for layers, _ in done.blocks()], axis=2)
    names = done.names
    lead = layers[names.index("lead")]
    wet = names.index("lead's room") if "lead's room" in names else None
    reference = lead if wet is None else lead + layers[wet]
    take = read_take(path, done.rate)
    placed = _placed(
        path, take, reference, _starts(stream, done.rate), _heard(phrase, stream), done.rate
    )
    gain = _matching(reference, placed, done.rate)
    layers[names.index("lead")] = placed * np.float32(gain)
    if wet is not None:
        layers[wet] = 0.0  # a take brings its own room
    mix = layers.sum(axis=0)
    frames = mix.shape[1]
    for start in range(0, frames, CHUNK):
        stop = min(frames, start + CHUNK)
        first = max(0, start - MARGIN - (start - MARGIN) % BLOCK)
        curve = gain_curve(mix[:, first : stop + MARGIN], LIMIT)[start - first : stop - first]
        yield layers[:, :, start:stop], mix[:, start:stop] * curve


def read_take(path: Path, rate: int) -> Samples:
    """Return a recording at a rate, without the silence around it; shape (2, frames).

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
        with soundfile.SoundFile(path) as file:
            return _heard_of(path, file, rate)
    except (OSError, RuntimeError) as error:
        raise TakeError(f"{path}: not a sound that can be read: {error}") from None


def _heard_of(path: Path, file: Any, rate: int) -> Samples:
    """Return the audible part of an open file, which is read in blocks: it may be long."""
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


def _resampled(read: Callable[[int, int], Samples], frames: int, own: int, rate: int) -> Samples:
    """Return so many frames at another rate, through a Fourier transform of each block.

    A block is `SECONDS` long and is heard with a second on either side, which begins and ends in
    silence so that the block's end does not run into its beginning.
    """
    out = np.zeros((2, round(frames * rate / own)), np.float32)
    block, done = SECONDS * own, SECONDS * rate
    ramp = (0.5 - 0.5 * np.cos(np.pi * np.arange(own) / own)).astype(np.float32)
    for number, start in enumerate(range(0, frames, block)):
        here = out[:, number * done : (number + 1) * done]
        if own == rate:
            here[...] = read(start, min(frames, start + block))
            continue
        first, last = max(0, start - own), min(frames, start + block + own)
        sound = np.zeros((2, block + 2 * own), np.float32)
        sound[:, first - start + own : last - start + own] = read(first, last)
        sound[:, :own] *= ramp
        sound[:, -own:] *= ramp[::-1]
        spectrum = np.fft.rfft(sound)[:, : (done + 2 * rate) // 2 + 1]
        wave = np.fft.irfft(spectrum, done + 2 * rate) * (rate / own)
        here[...] = wave[:, rate : rate + here.shape[1]]
    return out


def attacks(sound: Samples, rate: int) -> NDArray[np.float64]:
    """Return how strongly something begins in each frame of `HOP` seconds of a sound."""
    hop, window = round(HOP * rate), round(WINDOW * rate)
    mono = np.pad(sound.mean(axis=0), (window // 2, window))
    frames = max(2, (mono.size - window) // hop)
    windows = np.lib.stride_tricks.sliding_window_view(mono, window)[::hop][:frames]
    edges = LOWEST * BAND ** np.arange(int(np.log(HIGHEST / LOWEST) / np.log(BAND)) + 1)
    size = 4 * window
    bins = np.unique(np.round(edges * size / rate).astype(int))
    shape = np.hanning(window).astype(np.float32)
    parts = []
    for start in range(0, len(windows), 4096):  # little memory, however long the take
        power = np.abs(np.fft.rfft(windows[start : start + 4096] * shape, size)) ** 2
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
    parts = [
        (section, label)
        for section in stream.sections
        for label in section.labels
        if label.kind == "part"
    ]
    return [
        round((float(section.start) + label.seconds) * rate)
        for section, label in parts
        if label.text == parts[0][1].text
    ]


def _heard(phrase: Phrase, stream: Stream) -> tuple[float, float]:
    """Return when the phrase's first note begins and its last one ends, in seconds of its bars."""
    strokes = phrase.strokes()
    music = next(section for section in stream.sections if section.kind == "chorus")
    return float(strokes[0].at * 60 / music.tempo), float(strokes[-1].end * 60 / music.tempo)


def _placed(
    path: Path, take: Samples, reference: Samples, starts: list[int], heard: tuple[float, float],
    rate: int,
) -> Samples:  # fmt: skip
    """Return a take at all places of the phrase, or once where it is the whole demo."""
    frames, long, seconds = reference.shape[1], take.shape[1] / rate, heard[1] - heard[0]
    if long < seconds / 2:
        raise TakeError(
            f"{path}: it is {long:.1f} s long, the phrase {seconds:.1f} s; record all of it"
        )
    out = np.zeros((2, frames), np.float32)
    if long > ONCE * seconds:
        moved, likeness = lag(attacks(reference, rate), attacks(take, rate))
        _check(path, likeness, ALIKE_LONG)
        _lay(out, take, round(moved * HOP * rate), frames, rate)
        return out
    # Against its first place alone: the next one's pickup may sound like it.
    span = starts[1] - starts[0] if len(starts) > 1 else frames
    early = max(0, starts[0] - round(seconds * rate))
    once = reference[:, early : starts[0] + span]
    begins = (starts[0] - early) / rate + heard[0]
    at = early + round(
        _moved(path, attacks(once, rate), attacks(take, rate), begins, seconds) * rate
    )
    for number, start in enumerate(starts):
        end = at + (starts[number + 1] - starts[0]) if number + 1 < len(starts) else frames
        _lay(out, take, at + start - starts[0], end, rate)
    return out


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


def _lay(out: Samples, take: Samples, at: int, end: int, rate: int) -> None:
    """Add a take to a sound from a frame on, faded out where the next one begins."""
    first = max(0, -at)
    piece = take[:, first : max(first, end - at)].copy()
    fade = min(round(FADE * rate), piece.shape[1])
    if first + piece.shape[1] < take.shape[1] and fade:
        piece[:, -fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)
    start = max(0, at)
    room = max(0, min(piece.shape[1], out.shape[1] - start))
    out[:, start : start + room] += piece[:, :room]


def _matching(reference: Samples, take: Samples, rate: int) -> float:
    """Return the gain that makes a take as loud as the phrase it replaces."""
    found = []
    for sound in (reference, take):
        meter = Meter(1, rate)
        for start in range(0, sound.shape[1], CHUNK):
            meter.add(np.ascontiguousarray(sound[np.newaxis, :, start : start + CHUNK]))
        found.append(meter.loudness(np.ones(1)))
    if SILENCE in found:
        raise TakeError("the take is too quiet to be measured; record it louder")
    return float(10 ** ((found[0] - found[1]) / 20))
