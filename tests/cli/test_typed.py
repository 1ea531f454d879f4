"""A phrase without a file: a line of notes, or standard input, wherever a PHRASE is taken."""

from __future__ import annotations

import json
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner, Result

from backing.cli import main
from phrases.files import load_phrase, shipped

NOTES = "| 1 e8 & e5 2 B8~ 3 ."


def run(*words: str | Path, given: str | None = None) -> Result:
    return CliRunner().invoke(main, list(map(str, words)), input=given)


def pitches(path: Path) -> set[int]:
    tracks = [t for t in mido.MidiFile(path).tracks if t.name.startswith("Guitar")]
    return {m.note for track in tracks for m in track if m.type == "note_on"}


@pytest.mark.parametrize(
    "command", [("demo", "--choruses", "1"), ("loop",), ("trade", "--gap", "echo")]
)
@pytest.mark.parametrize("way", ["line", "input"])
def test_a_line_is_played(command: tuple[str, ...], way: str, tmp_path: Path) -> None:
    made = tmp_path / "x.mid"
    words = ("--line", NOTES) if way == "line" else ("-",)
    result = run(*command, *words, "--key", "E", "-o", made, given=NOTES)
    assert result.exit_code == 0, result.output
    # The places that are typed: e8, e5 and B8 are C5, A4 and G4, in whatever key they are called.
    assert pitches(made) == {72, 69, 67}


def test_the_key_of_a_line_may_stand_before_it(tmp_path: Path) -> None:
    for words in (("--line", f"C minor: {NOTES}"), ("--line", NOTES, "--key", "Cm")):
        assert json.loads(run("check", *words, "--json").stdout)["key"] == "C minor"
    new = tmp_path / "new.toml"
    result = run("transpose", "--line", f"A: {NOTES}", "--key", "C", "-o", new)
    assert result.output == f"A line in C: 3 frets up\n  {new}\n"
    assert load_phrase(new).strokes()[0].notes[0].fret == 11


@pytest.mark.parametrize("suffix", [".pdf", ".svg", ".musicxml", ".txt"])
def test_a_line_is_written(suffix: str, tmp_path: Path) -> None:
    made = tmp_path / f"x{suffix}"
    result = run("sheet", "--line", NOTES, "-o", made)
    assert result.exit_code == 0, result.output
    assert made.stat().st_size > 100
    assert "8~" in run("sheet", "-", given=NOTES).stdout


def test_a_whole_file_comes_by_standard_input() -> None:
    text = shipped()["lamp-oil"].read_text(encoding="utf-8")
    assert run("check", "-", given=text).stdout == run("check", "lamp-oil").stdout
    assert run("tidy", "-", given=text).stdout == text


def test_a_line_is_tidied() -> None:
    assert run("tidy", "--line", "|1 e08 1& e5|").stdout == "| 1 e8 & e5\n"
    assert run("tidy", "-", given="|1 e8 1& e5|\n").stdout == "| 1 e8 & e5\n"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("check", "--line", "| 1 e8 & g5"), 1, 'line:1:10: "g" is not a string'),
        (("check", "--line", "H: | 1 e8"), 1, '"H:" is not a count'),
        (("check", "--line", "A: | 1 g8"), 1, 'line:1:8: "g" is not a string'),
        (("check", "--line", "e8"), 1, "no bar line"),
        (("check", "--line", "| 1 'e8'"), 1, "a line of notes has no quotes in it"),
        (("check", "lamp-oil", "--line", NOTES), 2, "--line is the phrase; leave PHRASE out"),
        (("check",), 2, "name a phrase: a file"),
        (("tidy",), 2, "name phrase files"),
    ],
)
def test_a_wrong_line_is_told_at_its_place(words: tuple[str, ...], code: int, told: str) -> None:
    result = run(*words)
    assert result.exit_code == code
    assert told in result.output


def test_what_comes_by_standard_input_is_told_at_its_place() -> None:
    assert (
        'standard input:2:5: "H" is not a string'
        in run("check", "-", given="| 1 e8 |\n  1 H5").output
    )
    assert "standard input:" in run("check", "-", given="title = 'x'\nkee = 'A'\n").output
