"""What the README shows works as it stands there."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from unittest.mock import create_autospec

import click
import pytest
import soundfile
from click.testing import CliRunner

import backing
from backing.cli import main
from backing.film.write import film
from backing.lesson.items import sounds
from backing.lesson.lesson import read_lesson
from backing.lesson.paper import leaves
from backing.recording.slate import Slate, write_slate
from phrases.files import find_phrase
from tests.backing.listening.material import RATE, lead, sound

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")
FENCED = re.findall(r"```(\w*)\n(.*?)```", README, re.DOTALL)
COMMANDS = [
    line.split("#")[0].strip()
    for _, block in FENCED
    for line in block.splitlines()
    if line.startswith("backing ")
]


def block(start: str) -> str:
    texts: list[str] = [text for _, text in FENCED]
    return next(text for text in texts if text.startswith(start))


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    phrase = block('title  = "Porch light"')
    (tmp_path / "my-phrase.toml").write_text(phrase, encoding="utf-8")
    shutil.copytree(TOP / "examples" / "lesson", tmp_path / "examples" / "lesson")
    (tmp_path / "examples" / "porch-light.toml").write_text(phrase, encoding="utf-8")
    (tmp_path / "groove.toml").write_text(block('title  = "Back porch"'), encoding="utf-8")
    (tmp_path / "form.toml").write_text(block('title = "Short and plain"'), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    made = CliRunner().invoke(main, ["sheet", "my-phrase.toml", "-o", "my-phrase.musicxml"])
    assert made.exit_code == 0, made.output
    return tmp_path


def test_there_are_commands_to_run() -> None:
    every = set(main.list_commands(click.Context(main)))
    assert {command.split()[1] for command in COMMANDS} == every


@pytest.mark.parametrize("command", [c for c in COMMANDS if c.split()[1] == "record"])
def test_what_is_recorded_is_played(
    command: str, desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played = []
    monkeypatch.setattr("backing.live.play.play", lambda *_, **more: played.append(more))
    (desk / "out").mkdir()
    result = CliRunner().invoke(main, shlex.split(command)[1:])
    assert result.exit_code == 0, result.output
    assert played[0]["recorder"].wanted.suffix == ".wav"


@pytest.mark.parametrize(
    "command",
    [
        c
        for c in COMMANDS
        if c.split()[1] not in ("record", "calibrate", "hear", "catch", "pedal", "desk")
    ],
)
def test_a_command_runs(command: str, desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # MIDI stands for every format here: sound and films are tested elsewhere and take time.
    monkeypatch.setattr(
        "backing.film.write.film",
        create_autospec(film, side_effect=lambda _, path, *__, **___: [path.touch() or path]),
    )
    words = [
        re.sub(r"(\.\w+)\.mid$|\.(wav|mp3)$", r"-\2.mid", w) for w in shlex.split(command)[1:]
    ]
    plays = words[0] in ("track", "demo", "loop", "trade") and not {"-o", "--dry-run"} & set(words)
    if words[0] == "lesson":  # its sounds take time, and are made in its own tests
        words.append("--dry-run")
    result = CliRunner().invoke(main, [*words, "-o", "played.mid"] if plays else words)
    assert result.exit_code == 0, result.output
    if "-o" in words and "--dry-run" not in words:
        assert (desk / words[words.index("-o") + 1]).exists()


def test_a_take_is_heard_as_shown(desk: Path) -> None:
    once, ramp = backing.loop("lamp-oil", passes=1), backing.loop("lamp-oil", start=50, goal=60)
    for name, stream in (("take.wav", once), ("phone.wav", ramp)):
        soundfile.write(desk / name, sound(lead(stream), stream, "driven"), RATE)
    rows: list[list[float | None]] = [
        [number, float(section.start), 0.0, 1.0, None]
        for number, section in enumerate(once.sections)
    ]
    text = find_phrase("lamp-oil").read_text(encoding="utf-8")
    words = ["loop", "lamp-oil", "--passes", "1"]
    write_slate(desk / "take.wav", Slate(words, text, RATE, 1, True, rows, ""))
    shown = [c for c in COMMANDS if c.split()[1] == "hear"]
    assert len(shown) == 3
    for command in shown:
        result = CliRunner().invoke(main, shlex.split(command)[1:])
        assert result.exit_code == 0, result.output
        notes = 60 if "phone.wav" in command else 15
        assert f"good: every one of the {notes} notes is there" in result.output
    assert (desk / "review.html").exists()
    shutil.copy(desk / "take.wav", desk / "phone.wav")
    for command in [c for c in COMMANDS if c.split()[1] == "catch"]:
        result = CliRunner().invoke(main, [*shlex.split(command)[1:], "--force"])
        assert result.exit_code == 0, result.output
        assert (desk / "mine.toml").exists()


def test_the_phrase_is_the_one_in_examples() -> None:
    shown = block('title  = "Porch light"')
    kept = (TOP / "examples" / "porch-light.toml").read_text(encoding="utf-8")
    assert kept.endswith(shown)


def test_a_groove_and_a_form_of_your_own(desk: Path) -> None:
    words = ["track", "--groove", "groove.toml", "--form", "./form.toml", "-o", "x.mid"]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    assert (desk / "x.mid").exists()


def test_the_python_example_runs(desk: Path) -> None:
    exec(block("from pathlib import Path"), {})
    assert (desk / "porch-light-in-c.mid").exists()
    assert (desk / "porch-light-in-c.wav").exists()


def test_the_list_of_a_lesson_names_what_it_makes() -> None:
    lesson = read_lesson(TOP / "examples" / "lesson" / "lesson.toml")
    made = {f"{item.name}.*" for item in sounds(lesson)}
    made |= {leaf.name for leaf in leaves(lesson, {}, lambda item: (Path(), Path()))}
    listed = [line.split("  ")[0].split(" ")[0] for line in block("index.html").splitlines()]
    files = [name for name in listed if name.startswith("01")]
    assert len(files) > 5
    assert set(files) <= made
