"""`backing tidy` and `backing transpose` as a user types them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from backing.cli import main
from phrases.files import load_phrase
from phrases.fretboard import fret_pitch
from phrases.pitch import Key

EXAMPLE = Path(__file__).parents[2] / "examples" / "porch-light.toml"
UNTIDY = """\
title = "Dry well"  # kept
key = "A"
tempo = 96
[[part]]
notes = '|1 e5   2 B8 2& B5 |'  # kept too
"""
TIDY = UNTIDY.replace("'|1 e5   2 B8 2& B5 |'", "'| 1 e5 2 B8 & B5'")


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def well(tmp_path: Path) -> Path:
    path = tmp_path / "well.toml"
    path.write_text(UNTIDY, encoding="utf-8")
    return path


def pitches(path: Path) -> list[int]:
    return [
        fret_pitch(note.string, note.fret)
        for stroke in load_phrase(path).strokes()
        for note in stroke.notes
        if note.fret is not None
    ]


def test_tidy_writes_in_place(well: Path) -> None:
    result = run("tidy", well)
    assert result.exit_code == 0
    assert result.output == f"{well}: tidied\n"
    assert well.read_text(encoding="utf-8") == TIDY
    assert list(well.parent.iterdir()) == [well]
    assert run("tidy", well).output == f"{well}: is tidy already\n"


def test_check_names_what_is_not_tidy_and_writes_nothing(well: Path, tmp_path: Path) -> None:
    good = tmp_path / "good.toml"
    good.write_text(TIDY, encoding="utf-8")
    result = run("tidy", "--check", good, well)
    assert result.exit_code == 1
    assert result.output == f"{good}: is tidy already\n{well}: is not tidy\n"
    assert well.read_text(encoding="utf-8") == UNTIDY
    assert run("tidy", "--check", good).exit_code == 0


def test_tidy_says_so_in_json(well: Path) -> None:
    result = run("tidy", well, "--check", "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout) == {
        "files": [{"path": str(well), "tidy": False}],
        "written": False,
    }
    assert json.loads(run("tidy", well, "--json").stdout)["written"] is True


def test_where_one_file_is_broken_none_is_written(well: Path, tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text(UNTIDY.replace("e5", "H5"), encoding="utf-8")
    result = run("tidy", well, broken, tmp_path / "wel.toml")
    assert result.exit_code == 1
    assert f'{broken}:5:13: "H" is not a string' in result.output
    assert 'wel.toml: there is no such file; did you mean "well.toml"?' in result.output
    assert well.read_text(encoding="utf-8") == UNTIDY


def test_tidy_without_a_file_is_wrong_usage() -> None:
    assert run("tidy").exit_code == 2


def test_transpose_by_key_moves_the_shape(tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    result = run("transpose", EXAMPLE, "--key", "B", "-o", new)
    assert result.exit_code == 0, result.output
    assert result.output == f"Porch light in B: 2 frets up\n  {new}\n"
    assert pitches(new) == [pitch + 2 for pitch in pitches(EXAMPLE)]
    before, after = EXAMPLE.read_text(encoding="utf-8"), new.read_text(encoding="utf-8")
    assert before.splitlines()[0] == after.splitlines()[0]
    assert 'key    = "B"' in after


def test_transpose_to_a_key_position_and_strings(tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    words = ("--key", "E", "--position", "12", "--strings", "eBGD", "-o", str(new))
    result = run("transpose", EXAMPLE, *words, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout) == {"title": "Porch light", "key": "E", "file": str(new)}
    after = load_phrase(new)
    assert after.key == Key("E")
    notes = [note for stroke in after.strokes() for note in stroke.notes]
    assert {note.string for note in notes} <= set("DGBe")
    assert all(11 <= note.fret <= 16 for note in notes if note.fret is not None)
    # From A up to E is a fifth, seven semitones.
    assert pitches(new) == [pitch + 7 for pitch in pitches(EXAMPLE)]


def test_transpose_takes_a_shipped_phrase(tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    assert run("transpose", "lamp-oil", "--key", "D", "-o", new).exit_code == 0
    assert load_phrase(new).key == Key("D")


def test_what_cannot_be_played_is_told_and_the_file_that_is_there_stays(well: Path) -> None:
    result = run("transpose", EXAMPLE, "--position", "1", "-o", well, "--force")
    assert result.exit_code == 1
    message = (
        "call, bar 0 (the pickup), count 4: the pull-off from C5 is out of reach in position 1"
    )
    assert message in result.output
    assert well.read_text(encoding="utf-8") == UNTIDY
    assert list(well.parent.iterdir()) == [well]


def test_the_positions_that_work_are_named(tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    told = run("transpose", "lamp-oil", "--position", "2", "-o", new).output
    named = [int(word) for word in told.rpartition("--position may be ")[2].split(", ")]
    assert named
    for position in range(1, 18):
        words = ("transpose", "lamp-oil", "--position", position, "-o", new, "--force")
        assert (run(*map(str, words)).exit_code == 0) == (position in named)
    low = run("transpose", "lamp-oil", "--position", "2", "--strings", "E", "-o", new, "--force")
    assert low.output.endswith(
        "nor has another position all of it; leave out --position or --strings\n"
    )


GROOVE = """\
title = "Back porch"
tempos = [80, 100, 130]
[[drums]]
ride = "1 2"
[[bass]]
line = "1:R"
[[comp]]
line = "2:chord"
"""


def test_a_phrase_of_another_folder_finds_its_own_groove(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, other = tmp_path / "home", tmp_path / "other" / "folder"
    home.mkdir()
    other.mkdir(parents=True)
    (home / "own.toml").write_text(GROOVE, encoding="utf-8")
    text = UNTIDY.replace("tempo", 'groove = "own.toml"  # mine\ntempo', 1)
    text += "[[variation]]\nname = 'v'\ngroove = './own.toml'\n"
    (home / "well.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)  # where a groove of that name is not
    new = other / "well.toml"
    result = run("transpose", home / "well.toml", "--key", "B", "-o", "other/folder/well.toml")
    assert result.exit_code == 0, result.output
    assert new.read_text(encoding="utf-8").count('groove = "../../home/own.toml"') == 2
    assert "# mine" in new.read_text(encoding="utf-8")
    for variation in ([], ["--variation", "v"]):
        assert run("check", "other/folder/well.toml", *variation).exit_code == 0
    (home / "own.toml").unlink()
    result = run("check", "other/folder/well.toml")
    assert result.exit_code == 1
    assert "well.toml:3:10: ../../home/own.toml: there is no such file" in result.output


def test_an_existing_file_is_replaced_only_when_asked(well: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    new.write_text("kept", encoding="utf-8")
    words = ("transpose", well, "--key", "B", "-o", new)
    result = run(*words)
    assert result.exit_code == 1
    assert f"{new}: is there already; choose another name, or write over it with --force" in (
        result.output
    )
    assert new.read_text(encoding="utf-8") == "kept"
    result = run(*words, "--force")
    assert result.exit_code == 0, result.output
    expected = UNTIDY.replace('"A"', '"B"').replace(
        "'|1 e5   2 B8 2& B5 |'", "'| 1 e7 2 B10 & B7'"
    )
    assert new.read_text(encoding="utf-8") == expected


@pytest.mark.parametrize("force", [[], ["--force"]])
def test_the_phrase_itself_is_never_replaced(well: Path, tmp_path: Path, force: list[str]) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to(well)
    for output in (well, link):
        result = run("transpose", well, "--key", "B", "-o", output, *force)
        assert result.exit_code == 1
        assert f"{output}: is the phrase itself; write to another name" in result.output
    assert well.read_text(encoding="utf-8") == UNTIDY


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["-o", "x.toml"], "say where to: --key, --position or --strings"),
        (["--key", "E"], "Missing option '-o'"),
        (["--key", "H", "-o", "x.toml"], '"H" is not a key'),
        (["--position", "18", "-o", "x.toml"], "18: write a whole number from 1 to 17"),
        (["--strings", "gB", "-o", "x.toml"], 'did you mean "G"?'),
        (["--key", "E", "-o", "x.mid"], "x.mid: a phrase file ends in .toml"),
    ],
)
def test_wrong_usage_exits_with_2(words: list[str], message: str) -> None:
    result = run("transpose", EXAMPLE, *words)
    assert result.exit_code == 2
    assert message in result.output


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["lamp-oi", "--key", "E", "-o", "x.toml"], 'did you mean "lamp-oil"?'),
        (
            ["lamp-oil", "--key", "E", "-o", "no/such/x.toml"],
            "no/such/x.toml: cannot be written: the folder no/such does not exist",
        ),
    ],
)
def test_other_failures_exit_with_1(
    words: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("transpose", *words)
    assert result.exit_code == 1
    assert message in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [["tidy", "--help"], ["transpose", "--help"], ["tidy", "--check", str(EXAMPLE)]]
)
def test_no_numpy_nor_audio_library_is_loaded(words: list[str]) -> None:
    code = (
        "import sys\nfrom backing.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print('MODULES', *sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=True
    )
    modules = set(done.stdout.splitlines()[-1].split())
    assert "MODULES" in modules
    assert not modules & {"numpy", "mido", "soundfile", "scipy", "pretty_midi", "fluidsynth"}
    assert ("tree_sitter" in modules) is ("--check" in words)
