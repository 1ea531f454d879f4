from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from backing import audio, pieces
from backing.events import Stream
from backing.midi import midi_bytes
from backing.output import FORMATS, OutputError, check_outputs, write
from backing.synth import AudioError
from soundfonts import SoundfontError
from tests.backing.material import line


@cache
def _short() -> Stream:
    return pieces.loop(line("| 1 e8 2 ."), start=240, goal=240, each=1)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One stream in every format, written at once."""
    folder = tmp_path_factory.mktemp("written")
    paths = {suffix: folder / f"short{suffix}" for suffix in FORMATS}
    write(_short(), list(paths.values()))
    assert sorted(folder.iterdir()) == sorted(paths.values())
    return paths


@pytest.mark.parametrize("suffix", [".wav", ".flac", ".ogg", ".mp3"])
def test_every_audio_file_opens_at_its_length(written: dict[str, Path], suffix: str) -> None:
    sound, rate = soundfile.read(written[suffix])
    exact, _ = soundfile.read(written[".wav"])
    assert rate == 44100
    assert sound.shape[1] == 2
    # An encoder of MP3 pads to whole frames of 1152 and adds its own delay.
    slack = 4 * 1152 if suffix == ".mp3" else 0
    assert abs(len(sound) - len(exact)) <= slack
    assert len(exact) >= round(_short().seconds * 44100)
    assert 0.05 < np.abs(sound).max() <= 1.0


def test_flac_holds_the_samples_of_the_wav(written: dict[str, Path]) -> None:
    wav, _ = soundfile.read(written[".wav"], dtype="int16")
    flac, _ = soundfile.read(written[".flac"], dtype="int16")
    # libsndfile scales by 32768 for one and by 32767 for the other: one step of 16 bits.
    assert np.abs(wav.astype(int) - flac).max() <= 1
    assert soundfile.info(written[".wav"]).subtype == "PCM_16"


def test_the_midi_file_holds_the_stream(written: dict[str, Path]) -> None:
    assert written[".mid"].read_bytes() == midi_bytes(_short())


def test_a_suffix_may_be_in_capitals_and_a_path_may_be_text(tmp_path: Path) -> None:
    write(_short(), [str(tmp_path / "A.MID")])
    assert (tmp_path / "A.MID").read_bytes()[:4] == b"MThd"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("a.wva", r'a\.wva: "\.wva" is not a format; did you mean "\.wav"\?$'),
        ("a.midi", r'a\.midi: "\.midi" is not a format; did you mean "\.mid"\?$'),
        ("a", r'/a: "a" is not a format; it may be \.mid, \.wav, \.flac, \.ogg, \.mp3$'),
        ("no/a.wav", r"no/a\.wav: the folder .*/no does not exist; make it first$"),
        ("file/a.wav", r"file/a\.wav: .*/file is not a folder$"),
        ("folder.wav", r"folder\.wav: is a folder; name a file$"),
    ],
)
def test_a_path_that_cannot_be_written(tmp_path: Path, name: str, message: str) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    (tmp_path / "folder.wav").mkdir()
    before = sorted(tmp_path.iterdir())
    with pytest.raises(OutputError, match=message):
        write(_short(), [tmp_path / "good.mid", tmp_path / name])
    assert sorted(tmp_path.iterdir()) == before


def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "locked"
    folder.mkdir(mode=0o500)
    if os.access(folder, os.W_OK):
        pytest.skip("this user may write everywhere")
    with pytest.raises(OutputError, match=r"a\.mid: the folder .*/locked cannot be written to$"):
        check_outputs([folder / "a.mid"])


@pytest.mark.parametrize("again", ["a.mid", "x/../a.mid"])
def test_a_path_named_twice(tmp_path: Path, again: str) -> None:
    (tmp_path / "x").mkdir()
    with pytest.raises(OutputError, match=r"a\.mid: is named twice; name each file once$"):
        write(_short(), [tmp_path / "a.mid", tmp_path / again])
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


def test_a_write_that_fails_half_way_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []

    def broken(*_: object) -> Iterator[np.ndarray]:
        yield np.zeros((2, 100), np.float32)
        seen.append(len(list(tmp_path.iterdir())))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(audio, "render_blocks", broken)
    paths = [tmp_path / "a.wav", tmp_path / "b.ogg"]
    with pytest.raises(OutputError, match=r"\.\w+: cannot be written: No space left on device$"):
        write(_short(), paths)
    assert seen == [2]  # both drafts were there
    assert list(tmp_path.iterdir()) == []


def test_a_write_that_fails_keeps_the_file_that_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.mid"
    path.write_bytes(b"old")

    def full(self: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match=r"a\.mid: cannot be written: No space left on device$"):
        write(_short(), [path])
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_stopped_write_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object) -> Iterator[np.ndarray]:
        yield np.zeros((2, 100), np.float32)
        raise KeyboardInterrupt

    monkeypatch.setattr(audio, "render_blocks", stopped)
    with pytest.raises(KeyboardInterrupt):
        write(_short(), [tmp_path / "a.wav"])
    assert list(tmp_path.iterdir()) == []


def test_an_error_of_the_synthesiser_is_told_as_it_is(tmp_path: Path) -> None:
    fake = tmp_path / "fake.sf2"
    fake.write_bytes(b"RIFF\x08\x00\x00\x00sfbk" + b"\0" * 64)
    with pytest.raises(AudioError, match=r"^\S*fake\.sf2: FluidSynth cannot load this soundfont"):
        write(_short(), [tmp_path / "a.wav"], fake)
    assert list(tmp_path.iterdir()) == [fake]


def test_no_soundfont_writes_nothing(tmp_path: Path) -> None:
    with pytest.raises(SoundfontError, match=r"no\.sf2: there is no such soundfont"):
        write(_short(), [tmp_path / "a.mid", tmp_path / "a.wav"], tmp_path / "no.sf2")
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def _no_fluidsynth(monkeypatch: pytest.MonkeyPatch) -> None:
    # As on a machine without the C library: pyfluidsynth looks for it when it is imported.
    monkeypatch.delitem(sys.modules, "fluidsynth", raising=False)
    monkeypatch.setattr("ctypes.util.find_library", lambda name: None)
    monkeypatch.delenv("HOMEBREW_PREFIX", raising=False)


@pytest.mark.usefixtures("_no_fluidsynth")
@pytest.mark.parametrize(
    ("platform", "how"),
    [
        ("linux", r"sudo apt-get install libfluidsynth3"),
        ("darwin", r"brew install fluid-synth"),
        ("win32", r"choco install fluidsynth"),
    ],
)
def test_without_fluidsynth_the_message_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, platform: str, how: str
) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    message = rf"^no audio without the FluidSynth library; get it with: {how}.*MIDI .* works"
    with pytest.raises(AudioError, match=message):
        write(_short(), [tmp_path / "a.mid", tmp_path / "a.wav"])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("_no_fluidsynth")
def test_midi_needs_no_fluidsynth(tmp_path: Path) -> None:
    write(_short(), [tmp_path / "a.mid"])
    assert (tmp_path / "a.mid").read_bytes() == midi_bytes(_short())
