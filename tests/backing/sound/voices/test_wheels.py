from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from backing.events import Note
from backing.sound.voices.wheels import DRAWBARS, REGISTRATION, Organ, wheel_hertz
from tests.backing.sound.voices.material import below_written, hertz

RATE = 44100
CHUNK = 64 * 300
Sound = NDArray[np.float32]


def render(notes: list[Note], seconds: float, chunk: int = CHUNK, **more: int) -> Sound:
    organ = Organ(notes, RATE, **({"registration": more} if more else {}))
    starts = range(0, round(seconds * RATE), chunk)
    return np.concatenate([organ.play(start, chunk) for start in starts], axis=1)


def chord(
    start: float, end: float, *pitches: int, velocity: int = 80, swell: bool = False
) -> list[Note]:
    return [
        Note("comp", start, end, pitch, velocity, swell=swell and not number)
        for number, pitch in enumerate(pitches)
    ]


def spectrum(sound: Sound) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    mono = sound.mean(axis=0).astype(float)
    power = np.abs(np.fft.rfft(mono * np.hanning(len(mono)), 1 << 18)) ** 2
    return np.fft.rfftfreq(1 << 18, 1 / RATE), power


def test_wheels_are_near_equal_temperament() -> None:
    """ISO 16; gears of whole teeth come within 2 cents of it (from memory: 1.98 at most)."""
    cents = [1200 * np.log2(wheel_hertz(p) / hertz(p)) for p in range(24, 115)]
    assert max(map(abs, cents)) < 2
    assert wheel_hertz(69) == 440
    assert len({round(cent, 3) for cent in cents}) > 10  # each gear has a small error of its own


def test_what_would_lie_beyond_the_last_wheel_sounds_an_octave_lower() -> None:
    assert wheel_hertz(115) == wheel_hertz(103)


def test_drawbars_are_the_pipes_that_they_are_named_for() -> None:
    """A pipe of half the length sounds an octave higher: 8 feet are the key itself."""
    for name, semitones in DRAWBARS.items():
        whole, _, part = name.partition(" ")
        top, _, bottom = part.partition("/")
        feet = float(whole) + (float(top) / float(bottom) if part else 0.0)
        assert 12 * np.log2(8 / feet) == pytest.approx(semitones, abs=0.2)


def test_a_drawbar_sounds_its_wheel() -> None:
    for name, semitones in DRAWBARS.items():
        hertzes, power = spectrum(
            render(chord(0.0, 1.0, 60, 60), 1.0, **{name: 8})[:, RATE // 2 :]
        )
        assert hertzes[power.argmax()] == pytest.approx(wheel_hertz(60 + semitones), rel=0.01)


def test_a_drawbar_s_step_is_three_decibels() -> None:
    full, less = (spectrum(render(chord(0.0, 1.0, 60), 1.0, **{"8": far}))[1] for far in (8, 6))
    wheel = slice(round(255 * (1 << 18) / RATE), round(268 * (1 << 18) / RATE))
    assert 10 * np.log10(full[wheel].max() / less[wheel].max()) == pytest.approx(6, abs=0.1)


@pytest.mark.parametrize("groove", ["shuffle", "slow-blues", "boogie", "funk-blues"])
def test_nothing_sounds_below_what_is_written(groove: str) -> None:
    assert below_written(groove) <= 0.05


def test_a_key_clicks_and_its_tone_is_steady() -> None:
    sound = render(chord(0.1, 1.9, 60, 64, 67), 2.0)
    treble = np.abs(np.diff(sound[0].astype(float), 4))
    at = round(0.1 * RATE)
    assert treble[at : at + 600].max() > 1.5 * treble[at + 20000 : at + 60000].max()
    early, late = (np.std(sound[:, round(a * RATE) : round((a + 0.7) * RATE)]) for a in (0.4, 1.1))
    assert early == pytest.approx(late, rel=0.25)


def test_percussion_speaks_where_no_key_was_held() -> None:
    notes = [*chord(0.1, 0.6, 60), *chord(0.59, 1.1, 62), *chord(1.4, 1.9, 60)]
    sound = render(notes, 2.0, **{"8": 4})

    def octave(start: float, pitch: int) -> float:
        cut = sound[:, round(start * RATE) : round((start + 0.08) * RATE)].mean(axis=0)
        turn = 2 * np.pi * wheel_hertz(pitch + 12) / RATE * np.arange(len(cut))
        return float(abs((cut * np.exp(-1j * turn) * np.hanning(len(cut))).sum()))

    first, legato, again = octave(0.11, 60), octave(0.605, 62), octave(1.41, 60)
    assert again == pytest.approx(first, rel=0.5)
    assert legato < 0.15 * first
    assert octave(0.45, 60) < 0.3 * first  # it dies away


def _turns(sound: Sound, start: float, stop: float) -> float:
    """Return how often a second the loudness of what is over 800 Hz rises and falls."""
    cut = sound[0, round(start * RATE) : round(stop * RATE)].astype(float)
    level = np.sqrt((cut[: len(cut) // 441 * 441].reshape(-1, 441) ** 2).mean(axis=1))
    level = level / np.convolve(level, np.ones(41) / 41, "same")
    found = np.abs(np.fft.rfft((level - level.mean()) * np.hanning(len(level)), 2048))
    return float((np.argmax(found[20:400]) + 20) * 100 / 2048)


def test_the_rotors_speed_up_in_a_swell_and_slow_down_after_it() -> None:
    """Six to seven turns a second where it is fast, under one where it is slow (from memory)."""
    plain = chord(0.0, 4.0, 100)
    swelling = chord(0.0, 4.0, 100, swell=True)
    assert 5.5 < _turns(render(swelling, 4.0, **{"8": 8}), 2.2, 3.9) < 7.2
    slow = render(plain, 4.0, **{"8": 8})
    level = np.sqrt((slow[0, : 396 * 441].reshape(-1, 441).astype(float) ** 2).mean(axis=1))
    spectrum_ = np.abs(np.fft.rfft((level - level.mean()) * np.hanning(len(level)), 4096))
    assert 0.4 < np.argmax(spectrum_[8:]) * 100 / 4096 + 0.2 < 1.2


def test_a_swell_grows_and_stretches_make_no_difference() -> None:
    notes = chord(0.1, 1.9, 60, 64, 67, swell=True)
    whole, cut = render(notes, 2.0), render(notes, 2.0, 64 * 50)
    frames = min(whole.shape[1], cut.shape[1])
    np.testing.assert_allclose(whole[:, :frames], cut[:, :frames], atol=1e-5)
    soft, loud = (np.std(whole[:, round(a * RATE) : round((a + 0.2) * RATE)]) for a in (0.2, 1.6))
    assert loud > 2.5 * soft


def test_the_registration_is_made_of_drawbars_and_none_sounds_below_the_key() -> None:
    assert all(0 < far <= 8 for far in REGISTRATION.values())
    assert all(DRAWBARS[name] >= 0 for name in REGISTRATION)
