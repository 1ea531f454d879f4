from __future__ import annotations

import math
import re
from contextlib import nullcontext
from dataclasses import fields
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from backing.practice import Plan, read_plan, usual_start
from backing.practice.plan import (
    COUNTS,
    GAPS,
    GUIDES,
    IN_GAPS,
    MOST_PASSES,
    SHAPES,
    check_lasts,
    check_step,
    check_words,
    parse_bars,
)
from phrases.errors import BluesError, ChoiceError, RangeError, TextFileError, WordsError


def tempos(tempo: int = 100, **words: Any) -> list[Fraction]:
    return [one.tempo for one in _plan(**words).run(Fraction(tempo), 4)]


def _plan(**words: Any) -> Plan:
    exact: dict[str, Any] = {
        k: Fraction(str(v)) if k in ("start", "goal", "step") else v for k, v in words.items()
    }
    return Plan(**exact)


def test_by_default_from_about_sixty_per_cent_to_the_tempo() -> None:
    assert tempos(100) == [60, 60, 70, 70, 80, 80, 90, 90, 100, 100]
    # Whole steps below the tempo, so that the last one is no shorter.
    assert tempos(56) == [36, 36, 46, 46, 56, 56]
    assert tempos(96, each=1) == [56, 66, 76, 86, 96]
    assert tempos(56, each=1, shape="back") == [36, 46, 56, 46, 36]
    # Where they would lead below 30, or nowhere, it starts at a multiple of 5.
    assert tempos(39, each=1) == [30, 39]
    assert tempos(90, each=1, step=200) == [55, 90]


@pytest.mark.parametrize(
    ("tempo", "start"), [(100, 60), (96, 60), (240, 145), (40, 30), (30, 30), (58, 35)]
)
def test_practice_starts_at_about_sixty_per_cent(tempo: int, start: int) -> None:
    assert usual_start(Fraction(tempo)) == start
    assert start == 30 or abs(start - 0.6 * tempo) <= 2.5


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ({"start": 60, "goal": 90, "each": 1}, [60, 70, 80, 90]),
        ({"start": 100, "goal": 80, "each": 1}, [100, 90, 80]),
        ({"start": 60, "goal": 85}, [60, 60, 70, 70, 80, 80, 85, 85]),
        ({"start": 80, "goal": 80, "each": 3}, [80, 80, 80]),
        ({"start": 60, "goal": 60.3, "step": 0.1, "each": 1},
         [60, Fraction(601, 10), Fraction(602, 10), Fraction(603, 10)]),
        ({"start": 60, "goal": 70, "each": 1, "step": 50}, [60, 70]),
        ({"shape": "back", "start": 60, "goal": 80, "each": 1}, [60, 70, 80, 70, 60]),
        ({"shape": "back", "start": 60, "goal": 75, "each": 2},
         [60, 60, 70, 70, 75, 75, 70, 70, 60, 60]),
        ({"shape": "back", "start": 80, "goal": 60, "each": 1}, [80, 70, 60, 70, 80]),
        ({"shape": "back", "start": 80, "goal": 80, "each": 2}, [80, 80]),
        ({"shape": "hold"}, [100] * 8),
        ({"shape": "hold", "start": 72.5, "passes": 3}, [Fraction(145, 2)] * 3),
    ],
)  # fmt: skip
def test_tempos_go_from_pass_to_pass(words: dict[str, Any], expected: list[Fraction]) -> None:
    assert tempos(**words) == expected


@pytest.mark.parametrize(
    ("passes", "expected"),
    [
        (1, [60]),
        (3, [60, 60, 70]),
        (4, [60, 60, 70, 70]),
        (7, [60, 60, 70, 70, 70, 70, 70]),
    ],
)
def test_a_longer_plan_stays_at_the_last_tempo_and_a_shorter_one_stops(
    passes: int, expected: list[int]
) -> None:
    assert tempos(start=60, goal=70, passes=passes) == expected


def test_there_and_back_is_stretched_at_its_end() -> None:
    assert tempos(shape="back", start=60, goal=70, each=1, passes=5) == [60, 70, 60, 60, 60]


def test_a_held_tempo_is_the_goal_that_was_asked_for() -> None:
    assert set(tempos(shape="hold", goal=50)) == {50}


def test_every_nth_pass_leaves_something_out() -> None:
    plan = _plan(shape="hold", passes=12, phrase_rests=3, band_rests=4)
    run = plan.run(Fraction(100), 4)
    assert [n for n, one in enumerate(run, 1) if not one.phrase] == [3, 6, 9, 12]
    assert [n for n, one in enumerate(run, 1) if not one.band] == [4, 8, 12]


@pytest.mark.parametrize(("counted", "expected"), [("first", [1]), ("each", [1, 2, 3, 4])])
def test_passes_are_counted_in(counted: str, expected: list[int]) -> None:
    run = _plan(shape="hold", passes=4, counted=counted).run(Fraction(100), 4)
    assert [n for n, one in enumerate(run, 1) if one.count_in] == expected


def _length(plan: Plan, beats: int) -> float:
    seconds = Fraction(0)
    for one in plan.run(Fraction(100), beats):
        every = [one.tempo, *(tempo for _, tempo in one.steps)]
        assert [beat for beat, _ in one.steps] == list(range(1, beats))
        seconds += sum(60 / tempo for tempo in every)
    return float(seconds)


@pytest.mark.parametrize(
    ("start", "goal", "passes", "beats"),
    [
        (60, 120, 1800, 4),
        (240, 30, 1000, 16),
        (100, 101, 7, 3),
        (30, 240, 1, 4),
        (57.3, 96, 90, 8),
    ],
)
def test_a_ramp_is_as_long_as_its_closed_form(
    start: float, goal: float, passes: int, beats: int
) -> None:
    # A tempo that grows evenly with the beats, T(b) = T0 + k b, takes the integral of 60 / T:
    # (60 / k) ln(T1 / T0) seconds.
    slope = (goal - start) / (passes * beats)
    closed = 60 / slope * math.log(goal / start)
    plan = _plan(shape="ramp", start=start, goal=goal, passes=passes)
    assert abs(_length(plan, beats) - closed) <= 0.001 * max(1.0, closed / 3600)


def test_a_ramp_changes_evenly_beat_by_beat() -> None:
    run = _plan(shape="ramp", start=60, goal=120, passes=5).run(Fraction(100), 4)
    every = [float(tempo) for one in run for tempo in (one.tempo, *(t for _, t in one.steps))]
    assert len(every) == 20
    # Three beats a minute a beat; each beat has about the tempo of its middle.
    for beat, tempo in enumerate(every):
        assert tempo == pytest.approx(60 + 3 * (beat + 0.5), abs=0.02)
    down = _plan(shape="ramp", start=120, goal=60, passes=5).run(Fraction(100), 4)
    assert [one.tempo for one in down] == sorted((one.tempo for one in down), reverse=True)


def test_a_ramp_has_eight_passes_by_default_and_may_be_level() -> None:
    run = _plan(shape="ramp", start=60).run(Fraction(100), 4)
    assert len(run) == 8
    assert all(a.tempo < b.tempo for a, b in pairwise(run))
    level = _plan(shape="ramp", start=90, goal=90, passes=3).run(Fraction(100), 4)
    assert {t for one in level for t in (one.tempo, *(t for _, t in one.steps))} == {90}


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"step": 0}, r"^step 0: it must be more than 0$"),
        ({"step": -5}, r"^step -5: it must be more than 0$"),
        ({"each": 0}, r"^passes at each tempo 0: it must be 1 to 2000$"),
        ({"passes": 0}, r"^passes 0: it must be 1 to 2000$"),
        ({"passes": MOST_PASSES + 1}, r"^passes 2001: it must be 1 to 2000$"),
        ({"shape": "hold", "passes": 2001}, r"^passes 2001: it must be 1 to 2000$"),
        ({"shape": "ramp", "passes": 2001}, r"^passes 2001: it must be 1 to 2000$"),
        ({"start": 60, "goal": 60, "each": 2001}, r"^passes at each tempo 2001: it must be"),
        # Counted before they are made.
        ({"start": 30, "goal": 240, "step": "0.1", "each": 1},
         r"^2101 passes: a loop has at most 2000; "),
        ({"shape": "back", "start": 30, "goal": 240, "step": "0.1", "each": 1},
         r"^4201 passes: a loop has at most 2000; "),
        ({"step": "0.01"}, r"^step 0.01: it must be at least 0.1$"),
        ({"goal": 241}, r"^tempo 241: it must lie from 30 to 240"),
        ({"start": 29}, r"^tempo 29: it must lie from 30 to 240"),
        ({"phrase_rests": 1}, r"^the phrase rests every Nth pass, N = 1: it must be 2 to 100$"),
        ({"band_rests": -2}, r"^the band rests every Nth pass, N = -2: it must be 2 to 100$"),
    ],
)  # fmt: skip
def test_numbers_out_of_range(words: dict[str, Any], message: str) -> None:
    with pytest.raises(RangeError, match=message):
        tempos(**words)


def test_the_most_passes_are_allowed() -> None:
    assert MOST_PASSES == 2000
    assert len(tempos(start=60, goal=60, each=2000)) == 2000


def test_a_plan_that_stops_early_counts_the_passes_it_makes() -> None:
    assert tempos(start=30, goal=240, step=1, each=10, passes=3) == [30, 30, 30]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"shape": "stps"}, r'^"stps" is not a shape; did you mean "steps"\?$'),
        ({"counted": "eech"}, r'^"eech" is not a count-in; did you mean "each"\?$'),
        ({"gap": "respons"}, r'^"respons" is not a gap; did you mean "response"\?$'),
        ({"in_gap": "sto"}, r'^"sto" is not a way of the band in a gap; did you mean "stop"\?$'),
        ({"guide": "clik"}, r'^"clik" is not a guide; did you mean "click"\?$'),
        ({"part": "cal"}, r'^"cal" is not a part; did you mean "call"\?$'),
    ],
)
def test_words_that_are_none(words: dict[str, Any], message: str) -> None:
    with pytest.raises(ChoiceError, match=message):
        tempos(**words)


@pytest.mark.parametrize(
    ("text", "bars"),
    [
        ("5-8", (5, 8)),
        ("5", (5, 5)),
        (" 5 - 8 ", (5, 8)),
        ("12-12", (12, 12)),
        ("1", (1, 1)),
        ("100-120", (100, 120)),  # no form has a thousand bars
    ],
)
def test_bars_are_read(text: str, bars: tuple[int, int]) -> None:
    assert parse_bars(text) == bars


@pytest.mark.parametrize(
    "text", ["", "-", "8-5", "0-4", "5-", "-5", "five", "5-8-9", "5,8", "100-1000", "\u00b2"]
)
def test_bars_that_are_none(text: str) -> None:
    with pytest.raises(RangeError, match=r"is not a range of bars; write the first and the las"):
        parse_bars(text)


WHOLE = """from = 60.5
to = 120
step = 2.5
each = 3
shape = "back"
passes = 40
count = "each"
bars = "5-8"
part = "call"
phrase-rests = 3
band-rests = 4
gap = "echo"
in-gap = "thin"
guide = "click"
cue = false
"""


def _read(folder: Path, text: str) -> dict[str, Any]:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return read_plan(path)


def test_a_plan_file_may_say_everything(tmp_path: Path) -> None:
    found = _read(tmp_path, WHOLE)
    assert found == {
        "start": Fraction(121, 2), "goal": 120, "step": Fraction(5, 2), "each": 3,
        "shape": "back", "passes": 40, "counted": "each", "bars": (5, 8), "part": "call",
        "phrase_rests": 3, "band_rests": 4, "gap": "echo", "in_gap": "thin", "guide": "click",
        "cue": False,
    }  # fmt: skip
    assert set(found) == {field.name for field in fields(Plan)}
    Plan(**found).checked(Fraction(100))


def test_a_plan_file_may_say_nothing(tmp_path: Path) -> None:
    assert _read(tmp_path, "# as usual\n") == {}


@pytest.mark.parametrize(
    ("word", "table"),
    [("shape", SHAPES), ("count", COUNTS), ("gap", GAPS), ("in-gap", IN_GAPS), ("guide", GUIDES)],
)
def test_a_plan_file_takes_every_word_of_the_tables(
    tmp_path: Path, word: str, table: dict[str, str]
) -> None:
    for value in table:
        assert list(_read(tmp_path, f'{word} = "{value}"').values()) == [value]


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("from = 20", "1:8: tempo 20: it must lie from 30 to 240"),
        ("to = 241", "1:6: tempo 241: it must lie"),
        ("from = nan", "1:8: tempo nan: it must lie"),
        ('to = "x"', '1:6: "to" must be a number, got the text "x"'),
        ('step = "4"', '1:8: "step" must be a number, got the text "4"; write it without quotes'),
        ("step = 0", "1:8: step 0: it must be more than 0"),
        ("step = -5", "1:8: step -5: it must be more than 0"),
        ("step = nan", "1:8: step nan"),
        ("step = inf", "1:8: step inf"),
        ("each = 2.5", '1:8: "each" must be a whole number, got 2.5'),
        ("each = 0", "1:8: "),
        ('passes = "9"', '1:10: "passes" must be a whole number, got the text "9"'),
        ("passes = 0", "1:10: passes 0: it must be 1 to 2000"),
        ("passes = 2001", "1:10: passes 2001: it must be 1 to 2000"),
        ("phrase-rests = 1", "1:16: "),
        ("band-rests = true", '1:14: "band-rests" must be a whole number, got true'),
        ('shape = "stps"', '1:9: "stps" is not a shape; did you mean "steps"?'),
        ("shape = 3", '1:9: "shape" must be text in quotes, got 3'),
        ('count = "eech"', '1:9: "eech" is not a count-in; did you mean "each"?'),
        ('bars = "8-5"', '1:8: "8-5" is not a range of bars'),
        ("bars = 5", '1:8: "bars" must be text in quotes, got 5'),
        ('part = "cal"', '1:8: "cal" is not a part; did you mean "call"?'),
        ('gap = "ecko"', '1:7: "ecko" is not a gap; did you mean "echo"?'),
        ('in-gap = "tin"', '1:10: "tin" is not a way of the band in a gap; did you mean "thin"?'),
        ('guide = "sof"', '1:9: "sof" is not a guide; did you mean "soft"?'),
        ('cue = "yes"', '1:7: "cue" must be true or false, got the text "yes"'),
        ("stpe = 2", '1:1: "stpe" is not a key here; did you mean "step"?'),
        ("phrase_rests = 2", '1:1: "phrase_rests" is not a key here; did you mean "phrase-rests"'),
        ("counted = 2", '1:1: "counted" is not a key here; did you mean "count"?'),
        ("[plan]", '1:1: "plan" is not a key here'),
    ],
)
def test_a_plan_files_faults_have_line_and_column(tmp_path: Path, line: str, message: str) -> None:
    with pytest.raises(TextFileError) as caught:
        _read(tmp_path, line + "\n")
    assert f"plan.toml:{message}" in str(caught.value)


def test_a_plan_files_faults_come_all_at_once(tmp_path: Path) -> None:
    with pytest.raises(TextFileError) as caught:
        _read(tmp_path, 'from = 20\nshape = "stps"\n  stpe = 2\n')
    told = str(caught.value).splitlines()
    assert len(told) == 3
    assert {line.split(": ")[0].removeprefix(str(tmp_path)) for line in told} == {
        "/plan.toml:1:8", "/plan.toml:2:9", "/plan.toml:3:3"
    }  # fmt: skip


def test_a_plan_file_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "weekly.toml").write_text("from = 60", encoding="utf-8")
    with pytest.raises(BluesError, match=r'did you mean "weekly\.toml"\?$'):
        read_plan(tmp_path / "wekly.toml")


def test_a_ramp_that_lasts_too_long_is_refused_before_it_is_made() -> None:
    with (
        patch("backing.practice.plan.Pass") as made,
        pytest.raises(RangeError, match="hours; a loop"),
    ):
        Plan(shape="ramp", passes=2000, start=Fraction(35)).run(Fraction(60), 256)
    assert not made.called


def test_a_little_too_long_is_more_than_the_most() -> None:
    check_lasts(850, 4 * 3600)
    with pytest.raises(RangeError, match=r"last 4:01 hours; a loop lasts 4:00 hours at most"):
        check_lasts(850, 4 * 3600 + 1)


def test_the_lowest_tempo_of_all_is_a_start_too() -> None:
    """56 less two steps of 13 is 30, the lowest there is; the multiple of 5 would be 35."""
    assert usual_start(Fraction(56), Fraction(13)) == 30
    assert usual_start(Fraction(56), Fraction(14)) == 35  # 28 is too low
    assert usual_start(Fraction(60), Fraction(20)) == 40  # a single step


def test_a_step_is_what_is_written() -> None:
    assert [check_step(step) for step in (0.1, 2.5, 7)] == [Fraction(1, 10), Fraction(5, 2), 7]
    assert check_step(Fraction(1, 3)) == Fraction(1, 3)


@pytest.mark.parametrize(
    ("text", "room", "message"),
    [
        ('gap = "echo"\n', "loop", "gap is for a trade, not for a loop; leave it out"),
        ('bars = "5-8"\n', "trade", "bars is for a loop, not for a trade; leave it out"),
        ('shape = "hold"\nfrom = 50\nto = 60\n', "loop", "hold has one tempo; keep from or to"),
        ('shape = "ramp"\neach = 2\n', "loop", "each changes nothing in ramp; leave it out"),
        (
            'part = "call"\nshape = "ramp"\nstep = 5\n',
            "loop",
            ":3:1: step changes nothing in ramp",
        ),
        ("tempo = 60\n", "loop", ':1:1: "tempo" is not a key here; a plan goes from one tempo to'),
        ("bpm = 60\n", "trade", ':1:1: "bpm" is not a key here; a plan goes from one tempo to'),
    ],
)
def test_a_plan_file_has_no_word_in_vain(
    tmp_path: Path, text: str, room: str, message: str
) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TextFileError, match=re.escape(message)):
        read_plan(path, room)


@pytest.mark.parametrize(
    ("told", "room", "own", "message"),
    [
        ({"step": 5}, "trade", {"step"}, "step changes nothing in hold; say from which tempo"),
        ({"step": 5, "start": 60}, "trade", {"step"}, ""),
        ({"step": 5}, "loop", {"step"}, ""),
        (
            {"step": 5, "shape": "ramp"},
            "trade",
            {"step"},
            "step changes nothing in ramp; leave it",
        ),
        ({"step": 5, "shape": "ramp"}, "trade", set(), ""),  # what a file says may be overruled
        ({"shape": "hold", "start": 50, "goal": 60}, "loop", {"start", "goal"}, "hold has one"),
        ({"shape": "hold", "start": 60, "goal": 60}, "loop", {"start", "goal"}, ""),
        ({"shape": "hold", "start": 50, "goal": 60}, "loop", {"goal"}, ""),
        ({"bars": (5, 8), "part": "call"}, "loop", {"bars"}, "bars and part are two choices"),
        ({"bars": (5, 8), "part": ""}, "loop", {"bars"}, ""),
        ({"gap": "echo"}, "loop", {"gap"}, "gap is for a trade, not for a loop; leave it out"),
    ],
)
def test_options_beside_a_plan_file_are_not_in_vain(
    told: dict[str, Any], room: str, own: set[str], message: str
) -> None:
    with pytest.raises(WordsError, match=f"^{message}") if message else nullcontext():
        check_words(told, room, {name: told[name] for name in own})


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            {"start": 60, "goal": 70, "step": 5, "passes": 3},
            "end at 65; to arrive at 70 it takes 5",
        ),
        ({"start": 60, "goal": 70, "passes": 1}, "1 passes end at 60; to arrive at 70 it takes 3"),
        ({"start": 60, "goal": 70, "passes": 3}, ""),
        ({"start": 60, "goal": 70, "shape": "back", "each": 1, "passes": 2}, "at 60 it takes 3"),
        ({"start": 60, "goal": 70, "shape": "ramp", "passes": 1}, ""),
        ({"start": 60, "goal": 70}, ""),
    ],
)
def test_passes_that_do_not_arrive_are_told(words: dict[str, Any], said: str) -> None:
    told = _plan(**words).falls_short(Fraction(100))
    assert told.endswith(said)
    assert bool(told) == bool(said)
