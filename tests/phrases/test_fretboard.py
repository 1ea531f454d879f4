from __future__ import annotations

from itertools import pairwise

import pytest
from music21 import pitch as m21_pitch

from phrases.errors import RangeError
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS, fret_pitch


def test_open_strings_are_e_a_d_g_b_e() -> None:
    # Standard tuning in scientific pitch notation, common practice; numbers by music21.
    names = ["E2", "A2", "D3", "G3", "B3", "E4"]
    assert [STANDARD[string] for string in STRINGS] == [m21_pitch.Pitch(n).midi for n in names]


def test_the_fifth_fret_is_the_next_open_string_but_the_fourth_from_g_to_b() -> None:
    # How a guitar is tuned by ear, common practice.
    for string, following in pairwise(STRINGS):
        fret = 4 if (string, following) == ("G", "B") else 5
        assert fret_pitch(string, fret) == fret_pitch(following, 0)


@pytest.mark.parametrize("string", STRINGS)
def test_the_twelfth_fret_is_the_octave(string: str) -> None:
    # Common practice: the octave harmonic lies over the twelfth fret.
    assert fret_pitch(string, 12) - fret_pitch(string, 0) == 12
    assert fret_pitch(string, 24) - fret_pitch(string, 0) == 24


def test_the_outer_strings_are_two_octaves_apart() -> None:
    assert fret_pitch("e", 0) - fret_pitch("E", 0) == 24  # common practice


@pytest.mark.parametrize("fret", [-1, LAST_FRET + 1])
def test_a_fret_off_the_neck_is_refused(fret: int) -> None:
    with pytest.raises(RangeError, match=f"^fret {fret}: the neck has frets 0 to 24$"):
        fret_pitch("A", fret)
