"""The guitar's tone: where it is picked, and what an amplifier makes of it.

Everything works on the lead's own stem, dry, before the room. Picking a sample near the bridge or
the neck is a tilt of the spectrum. An amplifier's input is measured in decibels above a plainly
picked note, so that it does the same whatever instrument feeds it. It bends the waveform at eight
times the rate, so that what it adds above hearing is cut off and does not fold back; its supply
gives way where much is asked of it; a loudspeaker's band-pass follows.

References: common practice, from memory: a guitar loudspeaker passes about 80 Hz to 5 kHz; soft
clipping is a hyperbolic tangent, shifted for even harmonics, and a fuzz clips hard; the supply of
an amplifier with valves sags by a few decibels within some hundredths of a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from backing.sound.filters import Samples, filtered

__all__ = ["HEARD_AFTER", "HEARD_BEFORE", "TILTS", "TONES", "Amplifier", "is_plain", "shaped"]

Points = Sequence[tuple[float, float]]

OVERSAMPLED = 8
TAPS = 257  # at that rate; two such filters delay by whole frames
FIR = 512
SUPPLY = 9600  # frames that a supply remembers
# Frames before and after one that it depends on: three filters, the supply, and the oversampling.
HEARD_BEFORE = 3 * FIR + SUPPLY + 2 * TAPS // OVERSAMPLED
HEARD_AFTER = 2 * TAPS // OVERSAMPLED


@dataclass(frozen=True, slots=True)
class Amplifier:
    """What a tone does."""

    drive: float  # dB that a plain note is over what the valves take
    hardness: float  # 1 bends softly; a larger exponent has a sharper knee
    bias: float  # shift before the clipping, of what they take
    sag: float  # dB that the supply gives way under full load
    lag: float  # seconds in which it does so, to 63 %
    level: float  # dB after it, so that no tone is much louder than another


TONES: dict[str, Amplifier | None] = {
    "clean": None,
    "driven": Amplifier(drive=18.0, hardness=1.0, bias=0.12, sag=3.0, lag=0.04, level=-21.0),
    "fuzz": Amplifier(drive=23.0, hardness=3.0, bias=0.25, sag=1.5, lag=0.05, level=-24.0),
}

# Decibels at frequencies in Hz, straight between them on a logarithmic axis.
TILTS: dict[str, Points] = {
    "bridge": ((100, -5.0), (400, -2.0), (2000, 4.0), (8000, 5.0)),
    "middle": (),
    "neck": ((100, 2.0), (600, 1.0), (2000, -5.0), (8000, -12.0)),
}
BEFORE: Points = ((40, -30.0), (110, -6.0), (250, 0.0), (900, 4.0), (4000, 2.0), (9000, -6.0))
SPEAKER: Points = (
    (40, -36.0), (80, -6.0), (120, 0.0), (400, -2.0), (2400, 3.0), (4500, -2.0), (6500, -24.0),
    (10000, -60.0),
)  # fmt: skip


@lru_cache(maxsize=8)
def _filter(points: tuple[tuple[float, float], ...], rate: int) -> Samples:
    """Return the shortest-delay filter of a response, `FIR` taps."""
    size = 8 * FIR
    hertz = np.fft.rfftfreq(size, 1 / rate)
    places = np.log(np.maximum(hertz, 1.0))
    decibels = np.interp(places, np.log([p[0] for p in points]), [p[1] for p in points])
    # Minimum phase from the cepstrum, so that an attack stays where it is.
    cepstrum = np.fft.irfft(decibels * (np.log(10) / 20))
    cepstrum[1 : size // 2] *= 2
    cepstrum[size // 2 + 1 :] = 0
    response = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)))[:FIR]
    response[FIR // 2 :] *= np.hanning(FIR)[FIR // 2 :]
    taps: Samples = response.astype(np.float32)
    return taps


@lru_cache(maxsize=2)
def _loudspeaker(rate: int) -> Samples:
    """Return the filter of a loudspeaker, which a transformer feeds: nothing passes at 0 Hz."""
    taps, window = _filter(tuple(SPEAKER), rate), np.hanning(FIR)
    coupled: Samples = (taps - taps.sum() * window / window.sum()).astype(np.float32)
    return coupled


@lru_cache(maxsize=1)
def _low_pass() -> Samples:
    """Return the filter of the oversampling, with a cut a little below half the plain rate."""
    place = np.arange(TAPS) - TAPS // 2
    taps = np.sinc(place * 0.92 / OVERSAMPLED) * np.kaiser(TAPS, 9.0)
    low: Samples = (taps / taps.sum()).astype(np.float32)
    return low


def is_plain(tone: str, pick: str) -> bool:
    """Tell whether a tone leaves the stem as it is."""
    return TONES[tone] is None and not TILTS[pick]


def shaped(stem: Samples, rate: int, tone: str, pick: str, plain: float) -> Samples:
    """Return the lead's stem in a tone.

    Parameters
    ----------
    stem
        Shape (2, frames), dry; a guitar is in the middle, so both sides are made one.
    rate
        Frames a second.
    tone, pick
        A key of `TONES` and one of `TILTS`.
    plain
        The effective value of a plainly picked note in its first tenth of a second.

    Returns
    -------
    numpy.ndarray
        Of the same shape.
    """
    amplifier, tilt = TONES[tone], TILTS[pick]
    if is_plain(tone, pick) or not stem.any():
        return stem
    frames = stem.shape[1]
    sound: Samples = stem.mean(axis=0)
    if tilt:
        sound = filtered(sound, _filter(tuple(tilt), rate))[:frames]
    if amplifier is not None:
        sound = filtered(sound, _filter(tuple(BEFORE), rate))[:frames]
        sound = sound * np.float32(10 ** (amplifier.drive / 20) / plain)
        sound = _clipped(sound * _supply(sound, rate, amplifier), amplifier)
        sound = filtered(sound, _loudspeaker(rate))[:frames]
    return np.stack([sound, sound])


@lru_cache(maxsize=4)
def _memory(lag: float, rate: int) -> Samples:
    """Return how a supply follows what is asked of it."""
    fall = np.exp(-np.arange(SUPPLY) / (lag * rate))
    taps: Samples = (fall / fall.sum()).astype(np.float32)
    return taps


def _supply(sound: Samples, rate: int, amplifier: Amplifier) -> Samples:
    """Return the gain that the supply leaves, frame by frame."""
    asked = np.tanh(np.abs(sound))
    load = filtered(asked, _memory(amplifier.lag, rate))[: len(sound)]
    left: Samples = np.exp(np.float32(-amplifier.sag * np.log(10) / 20) * load)
    return left


def _clipped(sound: Samples, amplifier: Amplifier) -> Samples:
    """Return the waveform bent at eight times the rate, without delay."""
    low, frames = _low_pass(), len(sound)
    up = np.zeros(frames * OVERSAMPLED, np.float32)
    up[::OVERSAMPLED] = sound * OVERSAMPLED
    up = filtered(up, low)
    bent = _clip(up, amplifier)
    down = filtered(bent, low)[TAPS - 1 :: OVERSAMPLED][:frames]
    return np.ascontiguousarray(down)


def _clip(sound: Samples, amplifier: Amplifier) -> Samples:
    bias = np.float32(amplifier.bias)
    rest = np.full(1, bias, np.float32)
    bent = _bent(sound + bias, amplifier) - _bent(rest, amplifier)
    out: Samples = bent * np.float32(10 ** (amplifier.level / 20))
    return out


def _bent(sound: Samples, amplifier: Amplifier) -> Samples:
    if amplifier.hardness == 1.0:
        soft: Samples = np.tanh(sound)
        return soft
    sharp = np.float32(amplifier.hardness)
    hard: Samples = sound / (1 + np.abs(sound) ** sharp) ** (1 / sharp)
    return hard
