from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from backing import audio, pieces
from backing.audio import LAST_RING, RATE, frame_of, render, render_blocks
from backing.band import count_in
from backing.events import Note, Section, Stream
from backing.mix import Sound
from backing.synth import synthesise
from backing.tempo import Clock
from phrases.counting import METERS
from phrases.pitch import Key
from tests.backing.material import answered, line
from tests.conftest import wheel_soundfont

FONT = wheel_soundfont()
PROGRAMS = {"lead": 27, "bass": 33, "comp": 16, "drums": 0}


def _stream(*rows: tuple[Note, ...], beats: int = 4, tempo: int = 60) -> Stream:
    length = Fraction(60, tempo) * beats
    sections = tuple(
        Section(
            str(n), n * length, length, Fraction(n * beats), Fraction(beats), Fraction(tempo),
            1.0, notes,
        )
        for n, notes in enumerate(rows)
    )  # fmt: skip
    return Stream("Made up", Key("A"), METERS["4/4"], 1, sections, PROGRAMS)


@cache
def _loop() -> tuple[Stream, Sound]:
    stream = pieces.loop(line("4 e5 | 1 e8 2 B8b(full) 3 ."), start=240, goal=240, each=11)
    return stream, render(stream, FONT)


def test_the_same_stream_is_the_same_samples() -> None:
    stream, sound = _loop()
    assert render(stream, FONT).tobytes() == sound.tobytes()
    assert np.abs(sound).max() > 0.05


def test_two_processes_write_the_same_bytes(tmp_path: Path) -> None:
    code = (
        "import sys, backing; backing.write(backing.track(choruses=1, tempo=240), [sys.argv[1]])"
    )
    made = []
    for number in range(2):
        path = tmp_path / f"{number}.wav"
        subprocess.run([sys.executable, "-c", code, str(path)], check=True)
        made.append(path.read_bytes())
    assert made[0] == made[1]
    assert len(made[0]) > 100_000


def _onset(sound: Sound) -> int:
    """Return the first frame over a tenth of the peak."""
    level = np.abs(sound).max(axis=0)
    return int(np.argmax(level > 0.1 * level.max()))


def test_the_sticks_of_a_count_in_sound_on_their_beats() -> None:
    tempo = 103
    clock = Clock(Fraction(tempo), 1.0)
    notes = tuple(count_in(2, 4, clock.seconds))
    sound = render(_stream(notes, notes, beats=8, tempo=tempo), FONT)
    attack = _onset(render(_stream(notes[:1]), FONT)[:, : RATE // 4])
    worst = 0.0
    for beat in range(16):
        intended = beat * 60 / tempo * RATE
        start = max(0, round(intended) - RATE // 50)
        found = start + _onset(sound[:, start : start + RATE // 8])
        worst = max(worst, abs(found - attack - intended))
    # What is wanted is 1.5 ms and a block of 64 frames; the nearest block is half of one.
    assert worst <= 0.0015 * RATE + 64
    assert worst <= 36


def test_sections_start_on_their_frames_however_many_there_are() -> None:
    stick = (Note("drums", 0.0, 0.06, 37, 100),)
    stream = _stream(*[stick] * 40, beats=1, tempo=97)
    sound = render(stream, FONT)
    attack = _onset(sound[:, : RATE // 4])
    for section in stream.sections:
        exact = section.start * RATE
        assert frame_of(section) == round(exact)
        start = max(0, frame_of(section) - RATE // 50)
        found = start + _onset(sound[:, start : start + RATE // 8])
        assert abs(found - attack - exact) <= 2


def test_equal_passes_are_equal_samples_where_nothing_rings_over() -> None:
    notes = (Note("drums", 0.0, 0.06, 37, 100), Note("lead G", 0.5, 1.0, 67, 90))
    stream = _stream(notes, notes, notes, beats=8)
    sound = render(stream, FONT)
    first, second = (sound[:, n * 8 * RATE : (n + 1) * 8 * RATE] for n in (0, 1))
    assert first.tobytes() == second.tobytes()


def test_what_rings_over_is_laid_over_the_next_pass() -> None:
    stick = Note("drums", 0.0, 0.06, 37, 100)
    late = Note("lead G", 3.8, 3.95, 67, 90)
    both, one = _stream((stick, late), (stick,)), _stream((stick, late), ())
    alone = render(_stream((stick,)), FONT)
    sound, ringing = render(both, FONT), render(one, FONT)
    start, frames = 4 * RATE, RATE // 2
    assert np.abs(ringing[:, start : start + frames]).max() > 0.001
    np.testing.assert_allclose(
        sound[:, start : start + frames],
        ringing[:, start : start + frames] + alone[:, :frames],
        atol=1e-5,
    )


def test_the_passes_of_a_loop_repeat_to_the_sample() -> None:
    stream, sound = _loop()
    starts = [frame_of(section) for section in stream.sections]
    passes = [sound[:, a:b] for a, b in pairwise(starts[9:12])]
    assert passes[0].shape == passes[1].shape
    # Both follow more passes than a cymbal rings, so the same rings into them.
    np.testing.assert_allclose(passes[0], passes[1], atol=1e-5)


def test_equal_sections_are_rendered_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def counted(notes: tuple[Note, ...], *rest: object) -> object:
        made.append(notes)
        return synthesise(notes, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(audio, "synthesise", counted)
    stick = Note("drums", 0.0, 0.06, 37, 100)
    render(_stream((stick,), (stick,), (replace(stick, pitch=38),), (stick,)), FONT)
    assert len(made) == 2


@pytest.mark.parametrize("groove", ["shuffle", "slow-blues"])
def test_the_peak_stays_below_full_scale(groove: str) -> None:
    stream = pieces.demo(replace(answered(), groove=groove), choruses=1, tempo=120)
    sound = render(stream, FONT)
    peak = float(np.abs(sound).max())
    assert 0.1 < peak < 1.0
    frames = round(stream.seconds * RATE)
    assert frames <= sound.shape[1] <= frames + round(LAST_RING * RATE)
    assert sound.dtype == np.float32


def test_the_end_is_silent() -> None:
    _, sound = _loop()
    assert np.abs(sound[:, -64:]).max() < 0.001


def test_progress_is_told_in_seconds() -> None:
    stick = (Note("drums", 0.0, 0.06, 37, 100),)
    told: list[float] = []
    blocks = list(render_blocks(_stream(stick, stick), FONT, RATE, told.append))
    assert told == [4.0, 8.0]
    assert blocks[0].shape[1] == 4 * RATE


def test_another_rate_is_as_long() -> None:
    stick = (Note("drums", 0.0, 0.06, 37, 100),)
    sound = render(_stream(stick, beats=1), FONT, 22050)
    assert 22050 <= sound.shape[1] <= 22050 * (1 + LAST_RING)
