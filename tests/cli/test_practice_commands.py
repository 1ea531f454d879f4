"""`backing loop` and `backing trade` as a student types them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import mido
import pytest
import soundfile
from click.testing import CliRunner, Result

from backing.cli import main

EXAMPLE = str(Path(__file__).parents[2] / "examples" / "porch-light.toml")  # 96 beats a minute
LINE = """title = "One line"
key = "A"
tempo = 120
[[part]]
notes = '| 1 e5 2 . | 1 e8 2 .'
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def told(*words: str | Path) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def rows(*words: str | Path) -> list[list[str]]:
    """Return the cells of the table that a dry run shows."""
    result = run(*words, "--dry-run")
    assert result.exit_code == 0, result.output
    lines = result.output.split("\n\n")[0].splitlines()
    return [line.split() for line in lines[2:]]


def markers(path: Path) -> list[str]:
    file = mido.MidiFile(path)
    return [m.text for track in file.tracks for m in track if m.type == "marker"]


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "week.toml"
    path.write_text("from = 60\nto = 90\nstep = 15\neach = 1\n", encoding="utf-8")
    return path


@pytest.fixture
def one_line(tmp_path: Path) -> Path:
    path = tmp_path / "one.toml"
    path.write_text(LINE, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("words", "tempos"),
    [
        ([], [56, 66, 76, 86, 96]),  # from about 60 % of 96, in tens, up to 96
        (["--from", "60", "--to", "90", "--step", "15"], [60, 75, 90]),
        (["--from", "96", "--to", "80", "--step", "8"], [96, 88, 80]),
        (["--shape", "back", "--from", "80", "--to", "100", "--each", "1"], [80, 90, 100]),
        (["--shape", "hold"], [96]),
        (["--shape", "hold", "--from", "72.5"], [72.5]),
        (["--from", "60", "--to", "80", "--passes", "3"], [60, 70]),
    ],
)
def test_loop_goes_from_tempo_to_tempo(words: list[str], tempos: list[float]) -> None:
    answer = told("loop", EXAMPLE, *words, "--dry-run")
    assert answer["tempos"] == tempos
    assert answer["files"] == []


def test_a_dry_run_prints_table_and_picture_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = ["loop", EXAMPLE, "--from", "60", "--to", "80", "--step", "20", "--each", "2"]
    result = run(*words, "-o", "l.wav", "-o", "l.mid", "--stems", "stems", "--dry-run")
    assert result.exit_code == 0
    lines = result.output.splitlines()
    # Sticks of 4 s, two passes of 16 s, two of 12 s.
    assert [line.rstrip() for line in lines[:5]] == [
        "Porch light",
        " min:s  pass        beats/min     whose turn",
        "  0:04  1 to 2      60            phrase",
        "  0:36  3 to 4      80            phrase",
        "  1:00  end",
    ]
    assert lines[5] == ""
    assert lines[6].startswith("    80 |")
    assert "#" in lines[6]
    assert lines[-1].split() == ["0:04", "1:00"]
    assert result.stderr == ""
    assert list(tmp_path.iterdir()) == []
    assert run(*words, "--dry-run").output == result.output  # needs no file


def test_a_dry_run_tells_what_is_left_out() -> None:
    table = rows(
        "loop", EXAMPLE, "--shape", "hold", "--passes", "4", "--phrase-rests", "2",
        "--band-rests", "3",
    )  # fmt: skip
    assert [" ".join(row[1:]) for row in table] == [
        "1 96 phrase", "2 96 Your turn", "3 96 phrase, no band", "4 96 Your turn", "end",
    ]  # fmt: skip


def test_count_each_lengthens_the_piece_by_its_sticks(tmp_path: Path) -> None:
    words = ["loop", EXAMPLE, "--shape", "hold", "--from", "60", "--passes", "5", "--dry-run"]
    first = told(*words)["seconds"]
    each = told(*words, "--count", "each")["seconds"]
    assert first == pytest.approx(4 + 5 * 16)
    assert each == pytest.approx(5 * (4 + 16))


def test_bars_and_parts_are_shorter_passes() -> None:
    words = ["loop", EXAMPLE, "--shape", "hold", "--from", "60", "--passes", "1", "--dry-run"]
    assert told(*words)["bars"] == 4
    assert told(*words, "--bars", "5-8")["bars"] == 4
    assert told(*words, "--bars", "9-10")["bars"] == 2
    assert told(*words, "--part", "response")["bars"] == 2


def test_a_variation_is_played(tmp_path: Path) -> None:
    plain, other = tmp_path / "a.mid", tmp_path / "b.mid"
    words = ["loop", "lamp-oil", "--shape", "hold", "--passes", "1"]
    assert run(*words, "-o", plain).exit_code == 0
    assert run(*words, "--variation", "low flame", "-o", other).exit_code == 0
    assert plain.read_bytes() != other.read_bytes()
    wrong = run(*words, "--variation", "low flam", "-o", other)
    assert wrong.exit_code == 1
    assert 'did you mean "low flame"?' in wrong.output


def test_a_plan_file_and_options_that_go_before_it(plan: Path) -> None:
    words = ["loop", EXAMPLE, "--plan", str(plan), "--dry-run"]
    assert told(*words)["tempos"] == [60, 75, 90]
    assert told(*words)["passes"] == 3
    assert told(*words, "--to", "75", "--each", "2")["tempos"] == [60, 75]
    assert told(*words, "--shape", "back")["passes"] == 5


def test_every_choice_of_a_plan_file_can_be_overruled(tmp_path: Path) -> None:
    path = tmp_path / "all.toml"
    path.write_text(
        'gap = "call"\nin-gap = "stop"\nguide = "click"\ncue = true\npasses = 2\n'
        'count = "each"\nphrase-rests = 2\nband-rests = 2\n',
        encoding="utf-8",
    )
    assert rows("trade", EXAMPLE, "--plan", path)[0][2:] == [
        "96", "Your", "turn", "/", "Listen"
    ]  # fmt: skip
    table = rows("trade", EXAMPLE, "--plan", path, "--gap", "response", "--phrase-rests", "3",
                 "--passes", "3")  # fmt: skip
    assert table[0][3] == "Listen"
    answers = {
        name: told("trade", EXAMPLE, "--plan", path, *words, "--dry-run")["seconds"]
        for name, words in {"each": [], "first": ["--count", "first"]}.items()
    }
    assert answers["each"] - answers["first"] == pytest.approx(4 * 60 / 96)
    out = tmp_path / "t.mid"
    for words, wood in (([], {76, 77}), (["--no-cue"], {77}), (["--guide", "none"], {76})):
        assert (
            run("trade", EXAMPLE, "--plan", path, "--count", "first", *words, "-o", out).exit_code
            == 0
        )
        notes = {
            m.note
            for track in mido.MidiFile(out).tracks
            for m in track
            if m.type == "note_on" and m.channel == 9
        }
        assert notes & {76, 77} == wood


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("from = 20\n", "week.toml:1:8: tempo 20: it must lie from 30 to 240"),
        ('\nshape = "stps"\n', 'week.toml:2:9: "stps" is not a shape; did you mean "steps"?'),
        ("stpe = 2\n", 'week.toml:1:1: "stpe" is not a key here; did you mean "step"?'),
        ("from = \n", "week.toml:1:"),
        ("step = nan\n", "week.toml:1:8: step nan"),
        ("step = 0\n", "week.toml:1:8: step 0: it must be more than 0"),
    ],
)
@pytest.mark.parametrize("command", ["loop", "trade"])
def test_a_wrong_plan_file_exits_with_1_and_its_place(
    plan: Path, command: str, text: str, message: str
) -> None:
    plan.write_text(text, encoding="utf-8")
    result = run(command, EXAMPLE, "--plan", plan, "-o", plan.with_suffix(".mid"))
    assert result.exit_code == 1
    assert message in result.output
    assert isinstance(result.exception, SystemExit)
    assert list(plan.parent.iterdir()) == [plan]


def test_trade_by_default_leaves_the_response_at_the_phrases_tempo(tmp_path: Path) -> None:
    path = tmp_path / "t.mid"
    answer = told("trade", EXAMPLE, "-o", path)
    assert (answer["tempos"], answer["passes"]) == ([96], 8)
    assert rows("trade", EXAMPLE)[0][2:] == [
        "to", "8", "96", "Listen", "/", "Your", "turn", "/", "Listen"
    ]  # fmt: skip
    assert markers(path)[:3] == ["Pass 1: 96", "Listen", "Your turn"]


@pytest.mark.parametrize(
    ("gap", "bars"), [("response", 4), ("call", 4), ("echo", 8), ("two", 12), ("four", 24)]
)
def test_each_gap_has_its_bars_and_turns(tmp_path: Path, gap: str, bars: int) -> None:
    path = tmp_path / "t.mid"
    answer = told("trade", EXAMPLE, "--gap", gap, "--passes", "1", "-o", path)
    assert answer["bars"] == bars
    turns = {"two": 3, "four": 3}.get(gap, 1)
    assert markers(path).count("Your turn") == turns


def test_a_trade_is_written_as_sound_with_words_of_caution(one_line: Path) -> None:
    path = one_line.with_suffix(".wav")
    result = run(
        "trade", one_line, "--gap", "echo", "--guide", "rhythm", "--in-gap", "stop",
        "--passes", "1", "--from", "240", "--to", "240", "-o", path,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    # A bar of sticks and four bars, each of a second.
    assert 5.0 <= soundfile.info(path).duration <= 5.0 + 4.1
    assert "loud headphones can damage hearing" in result.stderr
    assert "Rest when a hand tires" in result.stderr


@pytest.mark.parametrize("gap", ["call", "response"])
def test_a_phrase_without_call_and_response_says_what_to_try(one_line: Path, gap: str) -> None:
    result = run("trade", one_line, "--gap", gap, "--dry-run")
    assert result.exit_code == 1
    assert result.output == (
        'Error: "One line" has no call and response to trade; try --gap echo, two or four\n'
    )
    for other in ("echo", "two", "four"):
        assert run("trade", one_line, "--gap", other, "--dry-run").exit_code == 0


def test_a_seamless_loop_is_shown_as_the_one_pass_it_is(one_line: Path) -> None:
    words = ["loop", str(one_line), "--seamless", "--dry-run"]
    assert rows(*words) == [["0:00", "1", "120", "phrase"], ["0:04", "end"]]
    answer = told(*words)
    assert (answer["seconds"], answer["bars"], answer["passes"]) == (4, 2, 1)


def test_a_seamless_loop_as_midi_has_one_pass(one_line: Path) -> None:
    path = one_line.with_suffix(".mid")
    assert run("loop", one_line, "--seamless", "-o", path).exit_code == 0
    assert mido.MidiFile(path).length == pytest.approx(4.0, abs=1e-3)
    assert markers(path)[0] == "Loop: 120"
    assert not [text for text in markers(path) if text.startswith("Pass")]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["loop", EXAMPLE, "--bars", "8-5"], '"8-5" is not a range of bars'),
        (["loop", EXAMPLE, "--bars", "x"], "write the first and the last: 5-8"),
        (["loop", EXAMPLE, "--part", "verse"], '"verse" is none of'),
        (["loop", EXAMPLE, "--shape", "stairs"], '"stairs" is none of'),
        (["loop", EXAMPLE, "--passes", "0"], "write a whole number from 1 to 2000"),
        (["loop", EXAMPLE, "--passes", "2001"], "write a whole number from 1 to 2000"),
        (["loop", EXAMPLE, "--phrase-rests", "1"], "write a whole number from 2 to 100"),
        (["loop", EXAMPLE, "--band-rests", "0"], "write a whole number from 2 to 100"),
        (["loop", EXAMPLE, "--count", "never"], '"never" is none of'),
        (["loop", EXAMPLE, "--gap", "echo"], "there is no --gap here"),
        (["trade", EXAMPLE, "--seamless"], "there is no --seamless here"),
        (["trade", EXAMPLE, "--gap", "three"], '"three" is none of'),
        (["trade", EXAMPLE, "--in-gap", "none"], '"none" is none of'),
        (["trade", EXAMPLE, "--guide", "loud"], '"loud" is none of'),
        (["trade"], "name a phrase: a file"),
    ],
)
def test_wrong_usage_exits_with_2(words: list[str], message: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert message in result.output


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["loop", EXAMPLE, "--bars", "9-13"], "bars 9-13: the form twelve-bar has bars 1 to 12"),
        (["loop", EXAMPLE, "--part", "line"], '"Porch light" has no line; it has: call, response'),
        (["loop", EXAMPLE, "--variation", "x"], '"Porch light" has no variations'),
        (["loop", EXAMPLE, "--plan", "no.toml"], "no.toml: there is no such file"),
        (["loop", EXAMPLE, "--step", "1", "--from", "30", "--to", "240", "--each", "10"],
         "2110 passes: a loop has at most 2000"),
        (["trade", "lamp-oi"], 'did you mean "lamp-oil"?'),
    ],
)  # fmt: skip
def test_other_failures_exit_with_1(
    words: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for more in (["--dry-run"], ["-o", "x.mid"]):
        result = run(*words, *more)
        assert result.exit_code == 1
        assert message in result.output
        assert isinstance(result.exception, SystemExit)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["loop", "--bars", "5-8", "--part", "call"], "bars and part are two choices"),
        (["loop", "--shape", "hold", "--from", "50", "--to", "60"], "hold has one tempo"),
        (["loop", "--shape", "ramp", "--each", "2"], "each changes nothing in ramp"),
        (["trade", "--each", "2"], "each changes nothing in hold; say from which tempo"),
        (["loop", "--tempo", "60"], "tempos go --from one --to another; for a single one write"),
        (["trade", "--bpm", "60"], "tempos go --from one --to another; for a single one write"),
        (["demo", "--bpm", "60"], 'there is no --bpm here; did you mean "--tempo"?'),
        (["loop", "--plan", "/"], "Error: /: is a folder; name a file\n"),
        (["catch", "x.wav", "--from", "3"], "there is no --from here\n"),
        (["loop", "--soundfont", "x.sf2", "-o", "x.mid"], "--soundfont is for sound"),
    ],
)
def test_options_that_do_not_go_together_are_wrong_usage(words: list[str], said: str) -> None:
    result = run(words[0], EXAMPLE, *words[1:])
    assert result.exit_code == 2
    assert said in result.stderr


def test_too_few_passes_are_told() -> None:
    result = run("loop", EXAMPLE, "--from", "60", "--to", "70", "--step", "5", "--passes", "3",
                 "--dry-run")  # fmt: skip
    assert result.exit_code == 0
    assert "note: 3 passes end at 65; to arrive at 70 it takes 5" in result.stderr


@pytest.mark.parametrize("form", ["twelve-bar", "eight-bar", "sixteen-bar"])
def test_trading_fours_alternates_over_every_form(form: str) -> None:
    """Common practice: over three lines of four bars the roles swap in the next chorus."""
    path = str(Path(EXAMPLE))
    turns = [
        cell for cell in rows("trade", path, "--gap", "four", "--form", form, "--no-cue")[0]
        if cell in ("Listen", "Your")
    ]  # fmt: skip
    lines = {"twelve-bar": 6, "eight-bar": 2, "sixteen-bar": 4}[form]
    assert turns[:lines] == ["Listen", "Your"] * (lines // 2)


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """Note what would be played, on a MIDI port that nobody opens."""
    found: list[dict[str, Any]] = []
    monkeypatch.setattr(
        "backing.live.play.play", lambda stream, **more: found.append({"stream": stream, **more})
    )
    return found


def test_hands_free_counts_in_each_pass_and_asks(played: list[dict[str, Any]]) -> None:
    assert run("loop", EXAMPLE, "--hands-free", "--passes", "2", "--port", "x").exit_code == 0
    kinds = [section.kind for section in played[0]["stream"].sections]
    assert kinds == ["count-in", "pass", "count-in", "pass"]
    assert (played[0]["asks"], played[0]["counts"]) == (True, True)
    assert run("loop", EXAMPLE, "--port", "x", "--no-resume-count").exit_code == 0
    assert (played[1]["asks"], played[1]["counts"]) == (False, False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--hands-free", "-o", "x.mid"], "--hands-free is for playing"),
        (["--hands-free", "--count", "first"], "--hands-free counts in before each pass"),
        (["--hands-free", "--count-in", "0"], "nothing to count in with"),
    ],
)
def test_hands_free_refuses_what_it_cannot_have(words: list[str], said: str) -> None:
    result = run("loop", EXAMPLE, "--port", "x", *words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_a_seamless_loop_is_played_round_and_round(played: list[dict[str, Any]]) -> None:
    assert run("loop", EXAMPLE, "--seamless", "--port", "x").exit_code == 0
    assert played[0]["stream"].window is not None  # which `play` goes round in
