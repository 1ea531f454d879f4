from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import resample_poly

from backing.sound.limiter import BLOCK, MARGIN, block_heights, block_peaks, gain_curve
from tests.backing.material import noise, true_peak

Sound = NDArray[np.float32]

# EBU Tech 3341, table 1, cases 15 to 19 (from memory): the frames to a turn, where it starts,
# the amplitude, and what it reads within +0.2 and -0.4.
PEAKS = [
    (4, 0.0, 0.5, -6.0),
    (4, 45.0, 0.5, -6.0),
    (6, 60.0, 0.5, -6.0),
    (8, 67.5, 0.5, -6.0),
    (4, 45.0, 1.41, 3.0),
]


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize(("turn", "degrees", "amplitude", "reads"), PEAKS)
def test_the_true_peaks_of_ebu_tech_3341_read_as_they_should(
    rate: int, turn: int, degrees: float, amplitude: float, reads: float
) -> None:
    frames = np.arange(rate)
    sine = amplitude * np.sin(2 * np.pi * frames / turn + np.radians(degrees))
    sine *= np.clip(np.minimum(frames, frames[::-1]) / (0.01 * rate), 0.0, 1.0)
    silent = np.zeros(rate)
    for sides in ((sine, silent), (silent, sine)):
        assert reads - 0.4 <= true_peak(np.stack(sides).astype(np.float32)) <= reads + 0.2


def _decibels(peak: float) -> float:
    return float(20 * np.log10(peak))


def _oversampled_peak(sound: Sound, times: int = 4) -> float:
    """Return the true peak in dBTP by scipy's polyphase resampling."""
    return _decibels(float(np.abs(resample_poly(sound, times, 1, axis=1)).max()))


@pytest.mark.parametrize("cutoff", [0.3, 0.5, 0.8])
@pytest.mark.parametrize("frames", [20_000, 20_001, 40])
def test_another_way_to_oversample_finds_the_same_peak(cutoff: float, frames: int) -> None:
    white = noise(7, frames, cutoff)
    assert true_peak(white) == pytest.approx(_oversampled_peak(white), abs=0.1)


def test_the_peak_of_silence_and_of_one_frame() -> None:
    sound = np.zeros((2, 1000), np.float32)
    assert true_peak(sound) == -math.inf
    for frame in (0, 31, 32, 500, 999):
        one = sound.copy()
        one[1, frame] = -0.5
        assert true_peak(one) == pytest.approx(_decibels(0.5), abs=1e-4)
        assert int(np.argmax(block_peaks(one))) == frame // BLOCK


def test_bounds_that_are_too_high_change_no_peak_that_matters() -> None:
    white = noise(10, 30_000)
    high = block_heights(white)
    worth = float(np.quantile(high, 0.6))
    bounds = high * np.float32(1.3)
    plain, bound = block_peaks(white, worth), block_peaks(white, worth, bounds)
    matters = high >= worth
    assert 0.3 < matters.mean() < 0.5
    np.testing.assert_array_equal(plain[matters], bound[matters])
    unsure = ~matters & (bounds >= worth)  # looked at, and found to be as high as they are
    assert unsure.any()
    np.testing.assert_array_equal(bound[unsure], high[unsure])
    assert (bound[~matters] < worth).all()


LIMIT = 0.5


def _bursts(frames: int = 60_000) -> Sound:
    """Return quiet noise with bursts over the limit, also at both ends."""
    white = noise(8, frames)
    white *= np.float32(0.15 / np.abs(white).max())
    for at in (0, 9_000, 9_700, 30_011, 45_000, frames - 40):
        white[:, at : at + 40] *= 12.0
    assert np.abs(white).max() > 2 * LIMIT
    return white


def test_the_gain_keeps_true_peaks_under_the_limit() -> None:
    sound = _bursts()
    gains = gain_curve(sound, LIMIT)
    assert gains.shape == (sound.shape[1],)
    assert gains.dtype == np.float32
    assert 0.0 < gains.min() < 0.6
    assert gains.max() <= 1.0
    assert _oversampled_peak(sound * gains) <= _decibels(LIMIT) + 0.1
    assert true_peak(sound * gains) == pytest.approx(_decibels(LIMIT), abs=0.3)  # no lower


def test_the_gain_is_under_the_limit_where_only_the_values_between_frames_are_over() -> None:
    # A sine of a quarter of the rate, 45 degrees: its frames are 3 dB lower than its peaks.
    frames = np.arange(20_000)
    sine = 0.6 * np.sin(np.pi * frames / 2 + np.pi / 4)
    sine *= np.clip(np.minimum(frames, frames[::-1]) / 2000, 0.0, 1.0)
    sound = np.stack([sine, sine]).astype(np.float32)
    assert np.abs(sound).max() < LIMIT
    assert _oversampled_peak(sound * gain_curve(sound, LIMIT)) <= _decibels(LIMIT) + 0.05


def test_the_gain_is_one_where_nothing_loud_is_near() -> None:
    sound = noise(9, 40_000)
    sound *= np.float32(0.4 / np.abs(sound).max())
    assert (gain_curve(sound, LIMIT) == 1.0).all()
    sound[:, 20_000] = 1.0
    gains = gain_curve(sound, LIMIT)
    # 10 ms to fall, held as long as its window is, and 10 ms to rise: 30 blocks each way.
    lowered = np.flatnonzero(gains < 1.0)
    assert gains[20_000] == pytest.approx(LIMIT, abs=0.01)
    assert 20_000 - 31 * BLOCK <= lowered[0] < 20_000 - 5 * BLOCK
    assert 20_000 + 5 * BLOCK < lowered[-1] <= 20_000 + 31 * BLOCK


def test_the_gain_moves_smoothly() -> None:
    # From 1 to a tenth in 10 ms would be 0.002 a frame on a straight line.
    steps = np.abs(np.diff(gain_curve(_bursts(), LIMIT)))
    assert 0.0 < steps.max() < 0.006


@pytest.mark.parametrize("blocks", [20, 128, 256])
def test_the_gain_is_the_same_in_chunks_that_overlap(blocks: int) -> None:
    sound = _bursts()
    whole = gain_curve(sound, LIMIT)
    chunk = blocks * BLOCK
    for start in range(0, sound.shape[1], chunk):
        stop = min(sound.shape[1], start + chunk)
        first = max(0, start - MARGIN)
        wide = gain_curve(sound[:, first : stop + MARGIN], LIMIT)
        np.testing.assert_allclose(
            wide[start - first : stop - first], whole[start:stop], atol=1e-5
        )
