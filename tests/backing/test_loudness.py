from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from backing.loudness import (
    BLOCK,
    MARGIN,
    SILENCE,
    Meter,
    block_peaks,
    filtered,
    gain_curve,
    true_peak,
    weighting,
)

RATES = (44100, 48000)
ODD = (1, 7, 44_101, 4095, 28_673, 28_674, 100_003, 311)

Sound = NDArray[np.float32]


def _sine(rate: int, *steps: tuple[float, float]) -> Sound:
    """Return a stereo sine of 1 kHz as steps of (dBFS of its peak, seconds)."""
    levels = np.concatenate(
        [np.full(round(seconds * rate), 10 ** (level / 20)) for level, seconds in steps]
    )
    sine = levels * np.sin(2 * np.pi * 1000 * np.arange(len(levels)) / rate)
    return np.stack([sine, sine]).astype(np.float32)


def _pieces(sound: Sound) -> Iterator[Sound]:
    start = 0
    for size in cycle(ODD):
        if start >= sound.shape[-1]:
            return
        yield sound[..., start : start + size]
        start += size


def _loudness(sound: Sound, rate: int) -> float:
    meter = Meter(1, rate)
    for piece in _pieces(sound[np.newaxis]):
        meter.add(piece)
    return meter.loudness(np.ones(1))


def test_the_weighting_at_48_khz_is_that_of_the_tables() -> None:
    # ITU-R BS.1770-4, annex 1, tables 1 and 2 (from memory).
    shelf, cut = weighting(48000)
    for found, table in (
        (shelf[0], (1.53512485958697, -2.69169618940638, 1.19839281085285)),
        (shelf[1], (1.0, -1.69065929318241, 0.73248077421585)),
        (cut[0], (1.0, -2.0, 1.0)),
        (cut[1], (1.0, -1.99004745483398, 0.99007225036621)),
    ):
        np.testing.assert_allclose(found, table, atol=1e-9)


# EBU Tech 3341, table 1, cases 1 to 5 (from memory): each reads as said within 0.1.
EBU = [
    ([(-23.0, 20.0)], -23.0),
    ([(-33.0, 20.0)], -33.0),
    ([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
    ([(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
    ([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("steps", "reads"), EBU)
def test_the_signals_of_ebu_tech_3341_read_as_they_should(
    rate: int, steps: list[tuple[float, float]], reads: float
) -> None:
    assert _loudness(_sine(rate, *steps), rate) == pytest.approx(reads, abs=0.1)


def _noise(seed: int, frames: int, cutoff: float = 0.5) -> Sound:
    """Return stereo noise that swells and fades, up to a share of half the rate."""
    white = np.random.default_rng(seed).standard_normal((2, frames))
    swell = 0.02 + 0.1 * np.sin(np.arange(frames) / 20_000) ** 2
    return (sosfilt(butter(8, cutoff, output="sos"), white) * swell).astype(np.float32)


@pytest.mark.parametrize("rate", RATES)
def test_another_meter_reads_the_same(rate: int) -> None:
    noise = _noise(1, 10 * rate)
    noise[:, 4 * rate : 6 * rate] *= 0.01
    # De Man's filters are those of the tables; pyloudnorm's usual ones are 0.05 LU apart.
    witness = pyloudnorm.Meter(rate, "DeMan").integrated_loudness(noise.T.astype(float))
    assert _loudness(noise, rate) == pytest.approx(witness, abs=0.01)


def test_the_pieces_make_no_difference() -> None:
    noise = _noise(2, 200_000)
    whole = Meter(1, 44100)
    whole.add(noise[np.newaxis])
    assert _loudness(noise, 44100) == pytest.approx(whole.loudness(np.ones(1)), abs=1e-4)


@pytest.mark.parametrize("gains", [(1.0, 1.0), (0.5, 2.0), (3.0, 0.0), (1.0, -1.0)])
def test_layers_with_gains_are_as_loud_as_their_sum(gains: tuple[float, float]) -> None:
    first = _noise(3, 120_000)
    second = (0.5 * first + _noise(4, 120_000)).astype(np.float32)  # they share something
    both = Meter(2, 44100)
    for piece in _pieces(np.stack([first, second])):
        both.add(piece)
    summed = (gains[0] * first + gains[1] * second).astype(np.float32)
    assert both.loudness(np.array(gains)) == pytest.approx(_loudness(summed, 44100), abs=0.01)


def test_silence_and_what_is_under_the_gate_have_no_loudness() -> None:
    assert _loudness(np.zeros((2, 44100), np.float32), 44100) == SILENCE
    assert _loudness(_sine(44100, (-71.0, 2.0)), 44100) == SILENCE
    assert _loudness(_sine(44100, (-69.0, 2.0)), 44100) == pytest.approx(-69.0, abs=0.1)


def test_less_than_a_block_is_measured_as_one() -> None:
    assert _loudness(_sine(44100, (-23.0, 0.3)), 44100) == pytest.approx(-23.0, abs=0.3)


def test_filtered_is_a_convolution() -> None:
    noise = _noise(5, 5000)
    response = _noise(6, 300)
    sound = filtered(noise, response, 1024)
    assert sound.shape == (2, 5299)
    for side in range(2):
        np.testing.assert_allclose(
            sound[side], np.convolve(noise[side], response[side]), atol=1e-5
        )


# EBU Tech 3341, table 1, cases 15 to 19 (from memory): the frames to a turn, where it starts,
# the amplitude, and what it reads within +0.2 and -0.4.
PEAKS = [
    (4, 0.0, 0.5, -6.0),
    (4, 45.0, 0.5, -6.0),
    (6, 60.0, 0.5, -6.0),
    (8, 67.5, 0.5, -6.0),
    (4, 45.0, 1.41, 3.0),
]


@pytest.mark.parametrize("rate", RATES)
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
    noise = _noise(7, frames, cutoff)
    assert true_peak(noise) == pytest.approx(_oversampled_peak(noise), abs=0.1)


def test_the_peak_of_silence_and_of_one_frame() -> None:
    sound = np.zeros((2, 1000), np.float32)
    assert true_peak(sound) == SILENCE
    for frame in (0, 31, 32, 500, 999):
        one = sound.copy()
        one[1, frame] = -0.5
        assert true_peak(one) == pytest.approx(_decibels(0.5), abs=1e-4)
        assert int(np.argmax(block_peaks(one))) == frame // BLOCK


LIMIT = 0.5


def _bursts(frames: int = 60_000) -> Sound:
    """Return quiet noise with bursts over the limit, also at both ends."""
    noise = _noise(8, frames)
    noise *= np.float32(0.15 / np.abs(noise).max())
    for at in (0, 9_000, 9_700, 30_011, 45_000, frames - 40):
        noise[:, at : at + 40] *= 12.0
    assert np.abs(noise).max() > 2 * LIMIT
    return noise


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
    sound = _noise(9, 40_000)
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
