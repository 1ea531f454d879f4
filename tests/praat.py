"""Pitch by Praat, the outside ear: autocorrelation of Gaussian windows (Boersma 1993)."""

from __future__ import annotations

import numpy as np
import parselmouth
from numpy.typing import NDArray

Sound = NDArray[np.float64]


def hertz(pitch: float) -> float:
    """Return the frequency of a MIDI pitch at A = 440 Hz (ISO 16)."""
    return float(440 * 2 ** ((pitch - 69) / 12))


def pitches(
    sound: Sound, rate: int, low: float, high: float, window: float, hop: float
) -> tuple[Sound, Sound]:
    """Return the middles of windows, `hop` seconds apart, and the MIDI pitch up to `high` in each.

    They are `window` seconds long, or six periods of the pitch `low` where that is longer.
    """
    found = parselmouth.Sound(np.asarray(sound, np.float64), rate).to_pitch_ac(
        time_step=hop, pitch_floor=min(hertz(low), 6 / window), pitch_ceiling=hertz(high),
        very_accurate=True, octave_cost=0.05,
        silence_threshold=0.0, voicing_threshold=0.0, voiced_unvoiced_cost=0.0,
    )  # fmt: skip
    heard = found.selected_array["frequency"]
    with np.errstate(divide="ignore"):
        return found.xs(), 69 + 12 * np.log2(heard / 440)
