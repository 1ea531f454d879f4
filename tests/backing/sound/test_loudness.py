from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray

from backing.sound.loudness import SILENCE, LoudnessMeter, weighting
from tests.backing.material import noise

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
    meter = LoudnessMeter(1, rate)
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


@pytest.mark.parametrize("rate", RATES)
def test_another_meter_reads_the_same(rate: int) -> None:
    white = noise(1, 10 * rate)
    white[:, 4 * rate : 6 * rate] *= 0.01
    # De Man's filters are those of the tables; pyloudnorm's usual ones are 0.05 LU apart.
    witness = pyloudnorm.Meter(rate, "DeMan").integrated_loudness(white.T.astype(float))
    assert _loudness(white, rate) == pytest.approx(witness, abs=0.01)


def test_the_pieces_make_no_difference() -> None:
    white = noise(2, 200_000)
    whole = LoudnessMeter(1, 44100)
    whole.add(white[np.newaxis])
    assert _loudness(white, 44100) == pytest.approx(whole.loudness(np.ones(1)), abs=1e-4)


@pytest.mark.parametrize("gains", [(1.0, 1.0), (0.5, 2.0), (3.0, 0.0), (1.0, -1.0)])
def test_layers_with_gains_are_as_loud_as_their_sum(gains: tuple[float, float]) -> None:
    first = noise(3, 120_000)
    second = (0.5 * first + noise(4, 120_000)).astype(np.float32)  # they share something
    both = LoudnessMeter(2, 44100)
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
