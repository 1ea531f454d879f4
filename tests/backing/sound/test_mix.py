from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import butter, sosfilt

from backing import pieces
from backing.grooves import groove_names
from backing.sound.filters import Samples
from backing.sound.limiter import BLOCK, block_gains
from backing.sound.loudness import CELL, LoudnessMeter
from backing.sound.mix import (
    APART,
    BAND_LOUDNESS,
    LEAD_REACH,
    LIMIT,
    LOUDNESS,
    ROOM_SECONDS,
    TOGETHER,
    WITH_LEAD,
    Gains,
    layered,
    master,
    room,
)
from backing.sound.synth import PARTS, synthesise
from backing.sound.tone import shaped
from tests.hard.material import LONG

RATE = 44100
LEAD = PARTS.index("lead")


def _stems(seed: int, frames: int = 3000) -> Samples:
    chance = np.random.default_rng(seed)
    return (chance.standard_normal((len(PARTS), 2, frames)) * 0.1).astype(np.float32)


def layers(stems: Samples, rate: int, names: tuple[str, ...]) -> Samples:
    return np.concatenate([*layered([stems], rate, names, "clean", "middle", lambda: 1.0)], axis=2)


def _sum(stems: Samples, names: tuple[str, ...] = TOGETHER) -> Samples:
    sound: Samples = layers(stems, RATE, names).sum(axis=0)
    return sound


def test_the_mix_is_linear() -> None:
    stems = _stems(1)
    whole = _sum(stems)
    apart = np.zeros_like(whole)
    for number in range(len(PARTS)):
        alone = np.zeros_like(stems)
        alone[number] = stems[number]
        apart += _sum(alone)
    np.testing.assert_allclose(whole, apart, atol=1e-5)
    np.testing.assert_allclose(_sum(2 * stems), 2 * whole, atol=1e-5)


def test_layers_apart_are_the_layers_together() -> None:
    stems = _stems(2)
    together, apart = (layers(stems, RATE, names) for names in (TOGETHER, APART))
    assert together.shape[0] == len(TOGETHER)
    assert apart.shape[0] == len(APART)
    of_lead = [name.startswith("lead") for name in APART]
    of_band = [not lead for lead in of_lead]
    np.testing.assert_allclose(together[0], apart[of_band].sum(axis=0), atol=1e-5)
    np.testing.assert_allclose(together[1], apart[of_lead].sum(axis=0), atol=1e-5)


def test_a_layer_holds_its_own_part_alone() -> None:
    for number, part in enumerate(PARTS):
        stems = np.zeros((len(PARTS), 2, 500), np.float32)
        stems[number] = _stems(3, 500)[number]
        loud = {
            name
            for name, sound in zip(APART, layers(stems, RATE, APART), strict=True)
            if sound.any()
        }
        assert loud == {part, "lead's room" if part == "lead" else "band's room"}
        loud = {
            name
            for name, sound in zip(TOGETHER, layers(stems, RATE, TOGETHER), strict=True)
            if sound.any()
        }
        assert loud == {"lead" if part == "lead" else "band"}


def test_a_band_without_a_lead_needs_no_second_layer() -> None:
    stems = _stems(4)
    stems[LEAD] = 0.0
    alone, both = (layers(stems, RATE, names) for names in (TOGETHER[:1], TOGETHER))
    assert alone.shape[0] == 1
    assert alone[0].tobytes() == both[0].tobytes()


@pytest.mark.parametrize("names", [TOGETHER, APART])
def test_sections_may_be_mixed_apart_and_laid_over_each_other(names: tuple[str, ...]) -> None:
    stems = _stems(5, 100_000)  # longer than one block of the convolution
    whole = layers(stems, RATE, names)
    apart = np.zeros_like(whole)
    for start in range(0, 100_000, 25_000):
        piece = layers(stems[:, :, start : start + 25_000], RATE, names)
        apart[:, :, start : start + piece.shape[2]] += piece
    np.testing.assert_allclose(whole, apart, atol=1e-4)


def test_the_room_is_the_convolution_that_it_says() -> None:
    stems = np.zeros((len(PARTS), 2, 70_000), np.float32)
    stems[LEAD, :, 66_000] = 1.0
    sound = _sum(stems)
    dry = float(sound[0, 66_000])
    assert not np.abs(sound[:, :66_000]).max() > 1e-5
    # A wall answers later than the direct sound, and each side its own way.
    assert not np.abs(sound[:, 66_001 : 66_000 + round(0.011 * RATE)]).max() > 1e-5
    answer = sound[:, 66_001:] / dry
    response = room(RATE)[:, 1:]
    share = float((answer[0, : response.shape[1]] * response[0]).sum() / (response[0] ** 2).sum())
    assert 0 < share < 0.5
    np.testing.assert_allclose(answer[:, : response.shape[1]], share * response, atol=1e-4)


@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_room_decays_by_sixty_decibels(rate: int) -> None:
    response = room(rate).astype(float)
    assert response.shape == (2, round(ROOM_SECONDS * rate))
    np.testing.assert_allclose((response**2).sum(axis=1), 1.0, rtol=1e-3)
    tenth = response.shape[1] // 10
    early, late = (np.sqrt((response[:, part] ** 2).mean()) for part in (
        slice(tenth, 2 * tenth), slice(-tenth, None),
    ))  # fmt: skip
    # Eight tenths of the way are 48 dB; the treble goes first, so the noise falls faster.
    assert 45 <= 20 * np.log10(early / late) <= 70
    assert abs(np.corrcoef(response)[0, 1]) < 0.1


def _width(sound: Samples) -> float:
    """Return the sides over the middle, in dB."""
    middle, side = (sound[0] + sound[1]) / 2, (sound[0] - sound[1]) / 2
    return float(10 * np.log10((side**2).sum() / (middle**2).sum()))


def test_the_wall_behind_the_kit_is_gone_from_the_sum_of_both_sides() -> None:
    stems = np.zeros((len(PARTS), 2, 30_000), np.float32)
    stems[PARTS.index("drums")] = _stems(6, 30_000)[0, :1]  # the same on both sides
    sound = layers(stems, RATE, APART)[0]
    assert -12 <= _width(sound) <= -9
    middle = sound[:, :30_000].sum(axis=0)
    np.testing.assert_allclose(middle / middle.std(), stems[0, 0] / stems[0, 0].std(), atol=1e-3)


@pytest.mark.parametrize("groove", groove_names() if LONG else ["shuffle", "unison-riff"])
def test_every_kit_is_wide(groove: str, soundfont: Path) -> None:
    stream = pieces.track(groove=groove, choruses=1, count_in=0, ending="none")
    notes = tuple(n for n in stream.sections[0].notes if n.voice == "drums")[:150]
    stems = synthesise(notes, stream.programs, soundfont, RATE)
    assert -12 <= _width(layers(stems, RATE, APART)[0]) <= -6


def test_silence_stays_silent() -> None:
    for names in (TOGETHER, APART):
        assert not layers(np.zeros((len(PARTS), 2, 100), np.float32), RATE, names).any()


def test_gains_by_the_name_of_the_layer() -> None:
    gains = Gains(0.5, 2.0)
    assert gains.of(TOGETHER).tolist() == [0.5, 2.0]
    by_name = dict(zip(APART, gains.of(APART).tolist(), strict=True))
    assert {name for name, gain in by_name.items() if gain == 2.0} == {"lead", "lead's room"}


@cache
def _noise() -> Samples:
    """Return a band and a lead of three seconds, shape (2, 2, frames)."""
    white = np.random.default_rng(6).standard_normal((2, 2, 3 * RATE))
    low = sosfilt(butter(4, (200, 4000), "bandpass", fs=RATE, output="sos"), white)
    return low.astype(np.float32)


def _witness(sound: Samples) -> float:
    meter = pyloudnorm.Meter(RATE, "DeMan")  # the filters of ITU-R BS.1770
    return float(meter.integrated_loudness(sound.T.astype(float)))


def _quiet(gains: Gains) -> Samples:
    """Return what a limiter leaves that minds nothing, for each cell of three seconds."""
    return np.ones(3 * RATE // CELL, np.float32)


def _mastered(band: float, lead: float) -> tuple[Gains, Samples]:
    sound = _noise() * np.array([band, lead], np.float32)[:, None, None]
    meter = LoudnessMeter(2, RATE)
    meter.add(sound)
    gains = master(meter, TOGETHER, _quiet)
    return gains, sound * gains.of(TOGETHER)[:, None, None]


def test_what_is_aimed_at_lies_within_half_a_unit_of_minus_sixteen() -> None:
    assert LOUDNESS == -16.0
    assert abs(BAND_LOUDNESS - LOUDNESS) <= 0.5
    assert abs(WITH_LEAD - LOUDNESS) <= 0.5


@pytest.mark.parametrize(("band", "lead"), [(0.1, 0.05), (0.01, 0.008), (0.5, 0.1)])
def test_a_band_and_its_lead_are_brought_to_their_loudness(band: float, lead: float) -> None:
    gains, sound = _mastered(band, lead)
    assert _witness(sound[0]) == pytest.approx(BAND_LOUDNESS, abs=0.07)
    assert _witness(sound.sum(axis=0)) == pytest.approx(WITH_LEAD, abs=0.07)
    assert gains.band / LEAD_REACH < gains.lead < gains.band * LEAD_REACH


@pytest.mark.parametrize(("lead", "times"), [(0.001, LEAD_REACH), (10.0, 1 / LEAD_REACH)])
def test_a_lead_gets_no_more_than_its_reach(lead: float, times: float) -> None:
    gains, _ = _mastered(0.1, lead)
    assert gains.lead / gains.band == pytest.approx(times, rel=0.006)  # a tenth of a dB


def test_the_band_is_as_loud_with_a_lead_as_without() -> None:
    alone = LoudnessMeter(1, RATE)
    alone.add(0.1 * _noise()[:1])
    without = master(alone, TOGETHER[:1], _quiet)
    assert _mastered(0.1, 0.05)[0].band == pytest.approx(without.band, rel=1e-4)
    assert _mastered(0.1, 0.0)[0].band == pytest.approx(without.band, rel=1e-4)


def test_a_lead_alone_is_brought_to_the_loudness() -> None:
    _, sound = _mastered(0.0, 0.02)
    assert _witness(sound.sum(axis=0)) == pytest.approx(LOUDNESS, abs=0.07)


def test_silence_keeps_its_gain() -> None:
    assert _mastered(0.0, 0.0)[0] == Gains(1.0, 1.0)


def test_what_the_limiter_takes_is_given_back() -> None:
    meter = LoudnessMeter(1, RATE)
    meter.add(0.1 * _noise()[:1])
    free = master(meter, TOGETHER[:1], _quiet)
    peaks = np.zeros(3 * RATE // BLOCK, np.float32)
    peaks[100::200] = 2.0 / free.band  # hits that are 8 dB over the limit

    def left(gains: Gains) -> Samples:
        power = block_gains(peaks * np.float32(gains.band), LIMIT) ** 2
        means: Samples = power.reshape(-1, CELL // BLOCK).mean(axis=1)
        return means

    held = master(meter, TOGETHER[:1], left)
    assert held.band > free.band * 1.01
    one = np.array([held.band])
    assert meter.loudness(one, left(held)) == pytest.approx(BAND_LOUDNESS, abs=0.07)


@pytest.mark.parametrize(
    ("tone", "pick"), [("clean", "middle"), ("driven", "bridge"), ("fuzz", "neck")]
)
def test_stretches_are_mixed_as_the_whole_is(tone: str, pick: str) -> None:
    stems = np.random.default_rng(3).standard_normal((len(PARTS), 2, 60_000)).astype(np.float32)
    stems *= 0.05
    stems[LEAD, :, :100] = 0.0  # what a filter has before the first frame is cut off
    stems[LEAD, 1] = stems[LEAD, 0]
    whole = stems.copy()
    whole[LEAD] = shaped(stems[LEAD], RATE, tone, pick, 0.05)
    cuts = np.split(stems.copy(), [8192, 32768, 59_990], axis=2)
    together = np.concatenate([*layered(cuts, RATE, TOGETHER, tone, pick, lambda: 0.05)], axis=2)
    np.testing.assert_allclose(together, layers(whole, RATE, TOGETHER), atol=2e-5)
