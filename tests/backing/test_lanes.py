from __future__ import annotations

from fractions import Fraction

import pytest

from backing.lanes import Hit, read_lane
from phrases.errors import ChoiceError


def _only_root(value: str) -> None:
    if value != "R":
        raise ChoiceError(f'"{value}" is not R')


def test_counts_accents_ghosts_and_short_notes() -> None:
    lane, problems = read_lane("1> & (2trip) 4let.", 4, None)
    assert problems == []
    assert lane.bars == 1
    assert lane.hits == (
        Hit(Fraction(0), touch="accent"),
        Hit(Fraction(1, 2)),
        Hit(Fraction(4, 3), touch="ghost"),
        Hit(Fraction(11, 3), short=True),
    )


def test_a_bar_line_starts_another_bar() -> None:
    lane, problems = read_lane("1:R | 3&:R>", 4, _only_root)
    assert problems == []
    assert lane.bars == 2
    assert [(hit.at, hit.value) for hit in lane.hits] == [(0, "R"), (Fraction(13, 2), "R")]


@pytest.mark.parametrize(
    ("text", "offset", "message"),
    [
        ("1 5", 2, 'count "5": the bar has beats 1 to 4; is a bar line | missing before it?'),
        ("2 1", 2, 'count "1" goes back; counts go forward in a bar'),
        ("1 1", 2, 'count "1" goes back; counts go forward in a bar'),
        ("1:R", 0, '"1:R": a drum lane has counts only'),
        ("(1", 0, '"(1" is not a stroke; write a count, as 1, 2&> or (4&)'),
        ("&", 0, '"&" needs its beat here; write "1&" or "4&"'),
    ],
)
def test_a_bad_drum_lane(text: str, offset: int, message: str) -> None:
    assert read_lane(text, 4, None)[1] == [(offset, message)]


@pytest.mark.parametrize(
    ("text", "offset", "message"),
    [
        ("1:R 2", 4, '"2" needs what is played: 2:R'),
        ("1:R 2:x", 4, '"x" is not R'),
    ],
)
def test_a_bad_bass_lane(text: str, offset: int, message: str) -> None:
    assert read_lane(text, 4, _only_root)[1] == [(offset, message)]


def test_every_problem_of_a_lane_is_found_and_the_good_strokes_stay() -> None:
    lane, problems = read_lane("1 9 x 3", 4, None)
    assert [offset for offset, _ in problems] == [2, 4]
    assert [hit.at for hit in lane.hits] == [0, 2]
