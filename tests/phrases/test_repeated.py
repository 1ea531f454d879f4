"""A bar ``%`` is the bar before once more."""

from __future__ import annotations

import pytest

from phrases.notation import read_line, write_line


@pytest.mark.parametrize(
    ("short", "long"),
    [
        ("| 1 e8 & e5 | %", "| 1 e8 & e5 | 1 e8 & e5"),
        ("| 1 e8 2 e5 | % | %", "| 1 e8 2 e5 | 1 e8 2 e5 | 1 e8 2 e5"),
        ("4 D7 | 1 e8{d} 3 . | % | 1 G7", "4 D7 | 1 e8{d} 3 . | 1 e8{d} 3 . | 1 G7"),
        ("| 1 G5/7 2 h9 | % | 1 -", "| 1 G5/7 2 h9 | 1 G5/7 2 h9 | 1 -"),
    ],
)
def test_it_reads_as_the_bar_written_again(short: str, long: str) -> None:
    again, whole = read_line(short), read_line(long)
    assert again.problems == whole.problems == []
    assert (again.strokes, again.bars) == (whole.strokes, whole.bars)
    assert write_line(whole.strokes, whole.bars) == short


def test_a_bar_of_one_word_is_written_again() -> None:
    for text in ("| 1 e8 | 1 e8", "| 1 e8 | 1 - | 1 -", "| 1 e8 2 . | 1 . | 1 ."):
        line = read_line(text)
        assert write_line(line.strokes, line.bars) == text


@pytest.mark.parametrize(
    ("text", "offset", "told"),
    [
        ("| % | 1 e8", 2, "repeats the bar before, but there is none"),
        ("4 e8 | %", 7, "repeats the bar before, but there is none"),
        ("| 1 e8 | % 2 e5 3 B8", 11, "has only a % in it"),
        ("| 1 e8 | 1 e5 %", 14, "has only a % in it"),
        ("| 1 H8 | %", 4, '"H" is not a string'),
    ],
)
def test_a_mistake_is_told_once(text: str, offset: int, told: str) -> None:
    problems = [p for p in read_line(text).problems if "no note in this line" not in p[1]]
    assert [at for at, _ in problems] == [offset]
    assert told in problems[0][1]


def test_a_file_of_percent_signs_stays_within_the_bars() -> None:
    problems = read_line("| 1 e8 & e5 " + "| % " * 80).problems
    assert any("a part has at most 64" in message for _, message in problems)
