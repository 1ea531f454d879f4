from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest

import backing
from backing.events import Stream
from backing.live.score import Score
from backing.live.sound import CEILING, KNEE, Block, Renderer, Voices, limited
from backing.live.transport import Transport
from backing.mix import APART, layers
from backing.synth import AudioError, synthesise
from tests.backing.live.material import clicks, held

RATE = 48000


def rendered(stream: Stream, soundfont: Path, frames: int = 256, most: float = 600.0) -> Block:
    voices = Voices(soundfont, RATE)
    renderer = Renderer(Transport(Score(stream)), voices, RATE)
    blocks = []
    while not renderer.silent and renderer.frames < most * RATE:
        blocks.append(renderer.block(frames))
    voices.close()
    return np.concatenate(blocks)


def only(stream: Stream, part: str) -> Stream:
    return replace(
        stream,
        sections=tuple(
            replace(s, notes=tuple(n for n in s.notes if n.voice.startswith(part)))
            for s in stream.sections
        ),
    )


def test_the_size_of_a_block_changes_nothing(soundfont: Path) -> None:
    given = clicks(1, 1, 240)
    small, large = (rendered(given, soundfont, size, 1.0) for size in (64, 1000))
    assert np.array_equal(small[:40000], large[:40000])


def test_notes_sound_on_their_block_of_64_frames(soundfont: Path) -> None:
    sound = np.abs(rendered(only(clicks(1, 1, 120), "bass"), soundfont)).max(axis=1)
    assert np.flatnonzero(sound > 1e-5)[0] < 64 + 200
    before, after = sound[23000:24000].max(), sound[24000:26000].max()
    assert after > 3 * before


def test_parts_stand_to_each_other_as_in_a_file(soundfont: Path) -> None:
    """Regression against `backing.mix`: each part's live level less its level there."""
    whole = backing.demo("lamp-oil", choruses=1)
    notes = tuple(note for note in whole.sections[1].notes if note.start < 5)
    one = replace(whole.sections[1], notes=notes, start=Fraction(0), seconds=Fraction(5))
    given = replace(whole, sections=(one,))
    meter = pyloudnorm.Meter(RATE)
    stems = synthesise(notes, given.programs, soundfont, RATE)
    file = dict(zip(APART, layers(stems, RATE, APART), strict=True))
    apart = []
    for part in ("drums", "bass", "comp", "lead"):
        live = meter.integrated_loudness(rendered(only(given, part), soundfont))
        apart.append(live - meter.integrated_loudness(file[part].T))
    assert max(apart) - min(apart) < 1.5


def test_it_is_about_as_loud_as_a_file(soundfont: Path) -> None:
    sound = rendered(backing.track(choruses=1), soundfont)
    assert pyloudnorm.Meter(RATE).integrated_loudness(sound) == pytest.approx(-17.5, abs=1.5)
    assert np.abs(sound).max() < CEILING


def test_the_limiter_leaves_what_is_soft_and_joins_without_a_jump() -> None:
    ramp = np.linspace(-4, 4, 80001, dtype=np.float32)[:, None]
    out = limited(ramp)
    soft = np.abs(ramp) <= KNEE
    assert np.array_equal(out[soft], ramp[soft])
    assert np.abs(out).max() <= CEILING + 1e-6
    steps = np.diff(out[:, 0])
    assert steps.min() >= 0
    assert steps.max() < 1.01e-4
    assert np.abs(np.diff(steps)).max() < 1e-6
    quiet = np.full((4, 2), 0.5, np.float32)
    assert limited(quiet) is quiet


def test_closing_fades_out(soundfont: Path) -> None:
    voices = Voices(soundfont, RATE)
    renderer = Renderer(Transport(Score(held())), voices, RATE)
    for _ in range(100):
        renderer.block(256)
    renderer.fading = True
    last = renderer.block(2000)
    assert np.abs(last[:200]).max() > 0.01
    assert not last[1440:].any()
    assert renderer.silent
    assert not renderer.block(64).any()
    voices.close()


def test_stop_silences_and_go_goes_on(soundfont: Path) -> None:
    voices = Voices(soundfont, RATE)
    renderer = Renderer(Transport(Score(clicks(2, 1, 240))), voices, RATE)
    renderer.asked.append("stop")
    sound = np.concatenate([renderer.block(256) for _ in range(4 * RATE // 256)])
    assert np.abs(sound[: RATE // 2]).max() > 0.05
    assert np.abs(sound[3 * RATE :]).max() < 0.002
    renderer.asked.append("stop")
    sound = np.concatenate([renderer.block(256) for _ in range(RATE // 4 // 256)])
    assert np.abs(sound).max() > 0.05
    voices.close()


def test_a_file_that_is_no_soundfont_is_told(tmp_path: Path) -> None:
    bad = tmp_path / "bad.sf2"
    bad.write_bytes(b"RIFF....")
    with pytest.raises(AudioError, match="cannot load this soundfont"):
        Voices(bad, RATE)
