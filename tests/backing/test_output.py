from __future__ import annotations

import os
import sys
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

import mutagen
import mutagen.oggopus
import numpy as np
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

from backing import pieces
from backing.events import Stream
from backing.formats import FORMATS
from backing.grooves import find_groove, groove_names
from backing.midi import midi_bytes
from backing.output import OutputError, check_outputs, check_rate, write
from backing.sound import spool
from backing.sound.audio import Rendered
from backing.sound.fluid import AudioError
from phrases.errors import RangeError
from soundfonts import SoundfontError
from tests.backing.material import answered, line
from tests.hard.material import in_turn, some

EXAMPLE = Path(__file__).parents[2] / "examples" / "porch-light.toml"
AUDIO = [suffix for suffix in FORMATS if suffix != ".mid"]
LOSSY = [".ogg", ".opus", ".mp3"]

Samples = NDArray[np.float64]


@cache
def _short() -> Stream:
    return pieces.loop(line("| 1 e8 2 ."), start=240, goal=240, each=1)


@cache
def _demo() -> Stream:
    return pieces.demo(answered(), form="one-chord-vamp", choruses=1, tempo=150)


@dataclass(frozen=True)
class _Written:
    folder: Path
    files: list[Path]

    def __getitem__(self, suffix: str) -> Path:
        return self.folder / f"demo{suffix}"

    def stem(self, name: str) -> Samples:
        sound, _ = soundfile.read(self.folder / "stems" / f"{name}.wav")
        return np.asarray(sound)


def _write(folder: Path, *suffixes: str, **more: Any) -> _Written:
    files = write(_demo(), [folder / f"demo{suffix}" for suffix in suffixes], **more)
    return _Written(folder, files)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> _Written:
    """One demo in every format that may have 44100 frames a second, written at once."""
    folder = tmp_path_factory.mktemp("written")
    return _write(folder, ".mid", ".wav", ".flac", ".ogg", ".mp3", rate=None)


@pytest.fixture(scope="module")
def fine(tmp_path_factory: pytest.TempPathFactory) -> _Written:
    """The same at 48000 frames a second and 24 bits, with stems."""
    folder = tmp_path_factory.mktemp("fine")
    stems = folder / "stems"
    return _write(folder, ".wav", ".flac", ".opus", rate=48000, bits=24, stems=stems)


def _loudness(sound: Samples, rate: int) -> float:
    meter = pyloudnorm.Meter(rate, "DeMan")  # the filters of ITU-R BS.1770
    return float(meter.integrated_loudness(sound))


def _peak(sound: Samples) -> float:
    """Return the true peak in dBTP, by scipy's polyphase resampling to four times the rate."""
    return float(20 * np.log10(np.abs(resample_poly(sound, 4, 1, axis=0)).max()))


def test_nothing_else_is_written(written: _Written, fine: _Written) -> None:
    assert written.files == [written[s] for s in (".mid", ".wav", ".flac", ".ogg", ".mp3")]
    assert sorted(written.folder.iterdir()) == sorted(written.files)
    found = sorted(path for path in fine.folder.rglob("*") if path.is_file())
    assert found == sorted(fine.files)


@pytest.mark.parametrize("suffix", AUDIO)
def test_every_audio_file_opens_at_its_length(
    written: _Written, fine: _Written, suffix: str
) -> None:
    here = fine if suffix == ".opus" else written
    sound, rate = soundfile.read(here[suffix])
    exact, exact_rate = soundfile.read(here[".wav"])
    assert rate == exact_rate == (48000 if suffix == ".opus" else 44100)
    assert sound.shape[1] == 2
    # An encoder of MP3 pads to whole frames of 1152 and adds its own delay.
    slack = 4 * 1152 if suffix == ".mp3" else 0
    assert abs(len(sound) - len(exact)) <= slack
    assert len(exact) >= round(_demo().seconds * rate)


@pytest.mark.parametrize("suffix", LOSSY)
def test_lossy_files_decode_to_the_same_loudness_and_keep_under_the_peak(
    written: _Written, fine: _Written, suffix: str
) -> None:
    sound, rate = soundfile.read((fine if suffix == ".opus" else written)[suffix])
    assert _loudness(sound, rate) == pytest.approx(-16.0, abs=0.5)
    assert _peak(sound) <= -1.0


def test_flac_holds_the_samples_of_the_wav(written: _Written) -> None:
    wav, _ = soundfile.read(written[".wav"], dtype="int16")
    flac, _ = soundfile.read(written[".flac"], dtype="int16")
    # libsndfile scales by 32768 for one and by 32767 for the other: one step of 16 bits.
    assert np.abs(wav.astype(int) - flac).max() <= 1


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_rate_and_bits_are_those_asked_for(written: _Written, fine: _Written, suffix: str) -> None:
    usual, better = soundfile.info(written[suffix]), soundfile.info(fine[suffix])
    assert (usual.samplerate, usual.subtype) == (44100, "PCM_16")
    assert (better.samplerate, better.subtype) == (48000, "PCM_24")
    # What 24 bits hold of it, 16 do not: the lowest byte is in use.
    samples, _ = soundfile.read(fine[suffix], dtype="int32")
    assert (samples % (1 << 16)).any()
    assert not (samples % (1 << 8)).any()


def test_opus_alone_sets_the_rate(tmp_path: Path) -> None:
    write(_short(), [tmp_path / "a.opus", tmp_path / "a.wav"])
    assert soundfile.info(tmp_path / "a.wav").samplerate == 48000
    assert isinstance(mutagen.File(tmp_path / "a.opus"), mutagen.oggopus.OggOpus)


STEMS = ["drums", "bass", "comp", "lead", "room"]


def test_stems_are_a_float_file_of_each_part_and_of_the_room(fine: _Written) -> None:
    folder = fine.folder / "stems"
    assert fine.files[3:] == [folder / f"{name}.wav" for name in [*STEMS, "mix"]]
    whole = soundfile.info(fine[".wav"])
    for path in fine.files[3:]:
        info = soundfile.info(path)
        assert (info.subtype, info.samplerate, info.channels) == ("FLOAT", 48000, 2)
        assert info.frames == whole.frames
        assert np.abs(fine.stem(path.stem)).max() > 0.001


def test_stems_add_up_to_their_mix(fine: _Written) -> None:
    rest = sum(fine.stem(name) for name in STEMS) - fine.stem("mix")
    assert 20 * np.log10(np.abs(rest).max() + 1e-12) < -90


def test_the_output_is_the_mix_of_the_stems_under_one_gain(fine: _Written) -> None:
    mix = fine.stem("mix")
    sound, _ = soundfile.read(fine[".wav"])
    heard = np.abs(mix) > 0.02
    gains = np.where(heard, sound / np.where(heard, mix, 1.0), np.nan)
    assert np.nanmax(gains) <= 1.0001
    assert 0.2 < np.nanmin(gains) < 0.95  # the limiter had something to do
    both = heard.all(axis=1)
    np.testing.assert_allclose(gains[both, 0], gains[both, 1], atol=1e-4)
    # A gain that fell by all it has in 10 ms would move by 0.002 a frame.
    steps = np.abs(np.diff(gains, axis=0))
    assert np.nanmax(steps) < 0.008


def test_a_stem_for_each_part_that_plays(tmp_path: Path) -> None:
    stream = pieces.track(
        form="one-chord-vamp", choruses=1, tempo=240, count_in=0, without=["comp"]
    )
    made = write(stream, [], stems=str(tmp_path / "new" / "stems"))
    assert [path.name for path in made] == ["drums.wav", "bass.wav", "room.wav", "mix.wav"]
    assert all(path.is_file() for path in made)


@pytest.mark.parametrize(("groove", "phrase"), some(in_turn(groove_names(), [None, EXAMPLE]), 8))
def test_every_groove_is_written_at_one_loudness_under_the_peak(
    tmp_path: Path, groove: str, phrase: Path | None
) -> None:
    setting: dict[str, Any] = {
        "groove": groove,
        "form": "one-chord-vamp",
        "choruses": 1,
        "tempo": max(120, find_groove(groove).tempos[2]),
    }
    stream = pieces.track(**setting) if phrase is None else pieces.demo(phrase, **setting)
    write(stream, tmp_path / "a.wav")
    sound, rate = soundfile.read(tmp_path / "a.wav")
    assert _loudness(sound, rate) == pytest.approx(-16.0, abs=0.5)
    assert _peak(sound) <= -1.0


def test_the_same_stream_is_the_same_bytes_in_another_second(
    fine: _Written, tmp_path: Path
) -> None:
    while int(time.time()) == int(fine[".wav"].stat().st_mtime):
        time.sleep(0.05)
    again = _write(tmp_path, ".wav", ".flac", rate=48000, bits=24, stems=tmp_path / "stems")
    different = [
        path.name
        for path in again.files
        if path.read_bytes() != (fine.folder / path.relative_to(tmp_path)).read_bytes()
    ]
    assert different == []


def test_the_midi_file_holds_the_stream(written: _Written) -> None:
    assert written[".mid"].read_bytes() == midi_bytes(_demo())


def test_a_suffix_may_be_in_capitals_and_a_path_may_be_text(tmp_path: Path) -> None:
    write(_short(), [str(tmp_path / "A.MID")])
    assert (tmp_path / "A.MID").read_bytes()[:4] == b"MThd"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("a.wva", r'a\.wva: "\.wva" is not a format; did you mean "\.wav"\?$'),
        ("a.midi", r'a\.midi: "\.midi" is not a format; did you mean "\.mid"\?$'),
        ("a", r'/a: "a" is not a format; it may be \.mid, \.wav, \.flac, \.ogg, \.opus, \.mp3$'),
        ("no/a.wav", r"no/a\.wav: the folder .*/no does not exist; make it first$"),
        ("file/a.wav", r"file/a\.wav: .*/file is not a folder; name one that is there$"),
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
    with pytest.raises(OutputError, match=r"a\.mid: .*/locked may only be read; choose an"):
        check_outputs([folder / "a.mid"])


@pytest.mark.parametrize("again", ["a.mid", "x/../a.mid"])
def test_a_path_named_twice(tmp_path: Path, again: str) -> None:
    (tmp_path / "x").mkdir()
    with pytest.raises(OutputError, match=r"a\.mid: is named twice; name each file once$"):
        write(_short(), [tmp_path / "a.mid", tmp_path / again])
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


FULL = OSError(28, "No space left on device")


def test_a_write_that_fails_half_way_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []

    def broken(self: Rendered, bits: int | None) -> Any:
        yield np.zeros((100, 2), np.float32)
        seen.append(len(list(tmp_path.glob(".backing-*.[wo]*"))))
        raise FULL

    monkeypatch.setattr(Rendered, "measure", lambda self: None)
    monkeypatch.setattr(Rendered, "mixes", broken)
    paths = [tmp_path / "a.wav", tmp_path / "b.ogg"]
    with pytest.raises(
        OutputError,
        match=r"\.\w+: cannot be written: the disk is full; make room or choose another folder$",
    ):
        write(_short(), paths)
    assert seen == [2]  # both drafts were there
    assert list(tmp_path.iterdir()) == []


def test_a_sound_file_that_cannot_be_written_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: soundfile.SoundFile, data: object) -> None:
        raise soundfile.LibsndfileError(2)  # SF_ERR_SYSTEM, as on a full disk

    monkeypatch.setattr(soundfile.SoundFile, "write", full)
    with pytest.raises(OutputError, match=r"/a\.wav: cannot be written: "):
        write(_short(), [tmp_path / "a.wav"], stems=tmp_path / "stems")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("where", ["mark", "tag"])
def test_tags_that_cannot_be_written_leave_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    def full(*_: object) -> None:
        raise FULL

    monkeypatch.setattr(f"backing.tags.{where}", full)
    with pytest.raises(
        OutputError, match=r"/a\.wav: cannot be written: the disk is full; make room"
    ):
        write(_short(), [tmp_path / "a.wav"])
    assert list(tmp_path.iterdir()) == []


class _FullDisk:
    """A temporary file on a disk with no room."""

    def __init__(self, **rest: Any) -> None:
        self.file = TemporaryFile(**rest)  # noqa: SIM115
        OPEN.append(self.file)

    def seek(self, place: int) -> int:
        return int(self.file.seek(place))

    def write(self, data: bytes) -> int:
        raise FULL

    def close(self) -> None:
        self.file.close()


OPEN: list[Any] = []


def test_no_room_to_render_is_said_and_the_temporary_file_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    OPEN.clear()
    monkeypatch.setattr(spool, "IN_MEMORY", 1000)
    monkeypatch.setattr(spool, "TemporaryFile", _FullDisk)
    message = (
        rf"^{tmp_path}: no room to render: the disk is full; make room or choose another folder$"
    )
    with pytest.raises(OutputError, match=message):
        write(_short(), [tmp_path / "a.wav", tmp_path / "a.mid"])
    assert [file.closed for file in OPEN] == [True]
    assert list(tmp_path.iterdir()) == []


def test_the_temporary_file_lies_beside_the_output_and_is_gone_afterwards(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    OPEN.clear()

    def made(**rest: Any) -> Any:
        assert rest["dir"] == tmp_path
        OPEN.append(TemporaryFile(**rest))  # noqa: SIM115
        return OPEN[-1]

    monkeypatch.setattr(spool, "IN_MEMORY", 1000)
    monkeypatch.setattr(spool, "TemporaryFile", made)
    write(_short(), [tmp_path / "a.wav"])
    assert [file.closed for file in OPEN] == [True]
    assert [path.name for path in tmp_path.iterdir()] == ["a.wav"]


def test_a_write_that_fails_keeps_the_file_that_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.mid"
    path.write_bytes(b"old")

    def full(self: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(
        OutputError,
        match=r"a\.mid: cannot be written: the disk is full; make room or choose another folder$",
    ):
        write(_short(), [path], force=True)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_stopped_write_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(self: Rendered, bits: int | None) -> Any:
        yield np.zeros((100, 2), np.float32)
        raise KeyboardInterrupt

    monkeypatch.setattr(Rendered, "mixes", stopped)
    monkeypatch.setattr(Rendered, "measure", lambda self: None)
    with pytest.raises(KeyboardInterrupt):
        write(_short(), [tmp_path / "a.wav"])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "rate", "bits", "message"),
    [
        ("a.wav", 22050, 16, r"^rate 22050: it must be 44100 or 48000$"),
        ("a.wav", 44100, 20, r"^20 bits: it must be 16 or 24$"),
        ("a.opus", 44100, 16, r"a\.opus: Opus has 48000 frames a second; leave out the rate$"),
    ],
)
def test_a_rate_or_bits_that_there_are_not(
    tmp_path: Path, name: str, rate: int, bits: int, message: str
) -> None:
    with pytest.raises(RangeError, match=message):
        write(_short(), [tmp_path / "a.mid", tmp_path / name], rate=rate, bits=bits)
    assert list(tmp_path.iterdir()) == []


def test_the_rate_is_that_of_cds_or_of_opus_unless_it_is_asked_for() -> None:
    assert check_rate([Path("a.wav")], None) == 44100
    assert check_rate([Path("a.wav"), Path("a.OPUS")], None) == 48000
    assert check_rate([Path("a.opus")], 48000) == 48000
    assert check_rate([Path("a.wav")], 48000) == 48000


def test_a_folder_of_stems_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    for name, why in (
        ("file", "is not a folder; name one for the stems$"),
        ("file/stems", r"the folder cannot be made: \w"),
    ):
        with pytest.raises(OutputError, match=rf"{name}: {why}"):
            write(_short(), [tmp_path / "a.mid"], stems=tmp_path / name)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_stem_may_not_be_an_output_too(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"mix\.wav: is named twice; name each file once$"):
        write(_short(), [tmp_path / "mix.wav"], stems=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_stems_that_are_not_written_leave_no_folder(tmp_path: Path) -> None:
    with pytest.raises(SoundfontError):
        write(_short(), [], tmp_path / "no.sf2", stems=tmp_path / "stems")
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
    monkeypatch.setattr("backing.sound.fluid.USUAL", "libnone.so")
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
