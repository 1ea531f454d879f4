"""`backing vary`: proposals in words, added to a file without touching it, drawn and heard."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from backing.cli import main
from backing.cli.options import Asked
from phrases.files import load_phrase, shipped


def run(*words: str | Path, given: str | None = None, obj: object = None) -> Result:
    return CliRunner().invoke(main, list(map(str, words)), input=given, obj=obj)


@pytest.fixture
def own(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    text = shipped()["cold-stove"].read_text(encoding="utf-8")
    path.write_bytes("\ufeff".encode() + text.replace("key ", "# mine\nkey   ", 1).encode())
    return path


def test_proposals_are_printed_with_what_was_done_and_nothing_is_written(own: Path) -> None:
    before = own.read_bytes()
    result = run("vary", own, "--moves", "end-up,cut-off")
    assert result.exit_code == 0, result.output
    assert "1  end-up (" in result.output
    assert "The answer goes up at its end" in result.output
    assert "the response comes home to" in result.output
    assert "   response  | 1 e5 2 B8" in result.output
    assert own.read_bytes() == before


def test_the_chosen_ones_are_added_and_no_byte_before_them_changes(own: Path) -> None:
    before = own.read_bytes()
    told = json.loads(run("vary", own, "--count", "4", "--json").output)["proposals"]
    result = run("vary", own, "--count", "4", "--keep", "3", "--keep", "1", "-o", own)
    assert result.exit_code == 0, result.output
    after = own.read_bytes()
    assert after.startswith(before)
    assert after[len(before) :].decode() == f"\n{told[2]['text']}\n{told[0]['text']}"
    names = [name for name, _ in load_phrase(own).variations]
    assert names[-2:] == [told[2]["name"], told[0]["name"]]
    # What is there already is not proposed again.
    again = json.loads(run("vary", own, "--count", "4", "--json").output)["proposals"]
    assert not {one["name"] for one in again} & set(names)


def test_a_file_that_is_not_there_is_made_and_its_sheet_shows_the_variations(
    tmp_path: Path,
) -> None:
    made, sheet = tmp_path / "new.toml", tmp_path / "new.txt"
    line = ("--line", "E minor: | 1 e3 & e0 2 B3~", "--moves", "end-down,curl")
    assert run("vary", *line, "-o", made).exit_code == 0
    names = [name for name, _ in load_phrase(made).variations]
    assert len(names) == 2
    assert run("vary", *line, "-o", sheet).exit_code == 0
    assert run("sheet", made, "-o", tmp_path / "again.txt").exit_code == 0
    assert sheet.read_text() == (tmp_path / "again.txt").read_text()
    assert all(name in sheet.read_text().lower() for name in names)


def test_one_is_heard_over_the_band() -> None:
    asked = Asked()
    result = run(
        "vary", "-", "--moves", "octave", "--play", "1", given="| 1 e8 & e5 2 B8", obj=asked
    )
    assert result.exit_code == 0, result.output
    assert asked.stream is not None
    leads = [n for s in asked.stream.sections for n in s.notes if n.voice.startswith("lead")]
    assert {note.pitch for note in leads} == {72 + 12, 69 + 12, 67 + 12}  # twelve frets up


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("lamp-oil", "--moves", "trils"), 'did you mean "trill"?'),
        (("lamp-oil", "--moves", "twice-as-slow"), "these fit:"),
        (("lamp-oil", "--play", "9"), "there is no proposal 9; there are 5"),
        (("lamp-oil", "--keep", "1"), "name a file with -o"),
        (("lamp-oil", "--play", "1", "-o", "x.toml"), "leave out -o"),
        (("lamp-oil", "-o", "x.mid"), ".toml"),
        (("lamp-oil", "-o", "{own}"), 'holds another phrase, "Cold stove"'),
    ],
)
def test_what_cannot_be_done_is_said(words: tuple[str, ...], message: str, own: Path) -> None:
    before = own.read_bytes()
    result = run("vary", *(word.format(own=own) for word in words))
    assert result.exit_code in (1, 2)
    assert message in " ".join(result.output.split())
    assert own.read_bytes() == before


def test_the_moves_are_listed() -> None:
    rows = json.loads(run("list", "moves", "--json").output)["moves"]
    assert {"end-up", "triplets", "exchanged"} <= {row["name"] for row in rows}
    assert all(row["about"].count(". Needs ") == 1 for row in rows)
