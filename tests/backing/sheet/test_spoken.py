"""Written music in words."""

from __future__ import annotations

import pytest

from backing.forms import find_form
from backing.sheet.spoken import spoken
from backing.sheet.writing import over_form
from tests.backing.sheet.lines import one


@pytest.mark.parametrize(
    ("notes", "words"),
    [
        ("| 1 e5 & B8 3 .", "1 high E 5; & B 8; 3 rest"),
        ("4 E3 | 1 G5 2 .", "Pickup: 4 low E 3. Bar 1: 1 G 5; 2 rest."),
        ("| 1 G7b(full)r~ 3 .", "1 G 7, bend a whole step, release, vibrato; 3 rest"),
        ("| 1 G7b(1/4) 2 .", "1 G 7, bend a quarter tone; 2 rest"),
        ("| 1 G7b(full) 2 r(1/2) 3 .", "bend a whole step; 2 release to a half step"),
        ("| 1 B10pb(3/2) 3 .", "1 B 10, pre-bend a step and a half"),
        ("| 1 G5h7p5 2 /9 3 .", "1 G 5, hammer-on to 7, pull-off to 5; 2 slide up to 9"),
        ("| 1 /e8 2 e8\\ 3 Gx 4 .", "1 slide in from below to high E 8; 2 high E 8, slide down"),
        ("| 1 Gx 2 G7tr9 3 .", "1 G muted; 2 G 7, trill with 9"),
        ("| 1 G5+B5 3 .", "1 G 5 with B 5; 3 rest"),
        ("| 1 G5 | 1 -", "Bar 2: no new note."),
    ],
)
def test_what_is_said(notes: str, words: str) -> None:
    assert words in spoken(over_form(one(notes)), range(9))


def test_chords_are_named_before_the_notes() -> None:
    score = over_form(one("| 1 G5 | 1 G7", key="A"), find_form("quick-change"))
    assert spoken(score, (1, 2)).startswith("Bar 1, A7: 1 G 5. Bar 2, D7: 1 G 7.")
