"""`backing sheet`: files by their endings, messages, nothing half written."""

from __future__ import annotations

import json
import os
from importlib import import_module
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from backing.cli import main


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["sheet", *map(str, words)])


def test_four_kinds_of_files(tmp_path: Path) -> None:
    outputs = [tmp_path / f"s{end}" for end in (".pdf", ".svg", ".txt", ".musicxml")]
    result = run("lamp-oil", "--key", "E", *(w for path in outputs for w in ("-o", path)))
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == ["Lamp oil in E", *(f"  {path}" for path in outputs)]
    told = "MusicXML holds no variations; write each with --variation: low flame\n"
    assert result.stderr == told
    starts = [path.read_bytes()[:5] for path in outputs]
    assert starts == [b"%PDF-", b"<svg ", b"Lamp ", b"<?xml"]
    assert sorted(tmp_path.iterdir()) == sorted(outputs)


def test_letters_without_a_font_are_told(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    # A private-use letter, which no font of a machine is likely to have.
    text = 'title = "T \U0010f123"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "| 1 G5"\n'
    path.write_text(text, encoding="utf-8")
    drawn = run(path, "-o", tmp_path / "p.pdf")
    assert drawn.exit_code == 0
    assert "no font here has these letters" in drawn.stderr
    assert run(path, "-o", tmp_path / "p.txt").stderr == ""


def test_a_page_that_takes_long_tells_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    module = import_module("backing.cli.sheet_command")
    monkeypatch.setattr(module, "PATIENCE", 0.001)
    monkeypatch.setattr(module, "TICK", 0.001)
    told = run("lamp-oil", "milk-pail", "-o", tmp_path / "s").stderr.splitlines()
    assert told[0].startswith("lamp-oil (1 of 2): dense, still laying it out, ")
    monkeypatch.undo()
    monkeypatch.setattr(module, "PATIENCE", 60.0)
    assert run("lamp-oil", "-o", tmp_path / "s.pdf").stderr == ""


def test_text_is_printed_without_a_file() -> None:
    result = run("lamp-oil")
    assert result.exit_code == 0
    assert "e|-8" in result.output
    assert max(map(len, result.output.splitlines())) <= 80


def test_json(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    told = json.loads(run("lamp-oil", "-o", path, "--json").output)
    assert told == {"title": "Lamp oil in C", "files": [{"path": str(path), "format": "pdf"}]}


def test_several_phrases_go_into_a_folder(tmp_path: Path) -> None:
    folder = tmp_path / "sheets"
    result = run("lamp-oil", "plum-jar", "--key", "E", "-o", folder)
    assert result.exit_code == 0, result.output
    assert result.output.splitlines() == [
        "Lamp oil in E", f"  {folder / 'lamp-oil.pdf'}",
        "Plum jar in E", f"  {folder / 'plum-jar.pdf'}",
    ]  # fmt: skip
    alone = tmp_path / "alone.pdf"
    assert run("plum-jar", "--key", "E", "-o", alone).exit_code == 0
    assert (folder / "plum-jar.pdf").read_bytes() == alone.read_bytes()
    # Once more into the same folder, told as JSON.
    told = json.loads(run("lamp-oil", "plum-jar", "-o", folder, "--json").output)
    assert [sheet["title"] for sheet in told["sheets"]] == ["Lamp oil in C", "Plum jar in A"]
    assert [len(sheet["files"]) for sheet in told["sheets"]] == [1, 1]
    assert sorted(path.name for path in folder.iterdir()) == ["lamp-oil.pdf", "plum-jar.pdf"]


def test_several_texts_are_printed() -> None:
    lines = run("lamp-oil", "plum-jar").output.splitlines()
    assert [line for line in lines if line in ("Lamp oil", "Plum jar")] == ["Lamp oil", "Plum jar"]
    assert "Variation: low flame" in lines


def test_several_texts_in_one_file(tmp_path: Path) -> None:
    path = tmp_path / "all.txt"
    result = run("lamp-oil", "plum-jar", "-o", path)
    assert result.output.splitlines() == [
        "Lamp oil in C",
        f"  {path}",
        "Plum jar in A",
        f"  {path}",
    ]
    assert path.read_text(encoding="utf-8") == run("lamp-oil", "plum-jar").output
    # A file that is named twice is written once.
    assert run("lamp-oil", "-o", path, "-o", path, "--force").exit_code == 0
    assert path.read_text(encoding="utf-8") == run("lamp-oil").output


def test_a_chart(tmp_path: Path) -> None:
    path = tmp_path / "chart.pdf"
    result = run("--form", "quick-change", "--key", "Bb", "-o", path)
    assert result.output.splitlines()[0] == "Quick change in Bb"
    assert path.read_bytes().startswith(b"%PDF")


CHART = """\
Jazz twelve-bar in Eb
=====================
Passing chords: a diminished in six, a six in eight, two-five for home

 1 | Eb7              | Ab7              | Eb7              | Eb7              |
   | I7               | IV7              | I7               | I7               |

 5 | Ab7              | Adim7            | Eb7              | C7               |
   | IV7              | #ivdim7          | I7               | VI7              |

 9 | Fm7              | Bb7              | Eb7      C7      | Fm7      Bb7     |
   | ii7              | V7               | I7       VI7     | ii7      V7      |
"""


def test_a_chart_in_text(tmp_path: Path) -> None:
    words = ["--form", "jazz-twelve-bar", "--key", "Eb"]
    assert run(*words).output == CHART
    path = tmp_path / "c.txt"
    assert run(*words, "-o", path).exit_code == 0
    assert path.read_text(encoding="utf-8") == CHART


def test_musicxml_may_be_without_strokes_and_fingers(tmp_path: Path) -> None:
    phrase, path = tmp_path / "p.toml", tmp_path / "p.musicxml"
    phrase.write_text(
        'title = "T"\nkey = "A"\ntempo = 90\n[[part]]\n'
        "notes = '| 1 G5{d1 accent} & G7{u3} 2 .'\n"
    )
    assert run(phrase, "-o", path).exit_code == 0
    assert path.read_text(encoding="utf-8").count("<fingering>") > 0
    assert run(phrase, "--plain", "-o", path).exit_code == 0
    text = path.read_text(encoding="utf-8")
    assert "<accent" in text
    assert not [tag for tag in ("fingering", "down-bow", "up-bow") if tag in text]


@pytest.mark.parametrize(
    "options",
    [
        ["--only", "tab"],
        ["--only", "notation"],
        ["--plain"],
        ["--larger"],
        ["--left-handed"],
        ["--paper", "letter"],
        ["--chorus"],
        ["--variation", "low flame"],
        ["--form", "quick-change"],
        ["--key-to-signs"],
    ],
)
def test_each_option_changes_the_page(options: list[str], tmp_path: Path) -> None:
    usual, other = tmp_path / "usual.pdf", tmp_path / "other.pdf"
    assert run("lamp-oil", "-o", usual).exit_code == 0
    result = run("lamp-oil", *options, "-o", other)
    assert result.exit_code == 0, result.output
    same = usual.read_bytes() == other.read_bytes()
    # Over the first four bars of a quick change stands another chord.
    assert not same


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        ([], 2, "name a phrase, or a form for its chord chart: --form quick-change"),
        (["lamp-oli", "-o", "s.pdf"], 1, 'did you mean "lamp-oil"?'),
        (["lamp-oil", "-o", "s.doc"], 2, "s.doc: a sheet ends in .pdf .svg .txt .musicxml"),
        (["lamp-oil", "--key", "H", "-o", "s.pdf"], 2, '"H" is not a key'),
        (["lamp-oil", "--form", "quick", "-o", "s.pdf"], 2, "quick-change"),
        (["lamp-oil", "--variation", "x", "-o", "s.pdf"], 1, "low flame"),
        (
            ["--form", "quick-change", "-o", "s.musicxml"],
            2,
            "a chord chart ends in .pdf .svg .txt",
        ),
        (["--form", "quick-change", "--left-handed", "-o", "s.pdf"], 2, "has no phrase"),
        (["--form", "quick-change", "--no-key-to-signs", "-o", "s.pdf"], 2, "has no phrase"),
        (["lamp-oil", "--key-to-signs"], 2, "--key-to-signs is for a drawn page"),
        (["lamp-oil", "--larger"], 2, "--larger is for a drawn page; write .pdf or .svg"),
        (["lamp-oil", "--paper", "a4", "-o", "s.musicxml"], 2, "--paper is for a drawn page"),
        (["lamp-oil", "plum-jar", "--left-handed", "-o", "s.txt"], 2, "--left-handed is for a"),
        (["--form", "quick-change", "--chorus", "-o", "s.pdf"], 2, "has no phrase"),
        (["lamp-oil", "--only", "notation"], 2, "--only notation: text is tablature"),
        (["lamp-oil", "--only", "notation", "-o", "s.txt"], 2, "text is tablature"),
        (["lamp-oil", "plum-jar", "-o", "s.pdf"], 2, "name one folder for the PDFs of several"),
        (["lamp-oil", "plum-jar", "-o", "a", "-o", "b"], 2, "name one folder"),
        (["lamp-oil", "plum-jar", "-o", "a.txt", "-o", "b.pdf"], 2, "name one folder"),
        (["lamp-oil", "plum-jar", "-o", "s.svg"], 2, "one text for all of them, -o all.txt"),
        (["lamp-oil", "plum-jar", "--only", "notation", "-o", "s.txt"], 2, "text is tablature"),
        (["lamp-oil", "plum-jar", "--variation", "easy", "-o", "s"], 2, "is of one phrase"),
        (["lamp-oil", "lamp-oil", "-o", "s"], 1, "two of the phrases would be written there"),
        (["lamp-oil", "lamp-oli", "-o", "s"], 1, 'did you mean "lamp-oil"?'),
        (["lamp-oil", "plum-jar", "-o", "no/s"], 1, "the folder no does not exist; make it first"),
        (["lamp-oil", "-o", "nowhere/s.pdf"], 1, "the folder nowhere does not exist"),
    ],
)
def test_messages(
    words: list[str], code: int, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert result.exit_code == code, result.output
    assert message in " ".join(result.output.split())
    assert not list(tmp_path.iterdir())


def test_nothing_is_written_if_one_file_fails(tmp_path: Path) -> None:
    folder = tmp_path / "folder.pdf"
    folder.mkdir()
    result = run("lamp-oil", "-o", folder)
    assert result.exit_code == 1
    assert "is a folder; name a file" in result.output
    assert list(folder.iterdir()) == []
    assert list(tmp_path.iterdir()) == [folder]


@pytest.mark.skipif(os.name != "posix", reason="permissions")
def test_a_file_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "s.pdf"
    path.write_bytes(b"old")
    path.chmod(0o600)
    assert run("lamp-oil", "-o", path, "--force").exit_code == 0
    assert path.stat().st_mode & 0o777 == 0o600
