"""What stands over the notation staff, and the rhythm under a tab that stands alone."""

from __future__ import annotations

from collections import Counter

import pytest

from backing.sheet.columns import columns, pads
from backing.sheet.ink import Ink
from backing.sheet.marks import over
from backing.sheet.mei import plan
from backing.sheet.rhythm import rhythm
from backing.sheet.staff import engrave
from backing.sheet.writing import write
from phrases.files import read_phrase
from tests.backing.sheet.lines import one


def drawn(notes: str, *, bare: bool = False, sizes: bool = False) -> list[Ink]:
    text = (
        'title = "T"\nkey = "A"\ngroove = "shuffle"\ntempo = 90\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )
    score = write(read_phrase(text))
    made = plan(score, bends=not bare)
    made.pads = pads(score, made)
    [system] = engrave(score, made, [], 90.0, bare=bare)
    every = columns(score, made, system)
    if bare:
        return rhythm(score, system, every, [])
    return over(score, made, system, every, sizes=sizes)


@pytest.mark.parametrize(
    ("notes", "kinds"),
    [
        ("| 1 G7b(full) 3 .", {"angle": 1}),
        ("| 1 G7b(full)r 3 .", {"angle": 2}),
        ("| 1 B10b(full) 2 r 3 .", {"angle": 2}),
        ("| 1 G7pb(full) 3 .", {"angle": 1}),
        ("| 1 G7b(1/4) 3 .", {"bend": 1}),
        ("| 1 B10b(1/4) 2 - 3 G5 | 1 .", {"bend": 1}),
        ("| 1 G5/7 2 /e8 3 e8\\ 4 .", {"slide": 3}),
        ("| 1 G7~ 3 .", {"vibrato": 1}),
        ("| 1 G7tr9 3 .", {"trill": 2}),
        ("| 1 G5h7 3 .", {}),
        # Its three slashes are in what is engraved.
        ("| 1 G5{tremolo} 3 .", {}),
    ],
)
def test_each_technique_is_on_the_notation_staff(notes: str, kinds: dict[str, int]) -> None:
    assert Counter(one.kind for one in drawn(notes)) == kinds


@pytest.mark.parametrize(
    ("notes", "count"),
    [
        ("| 1 e12{rake} 3 .", 1),
        ("| 1 E3{pm} & E3{pm} 2 E3 3 E3{pm} 4 .", 2),
        ("| 1 B5{ring} & G5{ring} 3 .", 1),
        ("| 1 G5{late} 2 G5{45ms} 3 .", 2),
        ("| 1 G7b(full){slow} 3 .", 1),
        ("| 1 G7b(full){supported} 3 .", 1),
    ],
)
def test_words_stand_over_the_notation_where_there_is_no_tab(notes: str, count: int) -> None:
    assert "word" not in {ink.kind for ink in drawn(notes)}
    alone = drawn(notes, sizes=True)
    words = [ink for ink in alone if ink.kind == "word"]
    assert len(words) == count
    over = [ink.box.top for ink in alone if ink.kind == "angle"]
    assert max(word.box.bottom for word in words) < min([0.0, *over])


def test_tremolo_is_a_sign_through_the_stem() -> None:
    def stems(notes: str) -> int:
        score = write(one(notes))
        [system] = engrave(score, plan(score), [], 90.0)
        return sum(ink.kind == "stem" for ink in system.inks)

    assert stems("| 1 G5{tremolo} 3 .") == stems("| 1 G5 3 .") + 1


def test_sizes_are_told_where_there_is_no_tab() -> None:
    inks = drawn("| 1 G7b(full) 2 r 3 .", sizes=True)
    assert Counter(one.kind for one in inks) == {"angle": 2, "bend size": 1}


@pytest.mark.parametrize(
    ("notes", "kinds"),
    [
        ("| 1 G5 2 G7 3 .", {"stem": 2, "rest": 1, "meter": 2}),
        ("| 1 G5 & G7 2 .", {"stem": 2, "beam": 1, "rest": 2, "meter": 2}),
        ("| 1 G5 e G7 & G5 a G7 2 .", {"stem": 4, "beam": 2, "rest": 2, "meter": 2}),
        ("| 1 G5 trip G7 let G5 2 .", {"stem": 3, "beam": 1, "tuplet": 1, "rest": 2, "meter": 2}),
        ("| 1 G5 3 .", {"stem": 1, "rest": 1, "meter": 2}),
        ("| 1 G5", {"meter": 2}),
    ],
)
def test_a_tab_alone_tells_the_rhythm(notes: str, kinds: dict[str, int]) -> None:
    assert Counter(one.kind for one in drawn(notes, bare=True)) == kinds
