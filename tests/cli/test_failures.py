"""A failure that nobody foresaw: what is said, and what the report holds."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import mido
import pytest
from click.testing import CliRunner

import backing
from backing.cli import main
from phrases.failures import RAISED

PHRASE = 'title = "x"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = \'| 1 e8\'\n'


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A MIDI library that fails, and where reports go."""

    def fail(*_: Any, **__: Any) -> None:
        mido.Message("note_on", channel=99)  # which mido refuses

    monkeypatch.delenv(RAISED)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr("backing.output.beside", fail)
    (tmp_path / "x.toml").write_text(PHRASE)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "state"


def test_from_python_it_is_an_error_of_this_program_too(broken: Path) -> None:
    with pytest.raises(backing.BluesError, match=r"^backing\.write: mido: ValueError: ") as found:
        backing.write(backing.track(choruses=1), "x.mid")
    assert isinstance(found.value.__cause__, ValueError)
    assert list(broken.rglob("report-*.txt"))


def test_a_library_s_failure_has_a_name_a_file_and_a_report(broken: Path) -> None:
    done = CliRunner().invoke(main, ["demo", "x.toml", "-o", "x.mid"])
    assert done.exit_code == 1
    assert "Traceback" not in done.output
    found = re.search(
        r"Error: x\.toml: mido: ValueError: .*channel.* (/\S+) says more", done.output
    )
    assert found, done.output
    report = Path(found[1])
    assert report.is_relative_to(broken)
    text = report.read_text(encoding="utf-8")
    assert "Traceback" in text
    assert re.search(r"^mido \d", text, re.MULTILINE)
    assert not Path("x.mid").exists()


def test_without_a_place_for_it_there_is_no_report(
    broken: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/dev/null/no")
    monkeypatch.setattr("tempfile.gettempdir", lambda: "/dev/null/no")
    done = CliRunner().invoke(main, ["demo", "x.toml", "-o", "x.mid"])
    assert done.exit_code == 1
    assert done.output.rstrip().endswith("This is a fault of the program, not yours")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full")
@pytest.mark.parametrize("word", ["--version", "--help"])
def test_words_that_find_no_room_are_no_traceback(word: str) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "backing.cli", word], stdout=full, stderr=subprocess.PIPE,
            text=True, check=False,
        )  # fmt: skip
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert "No space left on device" in done.stderr
