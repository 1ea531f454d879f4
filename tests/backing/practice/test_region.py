from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from fractions import Fraction
from functools import cache
from itertools import pairwise
from typing import Any

import pytest

from backing.practice import Plan
from backing.practice.region import Region, looped, traded
from phrases.errors import BluesError, ChoiceError, RangeError
from phrases.files import load_phrase, read_phrase, shipped
from phrases.phrase import Phrase, Stroke
from tests.backing.material import ANSWERED, answered, line, setting

HALF = Fraction(1, 2)
# The strokes of `answered`: a call with a pickup on the and of four, a response with one on four.
CALL: list[Fraction | int] = [-HALF, 0, 1, 4]
RESPONSE: list[Fraction | int] = [7, 8, 8 + HALF, 9, 12]
BOTH = CALL + RESPONSE


def at(strokes: Iterable[Stroke]) -> list[Fraction]:
    return [stroke.at for stroke in strokes]


def gaps(region: Region) -> list[tuple[float, float]]:
    return [(float(low), float(high)) for low, high in region.gaps]


def labels(region: Region) -> list[tuple[float, str]]:
    return [(float(at), text) for at, text in region.labels]


def later(beats: Iterable[Fraction | int], by: int) -> list[Fraction]:
    return [Fraction(beat) + by for beat in beats]


def roots(region: Region) -> list[str]:
    return [bar.chords[0][1].name(setting().key) for bar in region.bars]


def loop(phrase: Phrase | None = None, form: str = "twelve-bar", **words: Any) -> Region:
    return looped(setting(form=form), phrase or answered(), Plan(**words))


def trade(phrase: Phrase | None = None, form: str = "twelve-bar", **words: Any) -> Region:
    return traded(setting(form=form), phrase or answered(), Plan(**words))


def test_a_loop_is_the_phrase_over_its_own_bars() -> None:
    region = loop()
    assert roots(region) == ["A7"] * 4
    assert at(region.strokes) == BOTH
    assert labels(region) == [(0, "call"), (8, "response")]
    assert gaps(region) == []
    assert region.silent == ()


def test_a_loop_leads_back_to_its_own_first_chord() -> None:
    # Bar 4 of a twelve-bar leads into the IV of bar 5, but a loop of bars 1 to 4 into the I.
    assert loop().bars[-1].following == loop().bars[0].chords[0][1]
    nine = loop(bars=(9, 10))
    assert nine.bars[-1].following == nine.bars[0].chords[0][1]


def test_bars_of_the_form_have_the_bands_chords_and_what_the_phrase_plays_there() -> None:
    region = loop(bars=(5, 8))
    # Bars 5 to 8 of a twelve-bar blues in A, common practice: IV7 IV7 I7 I7.
    assert roots(region) == ["D7", "D7", "A7", "A7"]
    assert at(region.strokes) == BOTH
    assert labels(region) == [(0, "call"), (8, "response")]


def test_a_stretch_that_begins_with_a_line_has_its_pickup_and_not_the_next_lines() -> None:
    region = loop(bars=(1, 2))
    assert at(region.strokes) == CALL  # the pickup of the response leads out of it
    assert roots(loop(bars=(9, 12))) == ["E7", "D7", "A7", "E7"]
    assert at(loop(bars=(9, 12)).strokes) == BOTH


def test_a_stretch_across_two_lines_has_the_pickup_between_them() -> None:
    region = loop(bars=(4, 5))
    assert roots(region) == ["A7", "D7"]
    assert at(region.strokes) == [0, 4 - HALF, 4, 5]
    assert labels(region) == [(4, "call")]


def test_strokes_are_cut_at_the_end_of_a_stretch() -> None:
    region = loop(line("| 1 e5 | 1 - | 1 e8 | 1 B5"), bars=(1, 1))
    assert at(region.strokes) == [0]
    assert region.strokes[0].end == 4


def test_a_pickup_that_meets_the_end_of_a_stretch_is_left_out_and_the_first_beat_is_not() -> None:
    assert at(loop(line("4& e5 | 1 e8 4& e5"), bars=(1, 1)).strokes) == [0, 4 - HALF]


def test_what_begins_where_a_stretch_ends_is_not_in_it() -> None:
    assert at(loop(line("| 1 e5 2 . | 1 e8 2 . | 1 B5 2 ."), bars=(1, 2)).strokes) == [0, 4]
    assert at(loop(line("| 1 e5 2 . | 1 e8 2 . | 1 B5 2 ."), bars=(2, 3)).strokes) == [0, 4]


@pytest.mark.parametrize(
    ("words", "beats"),
    [
        ({}, [4]), ({"part": "call"}, [4]), ({"part": "response"}, []),
        ({"bars": (5, 8)}, [4]), ({"bars": (2, 3)}, [0]), ({"bars": (1, 1)}, []),
        ({"gap": "response"}, [4]), ({"gap": "call"}, []), ({"gap": "echo"}, [4]),
    ],
)  # fmt: skip
def test_the_band_strikes_with_a_calls_accented_last_note(
    words: dict[str, Any], beats: list[int]
) -> None:
    """Where it sounds: not with what is left to the student."""
    text = ANSWERED.replace("{lines}", "every").replace("G7b(full)", "G7b(full){accent}")
    region = (trade if "gap" in words else loop)(read_phrase(text), **words)
    assert region.accents == tuple(beats)


def test_bars_where_the_phrase_rests_are_refused() -> None:
    with pytest.raises(RangeError, match=r'^"Line" does not sound in bars 3-3; '):
        loop(line("| 1 e5 2 . | 1 e8 2 ."), bars=(3, 3))
    with pytest.raises(RangeError, match=r'^"Answered" does not sound in bars 5-8; '):
        loop(answered("first"), bars=(5, 8))


@pytest.mark.parametrize(("form", "bars"), [("twelve-bar", (9, 13)), ("eight-bar", (8, 9))])
def test_bars_that_the_form_does_not_have(form: str, bars: tuple[int, int]) -> None:
    length = bars[1] - 1
    with pytest.raises(
        RangeError, match=rf"^bars {bars[0]}-{bars[1]}: the form {form} has bars 1 to {length}"
    ):
        loop(form=form, bars=bars)


@pytest.mark.parametrize(("part", "strokes"), [("call", CALL), ("response", later(RESPONSE, -8))])
def test_a_part_alone_over_its_own_bars(part: str, strokes: list[Fraction]) -> None:
    region = loop(part=part)
    assert len(region.bars) == 2
    assert at(region.strokes) == strokes
    assert labels(region) == [(0, part)]


def test_a_part_keeps_its_place_in_the_form() -> None:
    long = line("| 1 e5 | 1 e8 | 1 B8 | 1 e8 | 1 e5 2 . | 1 .")
    assert roots(loop(long, part="line")) == ["A7", "A7", "A7", "A7", "D7", "D7"]
    # A quick change has the IV in bar 2.
    assert roots(loop(form="quick-change", part="call")) == ["A7", "D7"]


@pytest.mark.parametrize(("part", "has"), [("line", "call, response"), ("call", "line")])
def test_a_part_that_the_phrase_does_not_have(part: str, has: str) -> None:
    phrase = answered() if part == "line" else line("| 1 e5")
    with pytest.raises(ChoiceError, match=rf'^"{phrase.title}" has no {part}; it has: {has}'):
        loop(phrase, part=part)


def test_a_form_is_played_again_for_a_longer_phrase() -> None:
    long = line("| 1 e5 " * 13)
    assert len(loop(long).bars) == 13
    assert at(loop(long, bars=(13, 14)).strokes) == [0]
    with pytest.raises(RangeError, match=r"^bars 24-25: the form twelve-bar has bars 1 to 24$"):
        loop(long, bars=(24, 25))
    assert len(trade(long, gap="two").bars) == 24


def test_the_response_is_left_to_the_student() -> None:
    region = trade(gap="response")
    assert at(region.strokes) == CALL
    assert at(region.silent) == RESPONSE
    # From the student's pickup to the pickup of the next call.
    assert gaps(region) == [(7, 15.5)]
    assert labels(region) == [(0, "Listen"), (7, "Your turn"), (15.5, "Listen")]


@pytest.mark.parametrize("gap", ["", "response", "call", "echo", "two", "four"])
def test_a_pass_begins_with_the_form_and_leads_back_to_it(gap: str) -> None:
    region = trade(form="quick-change", gap=gap) if gap else loop(form="quick-change")
    # A quick change has the IV in bar 2, for one bar (common practice).
    assert roots(region)[:4] == ["A7", "D7", "A7", "A7"]
    chords = [chord for bar in region.bars for _, chord in bar.chords]
    assert region.bars[-1].following == chords[0]
    assert (
        len(region.bars)
        == {"": 4, "response": 4, "call": 4, "echo": 8, "two": 12, "four": 24}[gap]
    )


def test_the_call_is_left_to_the_student() -> None:
    region = trade(gap="call")
    assert at(region.strokes) == RESPONSE
    assert at(region.silent) == CALL
    assert gaps(region) == [(-0.5, 7)]
    assert labels(region) == [(-0.5, "Your turn"), (7, "Listen")]


def test_an_echo_leaves_as_many_bars_as_the_phrase() -> None:
    region = trade(gap="echo")
    assert roots(region) == ["A7", "A7", "A7", "A7", "D7", "D7", "A7", "A7"]
    assert at(region.strokes) == BOTH
    assert at(region.silent) == later(BOTH, 16)
    assert gaps(region) == [(15.5, 31.5)]


def test_a_line_without_call_and_response_may_be_echoed() -> None:
    region = trade(line("| 1 e5 | 1 e8 2 ."), gap="echo")
    assert at(region.strokes) == [0, 4]
    assert at(region.silent) == [8, 12]
    assert gaps(region) == [(8, 16)]
    assert labels(region) == [(0, "Listen"), (8, "Your turn")]


def test_twos_of_a_phrase_of_two_bars() -> None:
    region = trade(line("| 1 e5 2 . | 1 e8 2 ."), gap="two")
    assert len(region.bars) == 12
    assert at(region.strokes) == [0, 4, 16, 20, 32, 36]
    assert at(region.silent) == [8, 12, 24, 28, 40, 44]
    assert gaps(region) == [(8, 16), (24, 32), (40, 48)]


def test_twos_of_a_longer_phrase_go_through_it() -> None:
    region = trade(line("| 1 e5 2 . | 2 e8 3 . | 3 B5 4 . | 4 B8"), gap="two")
    # Bars 1-2, echoed; bars 3-4, echoed; bars 1-2, echoed.
    assert at(region.strokes) == [0, 5, 18, 23, 32, 37]
    assert at(region.silent) == [8, 13, 26, 31, 40, 45]


def test_fours_over_the_whole_form() -> None:
    region = trade(gap="four")
    # Three turns in a chorus: in the next one they are the other way round.
    assert len(region.bars) == 24
    assert at(region.strokes) == [*BOTH, *later(BOTH, 32), *later(BOTH, 64)]
    assert at(region.silent) == [*later(BOTH, 16), *later(BOTH, 48), *later(BOTH, 80)]
    assert gaps(region)[:2] == [(15.5, 31.5), (47.5, 63.5)]


def test_turns_go_on_for_as_many_choruses_as_they_need() -> None:
    region = trade(line("| 1 e5 2 ."), form="turnaround-loop", gap="four")
    assert len(region.bars) == 8  # twice round for each
    assert gaps(region) == [(16, 32)]
    eight = trade(line("| 1 e5 2 ."), form="eight-bar", gap="four")
    assert gaps(eight) == [(16, 32)]


@pytest.mark.parametrize("gap", ["response", "call"])
def test_a_phrase_without_call_and_response_says_so(gap: str) -> None:
    with pytest.raises(
        ChoiceError,
        match=r'^"Line" has no call and response to trade; try --gap echo, two or four$',
    ):
        trade(line("| 1 e5"), gap=gap)


def test_what_rings_is_cut_where_the_student_begins() -> None:
    region = trade(line("4 e5 | 1 e8"), gap="echo")
    assert gaps(region) == [(3, 7)]
    assert at(region.strokes) == [-1, 0]
    assert [stroke.end for stroke in region.strokes] == [0, 3]


@cache
def _traded(gap: str) -> dict[str, Region]:
    """Return the passes of all shipped phrases that can be traded so."""
    found = {}
    for name in shipped():
        phrase = load_phrase(name)
        with suppress(BluesError):
            found[name] = traded(setting(phrase.groove), phrase, Plan(gap=gap))
    return found


@pytest.mark.parametrize("gap", ["response", "call", "echo", "two", "four"])
def test_nothing_of_the_phrase_sounds_in_a_turn_of_the_student(gap: str) -> None:
    overlaps = []
    for name, region in _traded(gap).items():
        for low, high in region.gaps:
            assert low < high
            if any(low <= s.at < high or (s.at < low < s.end) for s in region.strokes):
                overlaps.append((name, float(low)))
    assert len(_traded(gap)) > 15
    assert overlaps == []


@pytest.mark.parametrize("gap", ["response", "call", "echo", "two", "four"])
def test_turns_follow_each_other_and_hold_what_the_student_plays(gap: str) -> None:
    for name, region in _traded(gap).items():
        assert all(a[1] <= b[0] for a, b in pairwise(region.gaps))
        outside = [
            float(s.at)
            for s in region.silent
            if not any(low <= s.at < high for low, high in region.gaps)
        ]
        assert outside == [], name
