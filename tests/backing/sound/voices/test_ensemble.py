"""Parts that are played here are as loud in the band as sampled ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backing import pieces
from backing.events import Note
from backing.grooves import groove_names
from backing.sound.synth import PARTS, Stems
from backing.sound.voices import ensemble
from tests.backing.sound.voices.levels import levels
from tests.hard.material import some

CLOSE = 1.2  # LU; just noticeable changes of level are about 1 dB (common practice)


@pytest.mark.parametrize("groove", some(groove_names(), 2))
def test_strings_are_as_loud_in_the_band_as_samples(groove: str, soundfont: Path) -> None:
    stream = pieces.track(groove=groove, choruses=1, tempo=180)
    ours, sampled = (
        levels(replace(stream, voice=voice), soundfont) for voice in ("strings", "soundfont")
    )
    assert ours == pytest.approx(sampled, abs=CLOSE)


def test_the_embedded_soundfont_is_as_loud_as_is_written_down(soundfont: Path) -> None:
    for (part, program), usual in ensemble.USUAL.items():
        found = ensemble.tried({"drums": 0, part: program}, soundfont, 44100)
        # FluidSynth 2.3 and 2.4 differ by 0.16 dB for the organ, far less than anybody hears.
        assert found[PARTS.index(part)] == pytest.approx(usual, abs=0.25)


def test_a_soundfont_of_other_levels_is_brought_to_those(
    monkeypatch: pytest.MonkeyPatch, soundfont: Path
) -> None:
    monkeypatch.setattr(ensemble, "embedded", lambda: None)
    notes = (Note("drums", 0.0, 0.1, 38, 90), Note("comp", 0.0, 0.4, 57, 70))
    programs = {"drums": 0, "comp": 0}
    heights = []
    for number in range(2):  # what is made once is made again for other programs
        (stems,) = ensemble.played(notes, programs | {"bass": 32 + number}, soundfont, 44100)
        heights.append(np.abs(stems).max(axis=(1, 2)))
        quieter = {key: usual - 6.0 for key, usual in ensemble.USUAL.items()}
        monkeypatch.setattr(ensemble, "USUAL", quieter)
    for part in ("drums", "comp"):
        plain, quiet = (height[PARTS.index(part)] for height in heights)
        assert 20 * np.log10(plain / quiet) == pytest.approx(6.0, abs=0.2)


def test_a_step_between_soft_and_hard_samples_is_evened_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def height(velocity: int) -> float:
        return (2.0 if velocity > 62 else 1.0) * velocity**2 / 127**2

    def stepped(notes: tuple[Note, ...], _: dict[str, int], __: Path, rate: int) -> Stems:
        stems = np.zeros((len(PARTS), 2, 10 * rate), np.float32)
        for note in notes:
            at = slice(round(note.start * rate), round(note.end * rate))
            stems[PARTS.index("comp"), :, at] = height(note.velocity)
        return stems

    monkeypatch.setattr(ensemble, "synthesise", stepped)
    gain, curve = ensemble._evened(26, Path("stepped.sf2"), 8000)
    heights = [gain * height(curve[velocity]) for velocity in range(50, 74)]
    wanted = [height(72) * (velocity / 72) ** 2 for velocity in range(50, 74)]
    assert 20 * np.log10(np.divide(heights, wanted)) == pytest.approx(np.zeros(24), abs=1.0)
