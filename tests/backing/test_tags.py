from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import soundfile

from backing import pieces
from backing.events import Stream
from backing.formats import FORMATS
from backing.output import write
from backing.tags import mark, markers, tag
from tests.backing.material import answered, line

AUDIO = [suffix for suffix in FORMATS if suffix != ".mid"]
ODD = "Grün & \"Blau\" \N{EN DASH} 🎸 <é> \\ 'x'"
PLACES = [(0, "Chorus 1"), (3, "Call"), (60, "ünï 🎸"), (99, "")]


@cache
def _stream() -> Stream:
    return pieces.demo(answered(), form="one-chord-vamp", choruses=1, tempo=150, key="C# minor")


def _chunks(data: bytes, start: int = 12) -> Iterator[tuple[bytes, bytes]]:
    """Walk the chunks of a RIFF: a name, a length, the body padded to an even length."""
    while start < len(data):
        name, size = struct.unpack_from("<4sI", data, start)
        assert start + 8 + size <= len(data)
        yield name, data[start + 8 : start + 8 + size]
        start += 8 + size + size % 2
    assert start == len(data)


def _marked(path: Path) -> list[tuple[int, str]]:
    """Return the markers of a WAV file by walking it."""
    data = path.read_bytes()
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WAVE"
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8
    chunks = dict(_chunks(data))
    cue, listed = chunks[b"cue "], chunks[b"LIST"]
    assert listed[:4] == b"adtl"
    (count,) = struct.unpack_from("<I", cue)
    assert len(cue) == 4 + 24 * count
    frames = {}
    for number in range(count):
        label, position, chunk, begins, block, offset = struct.unpack_from(
            "<II4sIII", cue, 4 + 24 * number
        )
        assert (chunk, begins, block) == (b"data", 0, 0)
        assert position == offset
        frames[label] = offset
    names = {}
    for name, body in _chunks(listed, 4):
        assert name == b"labl"
        assert body[-1:] == b"\0"
        names[struct.unpack_from("<I", body)[0]] = body[4:-1].decode("utf-8")
    assert list(frames) == list(names)
    return [(frames[label], names[label]) for label in frames]


def _wav(path: Path, data: bytes = b"\1\2" * 100, frame: int = 2) -> Path:
    """Write a WAV file of one channel by hand, its data not padded."""
    head = struct.pack("<HHIIHH", 1, 1, 8000, 8000 * frame, frame, 8 * frame)
    body = b"WAVEfmt \x10\0\0\0" + head + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


def test_markers_are_the_labels_at_their_frames() -> None:
    stream = _stream()
    # A bar of count-in and four bars, each of four beats, at 150 beats a minute; the call is
    # in the first bar and the response in the third.
    bar = 4 * 60 / 150
    for rate in (44100, 48000):
        found = markers(stream, rate)
        assert found == sorted(found, key=lambda pair: pair[0])
        places = {name: frame / rate for frame, name in found}
        assert places["Chorus 1"] == pytest.approx(bar, abs=1e-4)
        assert places["Call"] == pytest.approx(bar, abs=1e-4)
        assert places["Response"] == pytest.approx(3 * bar, abs=1e-4)
        assert places["End"] == pytest.approx(5 * bar, abs=1e-4)


def test_a_loop_has_a_marker_at_each_pass() -> None:
    stream = pieces.loop(line("| 1 e8 2 ."), start=60, goal=120, step=60, each=1)
    starts = [round(section.start * 44100) for section in stream.sections[1:]]
    passes = [frame for frame, name in markers(stream, 44100) if name.startswith("Pass")]
    assert passes == starts


@pytest.mark.parametrize("size", [200, 201])
def test_markers_are_read_back(tmp_path: Path, size: int) -> None:
    path = _wav(tmp_path / "a.wav", b"\x81" * size, 1)
    mark(path, PLACES)
    assert _marked(path) == PLACES
    sound, _ = soundfile.read(path, dtype="int16")
    assert len(sound) == size
    assert len(set(sound.tolist())) == 1  # the byte that pads is no frame


def test_odd_data_that_is_padded_already_is_not_padded_twice(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.full(201, 0.5), 8000, subtype="PCM_U8")
    mark(path, PLACES)
    assert _marked(path) == PLACES


def test_no_markers_are_none(tmp_path: Path) -> None:
    path = _wav(tmp_path / "a.wav")
    mark(path, [])
    assert _marked(path) == []


def test_libsndfile_reads_the_same_markers(tmp_path: Path) -> None:
    path = _wav(tmp_path / "a.wav")
    mark(path, PLACES[:2])
    told = soundfile.info(path).extra_info
    assert re.findall(r"Cue ID : +\d+ +Pos : +(\d+) ", told) == ["0", "3"]
    assert re.findall(r"labl : \d+ : (.+)", told) == ["Chorus 1", "Call"]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a piece of an odd title in every format, and its stems."""
    folder = tmp_path_factory.mktemp("tagged")
    stream = replace(_stream(), title=ODD)
    write(stream, [folder / f"a{suffix}" for suffix in AUDIO], stems=folder / "stems")
    return folder


def test_a_written_wav_and_its_stems_carry_the_markers(written: Path) -> None:
    for path in (written / "a.wav", written / "stems" / "drums.wav"):
        assert _marked(path) == markers(_stream(), 48000)  # there is an Opus file too
        told = soundfile.info(path).extra_info
        assert re.findall(r"Cue ID : +\d+ +Pos : +(\d+) ", told) == [
            str(frame) for frame, _ in markers(_stream(), 48000)
        ]
        assert "*** data" not in told


def _told(path: Path) -> tuple[str, str, str]:
    """Return title, key and tempo as mutagen reads them."""
    tags: Any = mutagen.File(path).tags
    if path.suffix in (".wav", ".mp3"):
        return str(tags["TIT2"]), str(tags["TKEY"]), str(tags["TBPM"])
    (title,), (key,), (tempo,) = tags["title"], tags["initialkey"], tags["bpm"]
    return title, key, tempo


@pytest.mark.parametrize("suffix", AUDIO)
def test_tags_are_read_back(written: Path, suffix: str) -> None:
    # ID3v2.4: the key is the note, an accidental, and m where it is minor.
    key = "C#m" if suffix in (".wav", ".mp3") else "C# minor"
    assert _told(written / f"a{suffix}") == (ODD, key, "150")


def test_stems_are_tagged_too(written: Path) -> None:
    assert _told(written / "stems" / "mix.wav") == (ODD, "C#m", "150")


@pytest.mark.parametrize("suffix", AUDIO)
def test_a_tagged_file_sounds_as_it_did(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a{suffix}"
    found = FORMATS[suffix]
    sine = 0.3 * np.sin(np.arange(48000) / 20)
    soundfile.write(
        path, np.stack([sine, sine], axis=1), 48000, found.subtypes[16], format=found.container
    )
    before, _ = soundfile.read(path)
    if suffix == ".wav":
        mark(path, PLACES)
    tag(path, "Title", "Bb", 92.5)
    after, _ = soundfile.read(path)
    assert after.tobytes() == before.tobytes()
    # ID3v2.4 has whole beats a minute; Vorbis comments are free.
    assert _told(path) == ("Title", "Bb", "92" if suffix in (".wav", ".mp3") else "92.5")


@pytest.mark.parametrize("suffix", [".ogg", ".opus", ".flac"])
def test_a_title_of_any_length_fits(tmp_path: Path, suffix: str) -> None:
    path, found = tmp_path / f"a{suffix}", FORMATS[suffix]
    soundfile.write(path, np.zeros((48000, 2)), 48000, found.subtypes[16], format=found.container)
    tag(path, "x" * 70_000, "A", 60)  # an Ogg page holds 255 times 255 bytes
    assert _told(path) == ("x" * 70_000, "A", "60")
    assert soundfile.info(path).frames == 48000


def test_a_capital_suffix_is_tagged_too(tmp_path: Path) -> None:
    write(_stream(), tmp_path / "A.FLAC")
    assert mutagen.File(tmp_path / "A.FLAC").tags["title"] == [_stream().title]


@pytest.mark.parametrize(("start", "told"), [(60, "60"), (82.5, "82.5")])
def test_the_tempo_is_that_of_the_first_music(tmp_path: Path, start: float, told: str) -> None:
    stream = pieces.loop(line("| 1 e8 2 ."), start=start, goal=240, step=200, each=1)
    write(stream, tmp_path / "a.flac")
    assert _told(tmp_path / "a.flac")[2] == told
