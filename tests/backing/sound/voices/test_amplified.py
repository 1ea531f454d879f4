"""Strings through an amplifier."""

from __future__ import annotations

import numpy as np
import pytest

from backing.sound.tone import TONES, shaped
from backing.sound.voices.ensemble import STRINGS_LEVEL
from phrases.curve import Curve, Glide
from tests.backing.sound.voices.material import BEFORE, RATE, Sound, note, render

SIDE = 2**-0.5  # the lead stands in the middle


def _amplified(fret: int, tone: str) -> Sound:
    bend = Curve(0.0, (Glide(0.1, 0.1, 200.0),))
    sound = (SIDE * render([note("B", fret, 2.4, curve=bend)], 2.5)).astype(np.float32)
    heard = shaped(np.stack([sound, sound]), RATE, tone, "middle", STRINGS_LEVEL)
    return np.asarray(heard[0], float)


def _fall(sound: Sound, seconds: float) -> float:
    """Return by how many dB a note falls from just after its pick."""
    first, last = (round((BEFORE + 0.05 + at) * RATE) for at in (0.0, seconds))
    return float(20 * np.log10(np.std(sound[first:][:4410]) / np.std(sound[last:][:4410])))


@pytest.mark.parametrize("fret", [5, 8, 12, 15])
def test_a_driven_bend_sings_and_a_fuzzy_one_more(fret: int) -> None:
    clean, driven, fuzzy = (_amplified(fret, tone) for tone in TONES)
    assert _fall(driven, 1.0) <= 5
    assert _fall(driven, 2.0) <= 10
    assert _fall(fuzzy, 2.0) < _fall(driven, 2.0)
    assert _fall(clean, 1.0) > 7  # as the string: see test_strings


def test_the_level_of_a_plain_note_is_what_an_amplifier_is_told() -> None:
    places = (("E", 5), ("A", 7), ("D", 7), ("G", 7), ("B", 8), ("e", 5), ("e", 12))
    levels = [
        SIDE * np.std(render([note(*place, 0.3)], 0.3)[round(BEFORE * RATE) :][:4410])
        for place in places
    ]
    assert np.median(levels) == pytest.approx(STRINGS_LEVEL, rel=0.1)


def test_tones_are_about_as_loud_as_each_other() -> None:
    levels = [20 * np.log10(np.std(_amplified(8, tone)[4410 : 4410 + 22050])) for tone in TONES]
    assert max(levels) - min(levels) < 6
