"""Fingers that tips name are those of the sheet, or `check` says so."""

from __future__ import annotations

import pytest

from phrases.check import check
from phrases.files import read_phrase
from phrases.tipped import contradictions


def told(notes: str, tip: str, at: str = "line 1 1") -> list[tuple[str, str]]:
    return list(
        contradictions(
            read_phrase(
                f"title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\nnotes = '{notes}'\n"
                f"[[tip]]\nat = '{at}'\ntext = '{tip}'\n"
            )
        )
    )


@pytest.mark.parametrize(
    ("notes", "tip", "at"),
    [
        ("| 1 G7b(full)~", "Third finger, slowly.", "line 1 1"),
        (
            "| 1 G7b(full)+B5",
            "Third finger on the G string, first finger on the B string.",
            "line 1 1",
        ),
        ("| 1 G7b(full)~", "The second finger helps behind it.", "line 1 1"),
        ("| 1 e5 & e8 2 B8 & B5", "Shift: first, fourth and first finger.", "line 1 1"),
        ("| 1 e5 & e8", "With the little finger.", "line 1 1&"),
        ("| 1 G7p5", "Keep the first finger down.", "line 1 1"),
        ("| 1 G8{1}", "First finger.", "line 1 1"),
        ("| 1 G7b(full)~", "Bend it up to the third, or to the fourth.", "line 1 1"),
    ],
)
def test_what_a_tip_says_of_fingers_is_so(notes: str, tip: str, at: str) -> None:
    assert told(notes, tip, at) == []


@pytest.mark.parametrize(
    ("notes", "tip", "said"),
    [
        ("| 1 G7b(full)~", "First finger.", "says first finger, the sheet has third"),
        (
            "| 1 G7b(full)+B5",
            "Third finger on the B string.",
            "says third finger, the sheet has f",
        ),
        ("| 1 e5 & e8 2 B8 & B5", "The second finger is next.", "says second finger"),
        ("| 1 G7b(full){2}", "Ring finger.", "says third finger, the sheet has second"),
    ],
)
def test_another_finger_is_told(notes: str, tip: str, said: str) -> None:
    ((place, text),) = told(notes, tip)
    assert place == "line 1 1"
    assert said in text
    assert "write the finger behind the note" in text


def test_check_tells_it_with_its_place() -> None:
    phrase = read_phrase(
        "title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\nrole = 'call'\n"
        "notes = '3& e5 4 e8 | 1 G7b(full) 3 B5'\n"
        "[[tip]]\nat = 'call 0 3&'\ntext = 'Fourth finger.'\n"
    )
    (found,) = [one for one in check(phrase).cautions if "finger" in one.text]
    assert (found.place, found.weight) == ("call 0 3&", "taste")
