"""A slide on a finger: nothing stops it at the frets, and it sways about the pitch."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from backing.sheet.text import text_sheet
from phrases.errors import TextFileError
from phrases.files import read_phrase
from phrases.hands import held
from phrases.performance import perform
from phrases.phrase import Phrase
from tests.backing.exchange.test_importing import through

NOTES = "| 1 D5/12 2 B12~~ 3 e0 & G9{1} 4 G12"


def phrase(slide: str = 'slide = "little"\n', notes: str = NOTES) -> Phrase:
    return read_phrase(
        f'title = "X"\nkey = "G"\ntempo = 60\ntuning = "open G"\n{slide}'
        f"[[part]]\nnotes = '{notes}'\n"
    )


def pitches(given: Phrase, number: int) -> np.ndarray:
    """Return the cents above the picked pitch, every five milliseconds."""
    note = perform(given.strokes(), float)[number]
    return np.array([note.curve.at(t) for t in np.arange(0, note.end - note.start, 0.005)])


def test_it_glides_where_a_finger_goes_fret_by_fret() -> None:
    """Common practice: a finger's slide is heard fret by fret, a bottleneck's is not."""
    glass, finger = pitches(phrase(), 0), pitches(phrase(""), 0)
    assert max(np.diff(finger)) == pytest.approx(100)  # a fret at once
    assert 0 < max(np.diff(glass)) < 40
    assert glass[-1] == finger[-1] == pytest.approx(700)


def test_it_sways_about_the_pitch_and_a_finger_only_upward() -> None:
    glass, finger = pitches(phrase(), 1)[100:], pitches(phrase(""), 1)[100:]
    assert min(finger) >= -1e-6
    assert (min(glass), max(glass)) == (pytest.approx(-30, abs=3), pytest.approx(30, abs=3))


def test_the_finger_that_wears_it_stops_the_strings() -> None:
    fingers = [grip.fingers for grips in held(phrase()) for grip in grips]
    assert fingers == [(4,), (4,), (0,), (1,), (4,)]


def test_it_is_said_on_the_sheet_and_comes_back(tmp_path: Path) -> None:
    assert "slide on the little finger" in text_sheet(phrase())
    assert through(phrase(), tmp_path).phrase.parts == phrase().parts


def test_another_finger_is_refused() -> None:
    with pytest.raises(TextFileError, match=r'"litle" is not a finger .* did you mean "little"'):
        phrase('slide = "litle"\n')
