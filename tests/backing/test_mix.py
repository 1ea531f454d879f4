from __future__ import annotations

import numpy as np
import pytest

from backing.mix import KNEE, ROOM_SECONDS, ceiling, mix, room
from backing.synth import PARTS

RATE = 44100


def _stems(seed: int, frames: int = 3000) -> np.ndarray:
    chance = np.random.default_rng(seed)
    return (chance.standard_normal((len(PARTS), 2, frames)) * 0.1).astype(np.float32)


def test_the_mix_is_linear() -> None:
    stems = _stems(1)
    whole = mix(stems, RATE)
    apart = np.zeros_like(whole)
    for number in range(len(PARTS)):
        alone = np.zeros_like(stems)
        alone[number] = stems[number]
        apart += mix(alone, RATE)
    np.testing.assert_allclose(whole, apart, atol=1e-5)
    np.testing.assert_allclose(mix(2 * stems, RATE), 2 * whole, atol=1e-5)


def test_sections_may_be_mixed_apart_and_laid_over_each_other() -> None:
    stems = _stems(2, 100_000)  # longer than one block of the convolution
    whole = mix(stems, RATE)
    apart = np.zeros_like(whole)
    for start in range(0, 100_000, 25_000):
        piece = mix(stems[:, :, start : start + 25_000], RATE)
        apart[:, start : start + piece.shape[1]] += piece
    np.testing.assert_allclose(whole, apart, atol=1e-4)


def test_the_room_is_the_convolution_that_it_says() -> None:
    stems = np.zeros((len(PARTS), 2, 70_000), np.float32)
    lead = PARTS.index("lead")
    stems[lead, :, 66_000] = 1.0
    sound = mix(stems, RATE)
    dry = float(sound[0, 66_000])
    assert not np.abs(sound[:, :66_000]).max() > 1e-5
    # A wall answers later than the direct sound, and each side its own way.
    assert not np.abs(sound[:, 66_001 : 66_000 + round(0.011 * RATE)]).max() > 1e-5
    answer = sound[:, 66_001:] / dry
    response = room(RATE)[:, 1:]
    share = float((answer[0, : response.shape[1]] * response[0]).sum() / (response[0] ** 2).sum())
    assert 0 < share < 0.5
    np.testing.assert_allclose(answer[:, : response.shape[1]], share * response, atol=1e-4)


def test_the_room_decays_by_sixty_decibels() -> None:
    response = room(RATE).astype(float)
    assert response.shape == (2, round(ROOM_SECONDS * RATE))
    np.testing.assert_allclose((response**2).sum(axis=1), 1.0, rtol=1e-3)
    tenth = response.shape[1] // 10
    early, late = (np.sqrt((response[:, part] ** 2).mean()) for part in (
        slice(tenth, 2 * tenth), slice(-tenth, None),
    ))  # fmt: skip
    # Eight tenths of the way are 48 dB; the treble goes first, so the noise falls faster.
    assert 45 <= 20 * np.log10(early / late) <= 70
    assert abs(np.corrcoef(response)[0, 1]) < 0.1


def test_silence_stays_silent() -> None:
    assert not mix(np.zeros((len(PARTS), 2, 100), np.float32), RATE).any()


def test_the_ceiling_is_never_reached() -> None:
    loud = np.linspace(-50, 50, 20_001, dtype=np.float32).reshape(1, -1)
    under = ceiling(loud)
    assert np.abs(under).max() < 1.0
    assert (np.diff(under[0]) >= 0).all()
    np.testing.assert_allclose(under, -under[:, ::-1], atol=1e-6)


def test_the_ceiling_leaves_quiet_sound_alone() -> None:
    quiet = np.linspace(-KNEE, KNEE, 1001, dtype=np.float32).reshape(1, -1)
    assert ceiling(quiet).tobytes() == quiet.tobytes()
    mixed = np.array([[0.5, 3.0, -0.79]], np.float32)
    assert ceiling(mixed)[0, 0] == np.float32(0.5)
    assert ceiling(mixed)[0, 2] == np.float32(-0.79)
    assert mixed[0, 1] == 3.0  # what was handed in stays as it was


def test_the_ceiling_bends_smoothly() -> None:
    near = ceiling(np.array([[KNEE, KNEE + 0.001]], np.float32))[0]
    assert near[1] - near[0] == pytest.approx(0.001, rel=0.01)
