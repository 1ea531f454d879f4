"""The guitar's tone: where it is picked, and what an amplifier makes of it.

Everything works on the lead's own stem, dry, before the room. Picking near the bridge or the
neck is a tilt of the spectrum. A driven or fuzzy tone bends the waveform, at eight times the rate
so that what it adds above hearing is cut off and does not fold back; a loudspeaker's band-pass
follows.

References: common practice, from memory: a guitar loudspeaker passes about 80 Hz to 5 kHz; soft
clipping is a hyperbolic tangent, shifted for even harmonics, and a fuzz clips hard.
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
# Frames before and after one that it depends on: three filters, and the oversampling's two.
HEARD_BEFORE, HEARD_AFTER = 3 * FIR + 2 * TAPS // OVERSAMPLED, 2 * TAPS // OVERSAMPLED


@dataclass(frozen=True, slots=True)
class Amplifier:
    """What a tone does.

    Attributes
    ----------
    drive
        Gain before the clipping.
    hardness
        1 bends softly; a larger exponent has a sharper knee.
    bias
        Shift before the clipping, of full scale.
    level
        Gain after it, so that no tone is much louder than another.
    """

    drive: float
    hardness: float
    bias: float
    level: float


TONES: dict[str, Amplifier | None] = {
    "clean": None,
    "driven": Amplifier(drive=24.0, hardness=1.0, bias=0.12, level=0.09),
    "fuzz": Amplifier(drive=180.0, hardness=4.0, bias=0.25, level=0.06),
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


def shaped(stem: Samples, rate: int, tone: str, pick: str) -> Samples:
    """Return the lead's stem in a tone.

    Parameters
    ----------
    stem
        Shape (2, frames), dry; a guitar is in the middle, so both sides are made one.
    rate
        Frames a second.
    tone, pick
        A key of `TONES` and one of `TILTS`.

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
        sound = _clipped(sound, amplifier)
        sound = filtered(sound, _filter(tuple(SPEAKER), rate))[:frames]
    return np.stack([sound, sound])


def _clipped(sound: Samples, amplifier: Amplifier) -> Samples:
    """Return the waveform bent at eight times the rate, without delay."""
    low, frames = _low_pass(), len(sound)
    up = np.zeros(frames * OVERSAMPLED, np.float32)
    up[::OVERSAMPLED] = sound * OVERSAMPLED
    up = filtered(up, low)
    bent = _clip(up * np.float32(amplifier.drive), amplifier)
    down = filtered(bent, low)[TAPS - 1 :: OVERSAMPLED][:frames]
    return np.ascontiguousarray(down)


def _clip(sound: Samples, amplifier: Amplifier) -> Samples:
    bias = np.float32(amplifier.bias)
    rest = np.full(1, bias, np.float32)
    bent = _bent(sound + bias, amplifier) - _bent(rest, amplifier)
    out: Samples = bent * np.float32(amplifier.level)
    return out


def _bent(sound: Samples, amplifier: Amplifier) -> Samples:
    if amplifier.hardness == 1.0:
        soft: Samples = np.tanh(sound)
        return soft
    sharp = np.float32(amplifier.hardness)
    hard: Samples = sound / (1 + np.abs(sound) ** sharp) ** (1 / sharp)
    return hard
