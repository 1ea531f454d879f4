"""The teacher's own recording in the place of the synthetic phrase.

A take is the phrase played once, at a tempo that the lesson makes, with any silence around it; or
the whole demo, where it lasts longer than `ONCE` phrases. It is aligned as a whole: tempo and
timing stay the player's. Where its attacks fall is compared with where those of the rendered
phrase fall, and it is brought to the loudness of that phrase.

Conventions: attacks are seen as the rise of energy in bands of a third of an octave, frame by
frame of `HOP` seconds; the lag of two such curves is where their cross-correlation is highest, on
a parabola through the three points there.

References: Bello et al. 2005, IEEE Transactions on Speech and Audio Processing 13(5), 1035-1047,
on onset detection functions (from memory). Loudness as in `backing.loudness`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backing.audio import CHUNK, Rendered
from backing.events import Stream
from backing.loudness import BLOCK, MARGIN, SILENCE, Meter, gain_curve
from backing.mix import LIMIT
from phrases.errors import BluesError
from phrases.phrase import Phrase

__all__ = ["LONGEST", "TakeError", "attacks", "lag", "read_take", "resampled", "with_take"]

LONGEST = 900.0  # seconds
LEAST = 0.2  # seconds of sound
QUIET = 10 ** (-45 / 20)  # of its loudest frame: below this a take has not begun
ONCE = 1.6  # phrases
HOP, WINDOW = 0.002, 0.016  # seconds
BAND = 2 ** (1 / 3)
LOWEST, HIGHEST = 160.0, 6000.0  # Hz
FADE = 0.02  # seconds

Sound = NDArray[np.float32]


class TakeError(BluesError, ValueError):
    """A recording that cannot take the phrase's place."""


def with_take(
    path: Path, phrase: Phrase, stream: Stream, done: Rendered
) -> Iterator[tuple[Sound, Sound]]:
    """Yield a demo's layers and its mix, as `Rendered.blocks` does, with a take for the lead.

    Parameters
    ----------
    path
        The recording.
    phrase
        What is played in it.
    stream
        The demo, at the take's tempo.
    done
        The same rendered.

    Raises
    ------
    TakeError
        If it is no sound, silent, or far too short or long.
    """
    layers = np.concatenate([layers for layers, _ in done.blocks()], axis=2)
    names = done.names
    lead = layers[names.index("lead")]
    wet = names.index("lead's room") if "lead's room" in names else None
    reference = lead if wet is None else lead + layers[wet]
    take = read_take(path, done.rate)
    placed = _placed(take, reference, _starts(stream, done.rate), _length(phrase, stream), done)
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


def read_take(path: Path, rate: int) -> Sound:
    """Return a recording at a rate, without the silence around it; shape (2, frames).

    Raises
    ------
    TakeError
        If it is no sound, silent, or far too short or long.
    """
    import soundfile

    try:
        info = soundfile.info(path)
        if info.duration > LONGEST:
            raise TakeError(
                f"{path}: {info.duration / 60:.0f} minutes; a take is the phrase once, or one "
                f"demo, {LONGEST / 60:.0f} minutes at most"
            )
        raw, own = soundfile.read(path, dtype="float32", always_2d=True)
    except (OSError, RuntimeError) as error:
        raise TakeError(f"{path}: not a sound that can be read: {error}") from None
    sound = raw[:, :2].T if raw.shape[1] > 1 else np.repeat(raw.T, 2, axis=0)
    sound = np.nan_to_num(sound, nan=0.0, posinf=0.0, neginf=0.0)
    block = max(1, round(0.01 * own))
    whole = np.abs(sound[:, : sound.shape[1] // block * block])
    peaks = whole.reshape(2, -1, block).max(axis=(0, 2)) if whole.size else np.zeros(0)
    heard = np.flatnonzero(peaks > QUIET * peaks.max(initial=0.0))
    if not heard.size or (heard[-1] - heard[0]) * block < LEAST * own:
        raise TakeError(f"{path}: nothing is heard in it; is it the right recording?")
    first = max(0, int(heard[0]) - 1) * block
    return resampled(sound[:, first : (int(heard[-1]) + 2) * block], own, rate)


def resampled(sound: Sound, own: int, rate: int) -> Sound:
    """Return a sound at another rate, through one Fourier transform; shape (2, frames)."""
    if own == rate:
        return np.ascontiguousarray(sound)
    edge = own // 20  # silence around it, so that its end does not run into its beginning
    sound = np.pad(sound, ((0, 0), (edge, edge)))
    frames = round(sound.shape[1] * rate / own)
    spectrum = np.fft.rfft(sound)
    bins = min(spectrum.shape[1], frames // 2 + 1)
    out = np.fft.irfft(spectrum[:, :bins], frames) * (frames / sound.shape[1])
    cut = round(edge * rate / own)
    return np.ascontiguousarray(out[:, cut : frames - cut].astype(np.float32))


def attacks(sound: Sound, rate: int) -> NDArray[np.float64]:
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


def lag(reference: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Return by how many frames `other` must be moved later to fit `reference` best."""
    size = 1 << (reference.size + other.size).bit_length()
    spectrum = np.fft.rfft(reference, size) * np.conj(np.fft.rfft(other, size))
    fit = np.fft.irfft(spectrum, size)
    best = int(fit.argmax())
    before, here, after = fit[best - 1], fit[best], fit[(best + 1) % size]
    curved = before - 2 * here + after
    fine = 0.5 * (before - after) / curved if curved < 0 else 0.0
    return (best if best < size - other.size else best - size) + float(np.clip(fine, -0.5, 0.5))


def _starts(stream: Stream, rate: int) -> list[int]:
    """Return the frames at which the phrase begins in a demo, pickups aside."""
    role = next(
        label.text
        for section in stream.sections
        for label in section.labels
        if label.text in ("Call", "Response", "Line")
    )
    return [
        round((float(section.start) + label.seconds) * rate)
        for section in stream.sections
        for label in section.labels
        if label.text == role
    ]


def _length(phrase: Phrase, stream: Stream) -> float:
    """Return the seconds from the phrase's first note to its last one's end."""
    strokes = phrase.strokes()
    music = next(section for section in stream.sections if section.name.startswith("chorus"))
    return float((strokes[-1].end - strokes[0].at) * 60 / music.tempo)


def _placed(
    take: Sound, reference: Sound, starts: list[int], seconds: float, done: Rendered
) -> Sound:
    """Return a take at all places of the phrase, or once where it is the whole demo."""
    rate, frames = done.rate, reference.shape[1]
    long = take.shape[1] / rate
    if long < seconds / 2:
        raise TakeError(
            f"the take is {long:.1f} s long, the phrase {seconds:.1f} s; record all of it"
        )
    out = np.zeros((2, frames), np.float32)
    hop = round(HOP * rate)
    if long > ONCE * seconds:
        at = round(lag(attacks(reference, rate), attacks(take, rate)) * hop)
        _lay(out, take, at, frames, rate)
        return out
    # Against its first place alone: the next one's pickup may sound like it.
    span = starts[1] - starts[0] if len(starts) > 1 else frames
    early = max(0, starts[0] - round(seconds * rate))
    once = reference[:, early : starts[0] + span]
    at = early + round(lag(attacks(once, rate), attacks(take, rate)) * hop)
    for number, start in enumerate(starts):
        end = at + (starts[number + 1] - starts[0]) if number + 1 < len(starts) else frames
        _lay(out, take, at + start - starts[0], end, rate)
    return out


def _lay(out: Sound, take: Sound, at: int, end: int, rate: int) -> None:
    """Add a take to a sound from a frame on, faded out where the next one begins."""
    first = max(0, -at)
    piece = take[:, first : max(first, end - at)].copy()
    fade = min(round(FADE * rate), piece.shape[1])
    if first + piece.shape[1] < take.shape[1] and fade:
        piece[:, -fade:] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)
    start = max(0, at)
    room = max(0, min(piece.shape[1], out.shape[1] - start))
    out[:, start : start + room] += piece[:, :room]


def _matching(reference: Sound, take: Sound, rate: int) -> float:
    """Return the gain that makes a take as loud as the phrase it replaces."""
    found = []
    for sound in (reference, take):
        meter = Meter(1, rate)
        meter.add(np.ascontiguousarray(sound[np.newaxis]))
        found.append(meter.loudness(np.ones(1)))
    if SILENCE in found:
        raise TakeError("the take is too quiet to be measured; record it louder")
    return float(10 ** ((found[0] - found[1]) / 20))
