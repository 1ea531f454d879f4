"""A bar ``%`` is the bar before once more, a bar ``=`` the same bar of another part."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from phrases.errors import TextFileError
from phrases.files import read_phrase
from phrases.notation import read_line, write_line
from phrases.pitch import Key
from phrases.rewrite import tidy, with_phrase
from phrases.transpose import transpose


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
        ("| 1 e8 | % 2 e5 3 B8", 11, "has only a % or a = in it"),
        ("| 1 e8 | 1 e5 %", 14, "has only a % or a = in it"),
        ("| 1 H8 | %", 4, '"H" is not a string'),
        ("| = | 1 e8", 2, "which is not there"),
        ("= | 1 e8", 0, "which is not there"),
        ("| 1 e8 | 1 e5 =", 14, "has only a % or a = in it"),
    ],
)
def test_a_mistake_is_told_once(text: str, offset: int, told: str) -> None:
    problems = [p for p in read_line(text).problems if "no note in this line" not in p[1]]
    assert [at for at, _ in problems] == [offset]
    assert told in problems[0][1]


def test_a_file_of_percent_signs_stays_within_the_bars() -> None:
    problems = read_line("| 1 e8 & e5 " + "| % " * 80).problems
    assert any("a part has at most 64" in message for _, message in problems)


HEAD = 'title = "x"\nkey = "A"\ntempo = 90\n'
CALL = "[[part]]\nrole = 'call'\nnotes = '4 D7 & G5 | 1 G7b9~ 3 B8 & B5 | 1 G7 3 .'\n"
TEXT = HEAD + CALL + "[[part]]\nrole = 'response'\nnotes = '= | = | 1 G5 & D7 3 .'\n"


def test_a_response_is_its_call_with_another_end() -> None:
    call, response = read_phrase(TEXT).parts
    assert response.strokes[:-2] == call.strokes[:-1]
    assert [n.fret for s in response.strokes[-2:] for n in s.notes] == [5, 7]
    whole = TEXT.replace("= | =", "4 D7 & G5 | 1 G7b9~ 3 B8 & B5")
    assert read_phrase(whole) == read_phrase(TEXT)
    assert tidy(whole) == TEXT


def test_a_variation_speaks_of_the_part_it_stands_for() -> None:
    text = TEXT + "[[variation]]\nname = 'v'\n[[variation.part]]\nrole = 'response'\n"
    text += "notes = '| 1 e8 & e5 | 1 G5 & D7 3 .'\n"
    assert tidy(text).endswith("notes = '| 1 e8 & e5 | ='\n")
    (_, varied), *_ = read_phrase(tidy(text)).variations
    assert varied == read_phrase(text).variations[0][1]


def test_where_the_other_part_changes_what_was_like_it_is_written_out() -> None:
    """A phrase whose call alone changes keeps its response."""
    phrase = read_phrase(TEXT)
    call = replace(phrase.parts[0], strokes=phrase.parts[0].strokes[1:])
    new = with_phrase(TEXT, replace(phrase, parts=(call, phrase.parts[1])))
    assert read_phrase(new).parts == (call, phrase.parts[1])
    assert "notes = '4 D7 & G5 | = | 1 G5 & D7 3 .'" in new
    moved = with_phrase(TEXT, transpose(phrase, Key("B")))
    assert "notes = '= | = | 1 G7 & D9 3 .'" in moved


@pytest.mark.parametrize(
    ("notes", "told"),
    [
        ("= | = | = | =", "9:22: .* which has no bar 3"),
        ("= | = | 1 e5 | 1 H5", '9:27: "H" is not a string'),
    ],
)
def test_a_bar_that_the_other_part_has_not_is_told(notes: str, told: str) -> None:
    with pytest.raises(TextFileError, match=told):
        read_phrase(TEXT.replace("= | = | 1 G5 & D7 3 .", notes))


def test_a_part_with_mistakes_is_told_alone() -> None:
    with pytest.raises(TextFileError) as caught:
        read_phrase(TEXT.replace("G7b9~", "H7b9~"))
    assert len(caught.value.problems) == 1


def test_what_another_bar_is_does_not_depend_on_how_it_was_typed() -> None:
    """A rest that is written where nothing rings stops no pickup, in a bar like that one."""
    text = HEAD + "[[part]]\nnotes = '| 1 . & e8{3 short} 3 e5'\n"
    text += "[[variation]]\nname = 'v'\n[[variation.part]]\nnotes = '4 G5 & G7 | ='\n"
    ((_, varied),) = read_phrase(text).variations
    half = Fraction(1, 2)
    assert [(s.at, s.end) for s in varied.parts[0].strokes[:2]] == [(-1, -half), (-half, half)]
    assert varied.parts[0].strokes[2].notes[0].marks == ("3", "short")
