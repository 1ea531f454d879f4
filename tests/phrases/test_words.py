from __future__ import annotations

import re

import pytest

from phrases.errors import ChoiceError
from phrases.words import choose, expected, nearest

COLOURS = ["amber", "azure", "black", "brown"]


@pytest.mark.parametrize(
    ("word", "close"),
    [
        ("ambr", "amber"),
        ("AMBER", "amber"),
        ("blakc", "black"),
        ("zzz", None),
        ("", None),
    ],
)
def test_the_nearest_spelling(word: str, close: str | None) -> None:
    assert nearest(word, COLOURS) == close


@pytest.mark.parametrize(
    ("word", "close"),
    [("12-bar", "twelve-bar"), ("8 bar", "eight-bar"), ("16-bar", "sixteen-bar")],
)
def test_bars_of_a_form_may_be_written_as_a_number(word: str, close: str) -> None:
    assert nearest(word, ["eight-bar", "sixteen-bar", "twelve-bar", "minor-twelve-bar"]) == close


@pytest.mark.parametrize(
    ("word", "close"),
    [
        ("help", "loop"), (".m4a", ".wav"), ("tempo", "step"), ("grove", "role"), ("1", "full"),
        ("from", "force"),
    ],
)  # fmt: skip
def test_a_guess_is_no_spelling(word: str, close: str) -> None:
    """Half of the letters are others: nobody who writes the one means the other."""
    assert nearest(word, [close]) is None


@pytest.mark.parametrize(
    ("word", "close"),
    [
        ("blues", "slow-blues"), ("rope.toml", "rope-walk.toml"), ("rseponse", "response"),
        ("quik-chnge", "quick-change"), ("twelve", "twelve-bar"), ("traks", "track"),
    ],
)  # fmt: skip
def test_a_part_of_a_word_and_a_slip_in_every_third_letter_are(word: str, close: str) -> None:
    assert nearest(word, [close]) == close


def test_words_that_differ_in_case_only_find_the_first() -> None:
    assert nearest("e", ["E", "e"]) == "E"


def test_nothing_is_near_to_no_choices() -> None:
    assert nearest("amber", []) is None


def test_a_message_names_the_word_and_its_nearest_spelling() -> None:
    assert expected("a colour", "bron", COLOURS) == (
        '"bron" is not a colour; did you mean "brown"?'
    )


def test_a_message_lists_a_few_choices_where_none_is_near() -> None:
    assert expected("a colour", "qqq", COLOURS) == (
        '"qqq" is not a colour; it may be amber, azure, black, brown'
    )


def test_a_message_cuts_a_long_list() -> None:
    many = [f"word{number}" for number in range(15)]
    message = expected("one of mine", "???", many)
    assert message.endswith("word10, word11 and 3 more")
    assert "word12" not in message


def test_a_message_repeats_nothing_that_a_terminal_obeys() -> None:
    assert expected("a colour", "\x1b[31mr\u202eed", ["blue"]).startswith(
        '"\ufffd[31mr\ufffded" is not a colour; '
    )


def test_choose_returns_a_valid_word_and_refuses_another() -> None:
    assert choose("a colour", "azure", COLOURS) == "azure"
    with pytest.raises(
        ChoiceError, match=re.escape('"Azure" is not a colour; did you mean "azure"?')
    ):
        choose("a colour", "Azure", COLOURS)
