"""What is said of a sound that is not as it should be."""

from __future__ import annotations

import struct
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from backing import pieces
from backing.events import Note, Stream
from backing.output import write
from backing.sound.audio import render
from backing.sound.remarks import lacking, lost, remarks
from soundfonts.presets import presets
from tests.backing.material import answered
from tests.conftest import wheel_soundfont

PIANO, BASS, ORGAN = 0, 33, 16  # General MIDI 1, from 0
KIT = (128, 0)


def said(stream: Stream, soundfont: Path) -> list[str]:
    with closing(render(stream, soundfont)) as done:
        list(done.mixes())
        return remarks(stream, done, soundfont)


def changed(path: Path, change: Callable[[bytearray, int], None], chunk: bytes) -> Path:
    """Write the wheel's soundfont with one chunk's body changed."""
    data = bytearray(wheel_soundfont().read_bytes())
    change(data, data.index(chunk))
    path.write_bytes(data)
    return path


@pytest.fixture(scope="module")
def piano_only(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A soundfont whose presets but the first lie in a bank that nobody asks for."""

    def move(data: bytearray, at: int) -> None:
        size = struct.unpack_from("<I", data, at + 4)[0]
        for place in range(at + 8, at + 8 + size - 38, 38):  # SoundFont 2.04, 7.2
            if struct.unpack_from("<HH", data, place + 20) != (PIANO, 0):
                struct.pack_into("<H", data, place + 22, 77)

    return changed(tmp_path_factory.mktemp("fonts") / "piano.sf2", move, b"phdr")


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A soundfont whose samples are all zero."""

    def clear(data: bytearray, at: int) -> None:
        size = struct.unpack_from("<I", data, at + 4)[0]
        data[at + 8 : at + 8 + size] = bytes(size)

    return changed(tmp_path_factory.mktemp("fonts") / "silent.sf2", clear, b"smpl")


def short(voice: str = "strings") -> Stream:
    stream = pieces.demo(answered(), form="turnaround-loop", choruses=1, tempo=200)
    return replace(stream, voice=voice)


def test_presets_are_those_of_general_midi() -> None:
    found = presets(wheel_soundfont())
    assert found is not None
    assert {(0, program) for program in range(128)} <= found  # General MIDI 1 has 128 sounds
    assert KIT in found


def test_an_ordinary_piece_needs_no_words() -> None:
    assert said(short(), wheel_soundfont()) == []


def test_presets_that_are_missing_are_named(piano_only: Path) -> None:
    (ours,) = lacking(short(), piano_only)
    assert "drums (a drum kit)" in ours
    assert "bass" not in ours
    assert "guitar" not in ours
    told = lacking(short("soundfont"), piano_only)
    assert len(told) == 1
    for part in (
        "drums (a drum kit)",
        f"bass (General MIDI {BASS + 1})",
        "guitar (General MIDI 28)",
    ):
        assert part in told[0]
    assert str(piano_only) in told[0]


def test_parts_that_are_silent_are_named(silent: Path) -> None:
    assert said(short(), silent)[0].startswith("nothing is heard of: drums;")
    told = said(short("soundfont"), silent)
    assert len(told) == 1
    assert told[0].startswith("nothing is heard of: drums and bass and comping and guitar;")


def test_a_file_without_presets_is_told(tmp_path: Path) -> None:
    path = tmp_path / "half.sf2"
    path.write_bytes(wheel_soundfont().read_bytes()[:100_000])
    assert presets(path) is None
    assert "may be damaged" in lacking(short(), path)[0]


def test_notes_that_nobody_hears_are_counted() -> None:
    stream = pieces.loop(answered(), seamless=True)
    assert lost(stream) == 0
    section = stream.sections[stream.window[0] if stream.window else 0]
    first = next(note for note in section.notes if note.voice.startswith("lead"))
    late = Note(first.voice, float(section.seconds) + 0.1, float(section.seconds) + 0.4, 60, 90)
    notes = (*section.notes, late)
    sections = tuple(replace(one, notes=notes) for one in stream.sections)
    assert lost(replace(stream, sections=sections)) == 1  # beyond the end
    twice = (first, *section.notes)
    sections = tuple(replace(one, notes=twice) for one in stream.sections)
    assert lost(replace(stream, sections=sections)) == 1  # where it begins already


def test_a_loudness_that_is_missed_is_said() -> None:
    stream = short()
    with closing(render(stream, wheel_soundfont())) as done:
        list(done.mixes())
        assert done.loudness == pytest.approx(-16, abs=0.5)
        assert 0.5 < done.peak < 10 ** (-1 / 20)
        done.loudness = -14.0
        assert remarks(stream, done, wheel_soundfont())[0].startswith("it comes out at -14.0 LUFS")
        done.loudness, done.peak = -16.0, 1.2
        assert remarks(stream, done, wheel_soundfont()) == ["its peaks reach +1.6 dBFS, over -1"]


def test_who_writes_is_told(silent: Path, tmp_path: Path) -> None:
    told: list[str] = []
    write(short(), tmp_path / "x.wav", silent, remark=told.append)
    assert any("nothing is heard of" in text for text in told)
