from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from backing.cautions import SORE
from backing.cli import main
from phrases.files import shipped
from tests.cli.test_start_up import HEAVY, TREES, loaded
from tests.hard.material import some

EXAMPLE = str(Path(__file__).parents[2] / "examples" / "porch-light.toml")

HARD = """\
title  = "Hard day"
key    = "A"
scale  = "minor pentatonic"
groove = "shuffle"
tempo  = 180

[[part]]
role  = "call"
notes = '4 e17b(3/2) & Gx | 1 G2b(full)~ & e12 2 D7b(full) & G3+B9 3 e3b(3/2) 4 E1'

[[part]]
role  = "response"
notes = '| 1 G7p5 & D7 2 D7b(1/2){supported} 3 G6 4 E3'

[[variation]]
name  = "soft"
tempo = 60

[[variation.part]]
role  = "call"
notes = '| 1 e5 2 e8 & B8'

[[variation.part]]
role  = "response"
notes = '| 1 e5 2 D7'
"""


@pytest.fixture
def hard(tmp_path: Path) -> Path:
    path = tmp_path / "hard.toml"
    path.write_text(HARD, encoding="utf-8")
    return path


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["check", *(str(word) for word in words)])


def told(*words: str | Path) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


@pytest.mark.parametrize("name", some(shipped(), 8))
def test_tables_fit_the_page(name: str) -> None:
    result = run(name, "--strict")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 100
    assert not any("\t" in line or "\x1b" in line for line in lines)
    assert all(line == line.rstrip() for line in lines)


def test_a_table_shows_what_a_teacher_asks() -> None:
    lines = [line.split() for line in run(EXAMPLE).stdout.splitlines()]
    # The bend of bar one: 4 to 5 over A7, from fret 7 of the G string in fifth position.
    at = lines.index(["1", "1", "G7", "pick", "D4", "4", "fourth", "by", "bend"])
    assert lines[at + 1] == ["G7", "bend", "full,", "vibrato", "E4", "5", "fifth"]
    assert ["0", "3&", "e5", "pick", "A4", "1", "A7", "root", "5"] in lines
    text = run(EXAMPLE).stdout
    assert "ends on the root: home" in text
    assert "open, as a call does" in text
    assert "+ after a note or its degree is a quarter tone above it" in text
    assert "No warnings." in text
    assert SORE not in text


def test_warnings_and_bends_are_printed(hard: Path) -> None:
    result = run(hard)
    assert result.exit_code == 0
    text = result.stdout
    assert max(map(len, text.splitlines())) <= 100
    parts = [
        "\ncall\n", "\nresponse\n", "\nAt 180 beats a minute\n",
        "  the quickest stroke is ", "  the tightest shift is ",
        "cannot be played",
        "call 1 2&: frets 3 and 9 at once", "hard to play", "call 1 1: full bend on G2",
        "for information", "Bends: sideways push", "moderate, supported response 1 2",
        "Estimated after Grimes 2014: .010-.046 strings", SORE,
    ]  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_strict_fails_where_something_cannot_be_played(hard: Path) -> None:
    assert run(hard, "--strict").exit_code == 1
    assert run(hard, "--strict", "--json").exit_code == 1
    assert run(hard, "--strict", "--variation", "soft").exit_code == 0


def test_a_variation_is_looked_at(hard: Path) -> None:
    assert told(hard, "--variation", "soft")["tempo"] == 60
    result = run(hard, "--variation", "sofd")
    assert result.exit_code == 1
    assert 'did you mean "soft"?' in result.stderr


def test_json_is_one_object(hard: Path) -> None:
    answer = told(hard)
    assert {"rows", "bends", "warnings", "endings", "quickest", "tightest"} <= set(answer)
    assert not answer["playable"]
    assert answer["tempo"] == 180
    assert answer["rows"][0] == {
        "part": "call", "bar": 0, "count": "4", "at": -1.0, "string": "e", "fret": 17,
        "stroke": 0, "how": "pick", "pitch": 81.0, "name": "A5", "degree": "1", "role": "root",
        "resolves": "", "position": answer["rows"][0]["position"],
        "stretch": 17 - answer["rows"][0]["position"], "over": "A7", "also": [],
    }  # fmt: skip
    assert [bend["supported"] for bend in answer["bends"]] == [False] * 4 + [True]
    assert {warning["weight"] for warning in answer["warnings"]} == {
        "cannot", "hard", "taste", "note",
    }  # fmt: skip


def test_the_form_gives_the_chords() -> None:
    # Twelve-bar: I I; quick change: I IV (common practice).
    plain, quick = told(EXAMPLE), told(EXAMPLE, "--form", "quick-change")
    assert {row["over"] for row in plain["rows"] if row["part"] == "call"} == {"A7"}
    second = [r["over"] for r in quick["rows"] if r["part"] == "call" and r["bar"] == 2]
    assert set(second) == {"D7"}


def test_every_line_of_the_form_is_looked_at() -> None:
    # Twelve-bar in C: I in bars 1-4, IV and I in 5-8, V IV I V in 9-12 (common practice).
    answer = told("lamp-oil")
    assert [line["bars"] for line in answer["lines"]] == [[1, 4], [5, 8], [9, 12]]
    assert (answer["line"], answer["rows"]) == (1, answer["lines"][0]["rows"])
    # The call rests on the fourth degree: of C7 the fourth, of F7 the root, of G7 the seventh.
    heard = [line["endings"][0] for line in answer["lines"]]
    assert [(one["degree"], one["role"]) for one in heard] == [
        ("4", "fourth"), ("4", "root"), ("4", "seventh"),
    ]  # fmt: skip
    # Its pickup into bar five sounds in bar four, and into bar nine in bar eight.
    pickups = [[r["over"] for r in line["rows"] if r["at"] < 0] for line in answer["lines"]]
    assert pickups == [["C7"] * 3] * 3
    text = run("lamp-oil").stdout
    assert "over Twelve-bar blues, bars 1 to 4" in text
    assert "  2  bars 5 to 8: F7 C7; the call does not ask, the response answers\n" in text
    assert "  3  bars 9 to 12: G7 F7 C7 G7; the call asks, the response answers\n" in text


def test_a_line_is_chosen() -> None:
    chosen = told("lamp-oil", "--place", "2")
    assert chosen["rows"] == chosen["lines"][1]["rows"] != chosen["lines"][0]["rows"]
    assert "over Twelve-bar blues, bars 5 to 8" in run("lamp-oil", "--place", "2").stdout


def test_a_phrase_that_comes_once_has_no_other_lines(tmp_path: Path) -> None:
    path = tmp_path / "once.toml"
    path.write_text(HARD.replace("tempo", 'lines = "first"\ntempo', 1), encoding="utf-8")
    assert "--place" not in run(path).stdout
    result = run(path, "--place", "2")
    assert result.exit_code == 2
    assert "comes once in Twelve-bar blues; write 1\n" in result.stderr


def test_a_key_moves_the_phrase() -> None:
    here, there = told(EXAMPLE), told(EXAMPLE, "--key", "Bb")
    assert there["key"] == "Bb"
    assert [r["degree"] for r in here["rows"]] == [r["degree"] for r in there["rows"]]
    assert [r["role"] for r in here["rows"]] == [r["role"] for r in there["rows"]]
    assert {r["over"] for r in there["rows"][:5]} == {"Bb7"}
    assert all(
        b["pitch"] == a["pitch"] + 1 for a, b in zip(here["rows"], there["rows"], strict=True)
    )


def test_a_slide_is_not_said_to_leave_the_hand_in_place(tmp_path: Path) -> None:
    path = tmp_path / "slide.toml"
    for notes, moves in (("| 1 e5 2 e5/8", "moves only with its slides"),
                         ("| 1 e5 2 e8", "stays in one position")):  # fmt: skip
        text = f'title = "S"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "{notes}"\n'
        path.write_text(text, encoding="utf-8")
        assert f"\n  the hand {moves}\n" in run(path).stdout


def test_a_tempo_changes_what_is_measured(hard: Path) -> None:
    """A quarter of the tempo, four times the seconds."""
    fast, slow = (told(hard, "--tempo", tempo)["quickest"]["seconds"] for tempo in ("160", "40"))
    assert slow == pytest.approx(4 * fast, rel=0.35)  # it swings less at 160


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["no-such"], 1, "is not a shipped phrase or a file"),
        (["lamp-oil", "--key", "H"], 2, '"H" is not a key'),
        (["lamp-oil", "--form", "thirteen"], 2, "a form"),
        (["lamp-oil", "--variation", "x"], 1, 'is not a variation of "Lamp oil"'),
        (["lamp-oil", "--tempo", "999"], 2, "30 to 240"),
        (
            ["lamp-oil", "--place", "4"],
            2,
            '"Lamp oil" comes 3 times in Twelve-bar blues; write 1 to 3',
        ),
        (["lamp-oil", "--place", "0"], 2, "write 1 to 3"),
        (["lamp-oil", "--place", "-1"], 2, "write 1 to 3"),
        ([], 2, "PHRASE"),
    ],
)
def test_faults(words: list[str], code: int, message: str) -> None:
    result = run(*words)
    assert result.exit_code == code
    assert message in result.stderr
    assert "Traceback" not in result.output


def test_help_is_light() -> None:
    assert not loaded("check", "--help") & (HEAVY | TREES)


def test_a_long_phrase_is_heard_over_a_form_that_comes_again(tmp_path: Path) -> None:
    path = tmp_path / "long.toml"
    notes = "| 1 e5 " * 18
    path.write_text(f'title = "Long"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "{notes}"\n')
    told_of = told(path)
    assert [one["bars"] for one in told_of["lines"]] == [[1, 18]]
    # Bars 12 to 18 of a twelve-bar blues are its last and its first six.
    over = [row["over"] for row in told_of["rows"]][11:]
    assert over == ["E7", "A7", "A7", "A7", "A7", "D7", "D7"]


def test_a_lesson_is_checked_in_all_its_phrases_keys_and_tempos(tmp_path: Path) -> None:
    (tmp_path / "hard.toml").write_text(
        "title = 'Far'\nkey = 'A'\ntempo = 200\n[[part]]\nnotes = '| 1 e17 & E3 2 e17 3 .'\n"
    )
    lesson = tmp_path / "lesson.toml"
    lesson.write_text(
        "title = 'L'\nkeys = ['A', 'B']\ntempos = [40, 200]\n"
        "[[phrase]]\nfile = 'hard.toml'\n[[phrase]]\nfile = 'lamp-oil'\n"
    )
    answer = told(lesson)
    assert [(one["title"], one["key"]) for one in answer["phrases"]] == [
        ("Far", "A"), ("Far", "B"), ("Lamp oil", "A"), ("Lamp oil", "B"),
        ("Lamp oil, low flame", "A"), ("Lamp oil, low flame", "B"),
    ]  # fmt: skip
    first = answer["phrases"][0]
    # A beat at 200 is 0.3 s, and the off-beat lies behind its middle.
    assert 0 < first["tightest"] < 0.15
    text = run(lesson).stdout
    assert "Far in A, 40, 200" in text
    assert "  At 200 beats a minute" in text.splitlines()
    assert run("examples/lesson/lesson.toml", "--strict").stdout.endswith("No warnings.\n")
    wrong = run(lesson, "--key", "C")
    assert wrong.exit_code == 2
    assert "leave out --key" in wrong.stderr
