from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from backing.events import Note
from backing.sound.synth import BLOCK, PARTS, Stems, chunks, synthesise
from backing.sound.voices import strokes
from backing.sound.voices.ensemble import played

DRUMS = PARTS.index("drums")
RATE = 44100
KIT = {"drums": 0}
RIDE, SNARE = 51, 38
BAR = tuple(
    Note("drums", 0.3 * n, 0.3 * n + 0.06, key, velocity)
    for n, (key, velocity) in enumerate([(RIDE, 80), (SNARE, 90), (RIDE, 55), (49, 100)])
)


@pytest.mark.parametrize("voice", ["strings", "soundfont"])
def test_cymbals_that_are_laid_sound_as_fluidsynth_plays_them(soundfont: Path, voice: str) -> None:
    heard = np.concatenate(list(played(BAR, KIT, soundfont, RATE, voice)), axis=2)[DRUMS]
    plain = synthesise(BAR, KIT, soundfont, RATE)[DRUMS]
    frames = min(plain.shape[1], heard.shape[1])
    assert abs(plain.shape[1] - heard.shape[1]) < 44100
    apart = np.abs(heard[:, :frames] - plain[:, :frames]).max(axis=0)
    for note in BAR:  # its voices fade in from what they played last
        attack = round(note.start * RATE / BLOCK) * BLOCK
        apart[attack : attack + BLOCK] = 0.0
    # It rounds a stroke's loudness to a tenth of a dB.
    assert apart.max() < 0.01 * np.abs(plain).max()


def test_the_strokes_of_a_kit_whose_soft_ones_are_others_are_left_to_fluidsynth(
    soundfont: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(strokes, "ALIKE", 0.0)
    monkeypatch.setattr("backing.sound.voices.ensemble.stroke", strokes.stroke.__wrapped__)  # type: ignore[attr-defined]
    heard = np.concatenate(list(played(BAR, KIT, soundfont, RATE)), axis=2)[DRUMS]
    assert heard.tobytes() == synthesise(BAR, KIT, soundfont, RATE)[DRUMS].tobytes()


def test_a_cymbal_is_played_once_however_often_it_is_struck(
    soundfont: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def told(*given: Any) -> Iterator[Stems]:
        asked.append(given)
        return chunks(*given)

    monkeypatch.setattr(strokes, "chunks", told)
    many = tuple(Note("drums", n / 8, n / 8 + 0.06, 59, 40 + n) for n in range(40))
    for _ in played(many, KIT, soundfont, 32000):
        pass
    assert len(asked) == 2
