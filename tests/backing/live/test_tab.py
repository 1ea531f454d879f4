from __future__ import annotations

from dataclasses import replace

import pytest

import backing
from backing.live.index import StreamIndex
from backing.live.tab import Follower, Tab, lay_out
from phrases.files import load_phrase
from tests.backing.live.material import clicks
from tests.backing.material import answered, line


def lit(tab: Tab) -> list[str]:
    return [tab.lines[row][start:end] for row, start, end in tab.lit]


def test_six_lines_high_e_on_top() -> None:
    phrase = line("4& e5 | 1 G7b(full)~ 3 B5+e5 | 1 Dx 2 E3/5h7 4 .")
    given = backing.demo(phrase, choruses=1)
    tab = Follower(StreamIndex(given), phrase).tab(0, 0.0, 80)
    assert tab.lines == (
        "e|-5-|---------------5----|--------------|",
        "B|---|---------------5----|--------------|",
        "G|---|-7b(full)~----------|--------------|",
        "D|---|--------------------|-x------------|",
        "A|---|--------------------|--------------|",
        "E|---|--------------------|-----3/5h7----|",
    )
    assert tab.lit == ()


def test_what_sounds_is_lit_in_its_time() -> None:
    phrase = answered()
    follower = Follower(StreamIndex(backing.demo(phrase, choruses=1)), phrase)
    assert lit(follower.tab(1, 0.1, 80)) == [">8p5<"]
    assert lit(follower.tab(1, 1.5, 80)) == [">8<"]
    assert lit(follower.tab(1, 4.1, 80)) == [">7b(full)<"]
    assert lit(follower.tab(1, 6.5, 80)) == []
    assert lit(follower.tab(1, 7.1, 80)) == [">5<"]  # the pickup of the response
    assert lit(follower.tab(1, 16.1, 80)) == [">8p5<"]  # the next line of the form
    assert lit(follower.tab(0, 3.8, 80)) == [">5<"]  # its pickup, in the count-in


def test_swing_is_taken_into_account() -> None:
    phrase = line("| 1 e5 & e8 2 .", swing="2:1")
    follower = Follower(StreamIndex(backing.demo(phrase, choruses=1)), phrase)
    assert lit(follower.tab(1, 0.6, 80)) == [">5<"]
    assert lit(follower.tab(1, 0.7, 80)) == [">8<"]


def test_double_stops_are_lit_together() -> None:
    phrase = line("| 1 B5+e5 2 .")
    follower = Follower(StreamIndex(backing.demo(phrase, choruses=1)), phrase)
    assert lit(follower.tab(1, 0.1, 80)) == [">5<", ">5<"]


@pytest.mark.parametrize("width", [20, 40, 80])
@pytest.mark.parametrize("name", ["lamp-oil", "examples/porch-light.toml"])
def test_every_stroke_is_in_a_system_that_fits(name: str, width: int) -> None:
    phrase = load_phrase(name)
    systems = lay_out(phrase, width)
    places = [column.at for system in systems for column in system if any(column.texts.values())]
    assert places == [stroke.at for stroke in phrase.strokes()]
    follower = Follower(StreamIndex(backing.demo(phrase, choruses=1)), phrase)
    for beat in range(48):
        tab = follower.tab(1, float(beat), width)
        assert max(map(len, tab.lines)) <= width
        assert len({len(one) for one in tab.lines}) == 1


def test_a_bar_without_a_pick_is_a_bar() -> None:
    phrase = line("| 1 e5 2 . | 1 . | 1 e8 2 .")
    assert lay_out(phrase, 80)[0][3].texts == {"e": ""}


def test_a_phrase_the_stream_does_not_tell_of_is_shown_unlit() -> None:
    given = clicks()
    bare = replace(given, sections=tuple(replace(one, labels=()) for one in given.sections))
    follower = Follower(StreamIndex(bare), answered())
    assert follower.tab(0, 0.1, 80).lit == ()
    assert follower.tab(0, 0.1, 80).lines[0].startswith("e|-5")
