"""`backing import` as a user types it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from backing.cli import main
from backing.exchange.musicxml import musicxml
from backing.forms import find_form
from backing.sheet.writing import over_form
from phrases.files import load_phrase


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "jar.musicxml"
    score = over_form(load_phrase("plum-jar"), find_form("twelve-bar"))
    path.write_text(musicxml(score), encoding="utf-8")
    return path


def test_it_writes_a_phrase_file_and_says_what_is_lost(sheet: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    result = run("import", sheet, "-o", new)
    assert result.exit_code == 0, result.output
    assert result.stdout == f"Plum jar in A, 4 bars, 92 beats a minute\n  {new}\n"
    assert "bars 1 to 4: chord symbol (the form gives the chords)" in result.stderr
    before = load_phrase("plum-jar")
    assert [part.strokes for part in load_phrase(new).parts] == [
        part.strokes for part in before.parts
    ]
    assert run("check", new).exit_code == 0
    assert run("tidy", "--check", new).exit_code == 0


def test_the_parts_of_a_file_are_listed(sheet: Path) -> None:
    result = run("import", sheet, "--list")
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[0] == "Guitar (P1): 4 bars"
    assert "  staff 1, voice 1: " in result.stdout
    (one,) = json.loads(run("import", sheet, "--list", "--json").stdout)
    assert (one["key"], one["name"], one["bars"], one["fault"]) == ("P1", "Guitar", 4, "")


def test_plain_text_comes_in(tmp_path: Path) -> None:
    tab, new = tmp_path / "gate.txt", tmp_path / "new.toml"
    rows = "\n".join(
        f"{name}|{'-5---8---5---8---' if name == 'e' else '-' * 17}|" for name in "eBGDAE"
    )
    tab.write_text(f"Key: A minor\n{rows}\n", encoding="utf-8")
    result = run("import", tab, "-o", new)
    assert result.exit_code == 0, result.output
    assert "bar 1: rhythm guessed from the spacing" in result.stderr
    assert "notes = '| 1 e5 2 e8 3 e5 4 e8'" in new.read_text(encoding="utf-8")


def test_json_says_the_same(sheet: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    answer = json.loads(run("import", sheet, "-o", new, "--part", "Guitar", "--json").stdout)
    assert answer == {
        "title": "Plum jar", "key": "A", "tempo": 92.0, "meter": "4/4", "bars": 4,
        "part": "Guitar", "told": ["bars 1 to 4: chord symbol (the form gives the chords)"],
        "file": str(new),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["import"], "name a MusicXML file"),
        (["import", "a.musicxml"], "name the phrase file to write: -o my-phrase.toml"),
        (["import", "a.musicxml", "--list", "-o", "b.toml"], "leave -o out"),
        (["import", "a.musicxml", "--list", "--part", "x"], "leave --part out"),
        (["import", "a.txt", "--voice", "2", "-o", "b.toml"], "--voice is for MusicXML"),
        (["import", "a.musicxml", "-o", "a.txt"], "a.txt: a phrase file ends in .toml"),
    ],
)
def test_wrong_usage_exits_with_2(words: list[str], message: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert message in result.stderr


def test_other_failures_exit_with_1_and_write_nothing(sheet: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    broken = tmp_path / "broken.musicxml"
    broken.write_text(sheet.read_text(encoding="utf-8")[:-40], encoding="utf-8")
    for words, message in (
        ([tmp_path / "no.musicxml"], "there is no such file"),
        ([broken], "not XML, or not all of it; export it"),
        ([sheet, "--part", "Gitar"], '"Gitar" is not a part'),
    ):
        result = run("import", *words, "-o", new)
        assert result.exit_code == 1
        assert message in result.stderr
        assert "Traceback" not in result.output
        assert not new.exists()
    result = run("import", sheet, "-o", tmp_path / "none" / "new.toml")
    assert result.exit_code == 1
    assert "does not exist; make it first" in result.stderr


def test_it_writes_over_nothing_unasked(sheet: Path, tmp_path: Path) -> None:
    target = tmp_path / "b.toml"
    target.write_text("precious", encoding="utf-8")
    result = run("import", sheet, "-o", target)
    assert result.exit_code == 1
    assert "is there already; choose another name, or write over it with --force" in result.stderr
    assert target.read_text(encoding="utf-8") == "precious"
    assert run("import", sheet, "-o", target, "--force").exit_code == 0
    assert "[[part]]" in target.read_text(encoding="utf-8")


def test_a_phrase_is_told_from_music_xml(tmp_path: Path) -> None:
    phrase = tmp_path / "well.toml"
    phrase.write_text("title = 'x'\nkey = 'A'\n", encoding="utf-8")
    result = run("import", phrase, "-o", tmp_path / "new.toml")
    assert result.exit_code == 1
    assert result.stderr.endswith(
        "well.toml: this is a phrase, not MusicXML; play it with `backing demo`\n"
    )
    result = run("import", tmp_path / "wel.toml", "-o", tmp_path / "new.toml")
    assert 'there is no such file; did you mean "well.toml"?' in result.stderr
    (tmp_path / "x.mid").write_bytes(b"MThd")
    result = run("import", tmp_path / "x.mid", "-o", tmp_path / "new.toml")
    assert "; export it from the notation program as MusicXML (.musicxml or .mxl)" in result.stderr
