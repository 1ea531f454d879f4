"""`-o` writes over what this program made, and over nothing else unasked.

Who made a file its own tag says: ID3v2.4 TSSE, a Vorbis comment's ENCODER, a MIDI text event
(RP-001), a PDF's author, MusicXML's software. Refusing the rest is common practice.
"""

from __future__ import annotations

from pathlib import Path

import mido
import mutagen
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from backing import pieces
from backing.cli import main
from backing.output import write
from backing.recording.growing import Growing
from phrases.replacing import MADE, ReplaceError, made_here

SHORT = ["track", "--form", "turnaround-loop", "--choruses", "1", "--tempo", "130"]
SHEET = ["sheet", "lamp-oil"]
SOUNDS = [".wav", ".flac", ".ogg", ".mp3", ".opus", ".mid"]
PAPERS = [".pdf", ".svg", ".musicxml"]


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    for words, suffixes in ((SHORT, SOUNDS), (SHEET, PAPERS)):
        outputs = [word for suffix in suffixes for word in ("-o", folder / f"a{suffix}")]
        assert run(*words, *outputs).exit_code == 0
    return folder


def test_own_tags_are_where_others_read_them(made: Path) -> None:
    for suffix in (".wav", ".mp3"):
        assert str(mutagen.File(made / f"a{suffix}").tags["TSSE"]) == MADE
    for suffix in (".flac", ".ogg", ".opus"):
        assert mutagen.File(made / f"a{suffix}").tags["encoder"] == [MADE]
    texts = [m.text for m in mido.MidiFile(made / "a.mid").tracks[0] if m.type == "text"]
    assert texts == [MADE]


@pytest.mark.parametrize("suffix", [*SOUNDS, *PAPERS])
def test_what_was_made_here_is_written_over(made: Path, suffix: str) -> None:
    path = made / f"a{suffix}"
    assert made_here(path)
    assert run(*(SHORT if suffix in SOUNDS else SHEET), "-o", path).exit_code == 0


@pytest.mark.parametrize("suffix", [*SOUNDS, *PAPERS, ".txt"])
def test_what_was_not_needs_to_be_forced(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"a{suffix}"
    path.write_bytes(b"years of work")
    words: list[str | Path] = [*(SHORT if suffix in SOUNDS else SHEET), "-o", path]
    refused = run(*words)
    assert refused.exit_code == 1
    assert f"{path}: is there already; choose another name, or write over it" in refused.stderr
    assert path.read_bytes() == b"years of work"
    if suffix not in (".wav", ".mp3", ".flac", ".ogg", ".opus"):  # one sound stands for all
        assert run(*words, "--force").exit_code == 0
        assert path.read_bytes() != b"years of work"


def test_one_file_that_may_not_go_keeps_all(tmp_path: Path) -> None:
    (tmp_path / "b.mid").write_bytes(b"mine")
    assert run(*SHORT, "-o", tmp_path / "a.mid", "-o", tmp_path / "b.mid").exit_code == 1
    assert [path.name for path in tmp_path.iterdir()] == ["b.mid"]


def test_a_take_needs_to_be_forced_always(tmp_path: Path) -> None:
    take = Growing(tmp_path / "take.wav", 44100, 2)
    take.write(np.zeros((100, 2), np.float32))
    take.close()
    with pytest.raises(ReplaceError, match=r"take\.wav: is there already"):
        write(pieces.track(choruses=1), tmp_path / "take.wav")
    assert soundfile.info(tmp_path / "take.wav").frames == 100


def test_stems_are_no_exception(tmp_path: Path) -> None:
    (tmp_path / "bass.wav").write_bytes(b"mine")
    refused = run(*SHORT, "--stems", tmp_path)
    assert refused.exit_code == 1
    assert "bass.wav: is there already" in refused.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["bass.wav"]


def test_what_is_no_file_is_never_written_over(tmp_path: Path) -> None:
    import os

    path = tmp_path / "a.mid"
    os.mkfifo(path)
    for force in ((), ("--force",)):
        refused = run(*SHORT, "-o", path, *force)
        assert refused.exit_code == 1
        assert "is not a file" in refused.stderr
    assert path.is_fifo()


@pytest.mark.parametrize("words", [SHORT, SHEET])
def test_force_without_a_file_changes_nothing_and_is_refused(words: list[str]) -> None:
    refused = run(*words, "--force")
    assert refused.exit_code == 2
    assert "--force is for files; name one with -o" in refused.stderr
