"""The commands `lesson` and `new` as a teacher types them."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from backing.cli import main
from backing.cli.lesson_command import _progress
from backing.lesson.make import Result as Summary
from tests.backing.lesson.material import LESSON, written
from tests.cli.test_start_up import HEAVY, loaded

BARE = 'make = ["backing", "sheet"]\n' + LESSON


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_a_lesson_is_made_and_kept(tmp_path: Path) -> None:
    path, out = written(tmp_path, BARE), tmp_path / "out"
    result = run("lesson", path, "-o", out)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Small lesson: 6 files, 6 made, 0 kept\n")
    assert f"  {out}/01-two-bars/A/01-two-bars_A_5-sheet.pdf\n" in result.stdout
    assert "s of audio" in result.stderr
    assert "loud headphones can damage hearing" in result.stderr
    result = run("lesson", path, "-o", out)
    assert result.stdout.startswith("Small lesson: 6 files, all as they should be\n")
    assert result.stderr == ""
    result = run("lesson", path, "-o", out, "--voice", "soundfont")
    assert "3 made, 3 kept" in result.stdout  # the sheet is the same


def test_papers_are_no_audio(tmp_path: Path) -> None:
    path = written(tmp_path, 'make = ["sheet"]\n' + LESSON)
    result = run("lesson", path, "-o", tmp_path / "out")
    assert result.stderr.splitlines() == ["making sheets and pages"]


def test_progress_without_a_terminal_tells_the_time_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def make(
        read: object, folder: object, font: object, tell: Callable[..., None], *_: int, **__: str
    ) -> Summary:
        clock = [0.0]
        monkeypatch.setattr("time.monotonic", lambda: clock[0])
        for clock[0], done in ((1.0, 4.0), (30.0, 20.0), (35.0, 25.0), (60.0, 40.0)):
            tell(done, 80.0, "sound")
        return Summary(tmp_path, (), (), 0, (), 0.0)

    monkeypatch.setattr("time.monotonic", lambda: 0.0)
    monkeypatch.setattr("backing.lesson.make.make_lesson", make)
    result = run("lesson", written(tmp_path), "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert result.stderr.splitlines()[1:] == ["25%, about 90 s left", "50%, about 60 s left"]


def test_ctrl_c_says_how_to_go_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("backing.lesson.make.make_lesson", interrupted)
    result = run("lesson", written(tmp_path), "-o", tmp_path / "out")
    assert result.exit_code == 130
    assert "run the same command again to go on" in result.stderr


def test_json(tmp_path: Path) -> None:
    path, out = written(tmp_path, 'make = ["sheet"]\n' + LESSON), tmp_path / "out"
    told = json.loads(run("lesson", path, "-o", out, "--json").stdout)
    assert told["title"] == "Small lesson"
    assert told["files"] == sorted(told["made"])
    assert (told["kept"], told["removed"], told["seconds"]) == (0, [], 0)
    told = json.loads(run("lesson", path, "-o", out, "--json").stdout)
    assert told["made"] == []


def test_a_dry_run_lists_and_writes_nothing(tmp_path: Path) -> None:
    path = written(tmp_path)
    result = run("lesson", path, "--dry-run")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert re.search(
        r"^ +\d+\.\d MB  01-two-bars/A/01-two-bars_A_1-demo_240bpm\.wav$", result.stdout, re.M
    )
    assert re.search(
        r"^\d+ files, about \d+ MB, made in about \d+ s$", result.stderr, re.MULTILINE
    )
    told = json.loads(run("lesson", path, "--dry-run", "--json").stdout)
    assert [row["path"] for row in told["files"]] == [line.split(" MB  ")[1] for line in lines]
    assert {path.name for path in tmp_path.iterdir()} == {"lesson.toml", "two-bars.toml"}


def test_mistakes(tmp_path: Path) -> None:
    path = written(tmp_path, LESSON.replace('"A"', '"H"'))
    result = run("lesson", path, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert f'{path}:4:9: "H" is not a key' in result.stderr
    result = run("lesson", path)
    assert (result.exit_code, "name the folder to make with -o" in result.stderr) == (2, True)
    assert run("lesson").exit_code == 2
    result = run("lesson", tmp_path / "lessen.toml", "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert 'did you mean "lesson.toml"?' in result.stderr
    assert not (tmp_path / "out").exists()
    result = run("lesson", written(tmp_path), "-o", tmp_path)
    assert result.exit_code == 1
    assert "files that are not a lesson's" in result.stderr


def test_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("new", "my-lick")
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == [
        "my-lick.toml: a phrase to start from; change it, then",
        "  backing demo my-lick.toml -o my-lick.wav",
    ]
    assert run("check", "my-lick.toml").exit_code == 0
    assert run("tidy", "--check", "my-lick.toml").exit_code == 0
    told = json.loads(run("new", "evening", "--lesson", "--json").stdout)
    assert told == {"file": "evening.toml", "kind": "lesson"}
    assert run("lesson", "evening.toml", "-o", "evening", "--dry-run").exit_code == 0
    result = run("new", "my-lick")
    assert result.exit_code == 1
    assert "is there already; choose another name" in result.stderr
    assert run("new").exit_code == 2


@pytest.mark.parametrize("words", [["lesson", "--help"], ["new", "--help"]])
def test_help_is_light(words: list[str]) -> None:
    assert not loaded(*words) & HEAVY


def test_progress_stays_on_its_line_of_eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    shown = Terminal()
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stderr", shown)
    long = "01-what-an-old-house-says/Bb/01-what-an-old-house-says_Bb_3-trade-response_084bpm.wav"
    with _progress() as step:
        for done, name in enumerate(["", "short", long, "short", long]):
            step(float(done), 5.0, name)
    lines = shown.getvalue().split("\r")
    assert len(lines) > 5
    assert max(len(click.unstyle(line).rstrip("\n")) for line in lines) <= 80
    assert "\n" not in shown.getvalue().rstrip("\n")
