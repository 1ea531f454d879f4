from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from backing.sound.tone import OVERSAMPLED, TAPS, TILTS, TONES
from backing.sound.tone import shaped as shaped_at
from phrases import phrase as words
from tests.backing.sound.voices.material import aliases

RATE = 44100
Sound = NDArray[np.float32]


PLAIN = 0.07  # a sine of `_sine` is as loud as a plain note


def shaped(stem: Sound, rate: int, tone: str, pick: str) -> Sound:
    return shaped_at(stem, rate, tone, pick, PLAIN)


def _sine(hertz: float, loud: float = 0.1) -> Sound:
    one = loud * np.sin(2 * np.pi * hertz * np.arange(RATE) / RATE)
    return np.stack([one, one]).astype(np.float32)


def _spectrum(sound: Sound) -> NDArray[np.float64]:
    """Return the magnitude at each whole hertz, in decibels below the strongest."""
    found = np.abs(np.fft.rfft(sound[0] * np.blackman(RATE)))
    return np.asarray(20 * np.log10(np.maximum(found / found.max(), 1e-12)))


def test_the_words_are_those_of_a_phrase() -> None:
    assert tuple(TONES) == words.TONES
    assert tuple(TILTS) == words.PICKS


def test_clean_in_the_middle_is_the_stem_itself() -> None:
    stem = _sine(440)
    assert shaped(stem, RATE, "clean", "middle") is stem


def test_silence_stays_silent() -> None:
    stem = np.zeros((2, 1000), np.float32)
    assert not shaped(stem, RATE, "fuzz", "bridge").any()


@pytest.mark.parametrize("tone", ["driven", "fuzz"])
@pytest.mark.parametrize("hertz", [1319, 3100, 5000])
def test_what_a_clipped_tone_adds_does_not_fold_back(tone: str, hertz: int) -> None:
    # A guitar's highest fretted note is 1319 Hz (E6, ISO 16); above it there are only overtones.
    assert aliases(tone, hertz) < -64


@pytest.mark.parametrize("tone", ["driven", "fuzz"])
def test_a_clipped_tone_has_overtones_even_and_odd(tone: str) -> None:
    found = _spectrum(shaped(_sine(220), RATE, tone, "middle"))
    assert found[660] > -30
    assert found[440] > -50
    clean = _spectrum(shaped(_sine(220), RATE, "clean", "neck"))
    assert clean[660] < -90


@pytest.mark.parametrize("tone", list(TONES))
def test_an_attack_stays_where_it_is(tone: str) -> None:
    assert (TAPS - 1) % OVERSAMPLED == 0  # both filters together delay by whole frames
    stem = _sine(330)
    stem[:, : RATE // 2] = 0
    sound = shaped(stem, RATE, tone, "bridge")
    heard = np.flatnonzero(np.abs(sound[0]) > 0.1 * np.abs(sound[0]).max())[0]
    plain = np.flatnonzero(np.abs(stem[0]) > 0.1 * np.abs(stem[0]).max())[0]
    assert abs(int(heard) - int(plain)) < 0.001 * RATE


@pytest.mark.parametrize("tone", list(TONES))
def test_near_the_bridge_is_brighter_than_near_the_neck(tone: str) -> None:
    # Common practice. A string-like sound: overtones that fall by 6 dB an octave.
    stem = np.zeros((2, RATE), np.float32)
    for number in range(1, 20):
        stem += _sine(196.0 * number, 0.08 / number)

    def centre(pick: str) -> float:
        power = np.abs(np.fft.rfft(shaped(stem, RATE, tone, pick)[0])) ** 2
        return float((power * np.arange(len(power))).sum() / power.sum())

    assert centre("bridge") > 1.2 * centre("neck")


@pytest.mark.parametrize("tone", ["driven", "fuzz"])
def test_a_clipped_note_sustains(tone: str) -> None:
    stem = _sine(220, 0.2) * np.exp(-3 * np.arange(RATE) / RATE).astype(np.float32)

    def fall(sound: Sound) -> float:
        early, late = sound[0, 2000:6000], sound[0, -6000:-2000]
        return float(20 * np.log10(np.std(early) / np.std(late)))

    assert fall(shaped(stem, RATE, tone, "middle")) < fall(stem) - 6


@pytest.mark.parametrize("tone", ["driven", "fuzz"])
def test_it_does_the_same_whatever_feeds_it(tone: str) -> None:
    loud, soft = (
        shaped_at(_sine(220, level), RATE, tone, "middle", level / 2**0.5) for level in (0.1, 0.01)
    )
    np.testing.assert_allclose(loud, soft, atol=1e-5)


@pytest.mark.parametrize("tone", ["driven", "fuzz"])
def test_the_supply_gives_way_and_comes_back(tone: str) -> None:
    """By the decibels of its table within some hundredths of a second (from memory)."""
    stem = _sine(441)
    stem[:, : RATE // 4] = 0
    driven = shaped(stem, RATE, tone, "middle")[0]
    amplifier = TONES[tone]
    assert amplifier is not None
    soft = _sine(441, 0.0005)
    soft[:, RATE // 4 : RATE // 2] = _sine(441)[:, RATE // 4 : RATE // 2]
    heard = shaped(soft, RATE, tone, "middle")[0]
    late = RATE // 2 + 1100  # when the filters have rung out

    def level(start: int) -> float:
        return float(20 * np.log10(np.std(heard[start : start + 400])))

    assert 0.3 * amplifier.sag < level(-2000) - level(late) < amplifier.sag + 0.5
    assert np.abs(driven[: RATE // 4 - 50]).max() < 1e-6


def test_a_loudspeaker_has_no_treble() -> None:
    found = _spectrum(shaped(_sine(1000), RATE, "fuzz", "middle"))
    assert found[9000:].max() < -50


@pytest.mark.parametrize("tone", ["driven", "fuzz"])
def test_a_clipped_tone_does_not_push_the_loudspeaker_to_one_side(tone: str) -> None:
    """What is shifted before it is clipped has an offset, which no transformer passes on."""
    for hertz in (82, 196, 659):
        sound = shaped(_sine(hertz, 0.2), RATE, tone, "middle")[0, RATE // 5 :]
        window = np.hanning(len(sound))
        offset = abs(float((sound * window).sum() / window.sum()))
        assert offset < 0.001 * np.abs(sound).max()  # 60 dB
