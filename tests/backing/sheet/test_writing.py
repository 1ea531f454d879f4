from __future__ import annotations

from fractions import Fraction

import pytest

from backing.forms import find_form
from backing.sheet.score import Score, ScoreEvent
from backing.sheet.writing import over_form, part_titles, write
from phrases.errors import RangeError
from phrases.files import load_phrase, read_phrase
from tests.backing.sheet.lines import one


def bar(score: Score, number: int = 1) -> tuple[ScoreEvent, ...]:
    return next(m.events for m in score.measures if m.number == number)


def look(event: ScoreEvent) -> str:
    """Return an event in a few signs: ties, link, place, value."""
    if event.rest:
        return f"rest {event.value}{'.' * event.dots}"
    heads = []
    for head in event.heads:
        graces = "".join(f"[{one.link}{one.string}{one.fret}]" for one in head.graces)
        tie = "~" if head.tied else ""
        heads.append(f"{tie}{graces}{head.link}{head.string}{head.fret}{'~' if head.ties else ''}")
    return f"{'+'.join(heads)} {event.value}{'.' * event.dots}"


def test_what_follows_at_once_is_a_grace_note() -> None:
    score = over_form(one("| 1 G5h7p5 2 e8/10~ 3 ."))
    assert [look(event) for event in bar(score)] == [
        "[G5][hG7]pG5 quarter",
        "[e8]/e10 quarter",
        "rest half",
    ]
    first, second = bar(score)[:2]
    assert [one.leads for one in first.heads[0].chain] == ["h", "p", ""]
    assert first.picked
    assert second.heads[0].sway == "~"
    assert not second.heads[0].graces[0].sway


def test_what_is_counted_is_a_note_of_its_own() -> None:
    score = over_form(one("| 1 G5+B5 2 /7+- 3 -+/6 4 ."))
    assert [look(event) for event in bar(score)] == [
        "G5+B5~ quarter",
        "/G7~+~B5 quarter",
        "~G7+/B6 quarter",
        "rest quarter",
    ]
    assert [event.picked for event in bar(score)] == [True, False, False, False]


def test_a_counted_bend_is_tied_to_its_note_and_tells_how_far() -> None:
    events = bar(over_form(one("| 1 G7 2 b(full)~ 3 r(1/2) 4 r")))
    heads = [event.heads[0] for event in events]
    assert [head.stations for head in heads] == [(0,), (0, 200), (200, 100), (100, 0)]
    assert [head.sway for head in heads] == ["", "~", "", ""]
    assert [head.tied for head in heads] == [False, True, True, True]


def test_a_vibrato_and_a_bend_go_on_over_the_bar_line() -> None:
    score = over_form(one("| 3 G7b(full)~ | 1 - 2 ."))
    head = bar(score, 2)[0].heads[0]
    assert (head.tied, head.sway, head.bent, head.moves) == (True, "~", 200, ())


def test_a_slide_to_nowhere_leaves_from_the_last_tied_head() -> None:
    score = over_form(one("| 3 G7\\ | 1 - 2 ."))
    first, last = bar(score)[-1].heads[0], bar(score, 2)[0].heads[0]
    assert (first.out, last.out) == ("", "\\")
    assert first.moves
    assert not last.moves


def test_a_muted_string_does_not_ring() -> None:
    score = over_form(one("| 4 Gx+B5 | 1 - 2 Gx | 1 -"))
    assert look(bar(score, 2)[0]) == "~B5 quarter"
    assert bar(score, 3)[0].rest


@pytest.mark.parametrize(
    ("notes", "start", "values"),
    [
        ("4 e8 & e5 | 1 e5", 3, ["e8 eighth", "e5 eighth"]),
        ("3& e8 4 e5 | 1 e5", Fraction(5, 2), ["e8 eighth", "e5 quarter"]),
        # A triplet is written whole.
        ("4let e8 | 1 e5", 3, ["rest quarter", "e8 eighth"]),
    ],
)
def test_a_pickup_bar_is_as_long_as_it_must_be(
    notes: str, start: Fraction, values: list[str]
) -> None:
    score = over_form(one(notes))
    first = score.measures[0]
    assert (first.number, first.start) == (0, start)
    assert [look(event) for event in first.events] == values


def test_a_phrase_without_a_pickup_has_no_pickup_bar() -> None:
    assert over_form(one("| 2 e5")).measures[0].number == 1


def test_chords_come_from_the_bars_where_the_phrase_is_placed_first() -> None:
    phrase = load_phrase("wet-gravel")
    score = over_form(phrase, find_form("quick-change"))
    # Common practice: the quick change goes to the IV in bar two and comes back.
    assert [[chord.text for chord in m.chords] for m in score.measures] == [
        ["G7"], ["C7"], ["G7"], ["G7"],
    ]  # fmt: skip


def test_a_whole_chorus_has_every_bar_and_the_phrase_at_its_places() -> None:
    phrase = load_phrase("wet-gravel")  # every line
    score = over_form(phrase, find_form("twelve-bar"), chorus=True)
    assert [m.number for m in score.measures] == list(range(1, 13))
    labels = [(m.number, label.text) for m in score.measures for label in m.labels]
    assert labels == [(n, name) for n, name in zip(range(1, 13, 2), ["Call", "Response"] * 3,
                                                   strict=True)]  # fmt: skip
    assert score.measures[4].events[1].heads == score.measures[0].events[1].heads
    assert score.parts == ()


def test_a_form_is_written_again_for_a_longer_phrase() -> None:
    phrase = one("| 1 e5 " * 13, key="A")
    chords = [m.chords[0].text for m in over_form(phrase, find_form("twelve-bar")).measures]
    assert chords == "A7 A7 A7 A7 D7 D7 A7 A7 E7 D7 A7 E7 A7".split()
    whole = over_form(phrase, find_form("turnaround-loop"), chorus=True)
    assert [m.chords[1].text for m in whole.measures] == ["D7", "E7"] * 7


def test_the_label_of_a_part_stands_at_its_pickup() -> None:
    phrase = load_phrase("plum-jar")  # both parts begin on four
    labels = [(m.number, int(label.at)) for m in over_form(phrase).measures for label in m.labels]
    assert labels == [(0, 3), (2, 3)]


def test_tips_stand_at_their_notes() -> None:
    phrase = load_phrase("plum-jar")
    score = over_form(phrase)
    there = {n: (m.number, int(e.at)) for m in score.measures for e in m.events for n in e.tips}
    assert there == {1: (1, 0), 2: (2, 1), 3: (4, 1)}
    assert [remark.place for remark in score.remarks] == [
        "", "Call, bar 1, 1", "Call, bar 2, 2", "Response, bar 2, 2",
    ]  # fmt: skip


def test_parts_of_one_role_are_numbered() -> None:
    text = "title='T'\nkey='A'\ntempo=90\n" + "[[part]]\nrole='call'\nnotes='| 1 e5'\n" * 2
    assert part_titles(read_phrase(text)) == ("Call 1", "Call 2")


@pytest.mark.parametrize(
    ("notes", "meter", "groove", "swung"),
    [
        ("| 1 e5 & e8", "4/4", "shuffle", True),
        ("| 1 e5 2 e8", "4/4", "shuffle", False),
        ("| 1 e5 trip e8 let e5", "4/4", "shuffle", False),
        ("| 1 e5 & e8", "4/4", "rock-blues", False),
        ("| 1 e5 & e8", "12/8", "slow-blues", False),
    ],
)
def test_swung_eighths_are_straight_with_a_mark(
    notes: str, meter: str, groove: str, swung: bool
) -> None:
    assert over_form(one(notes, meter=meter, groove=groove)).swung is swung


def test_swung_halves_of_a_12_8_beat_stand_on_its_third_eighth() -> None:
    phrase = one("| 1 e5 & e8 2 e5 trip e8 let e5 3 .", meter="12/8", groove="slow-blues")
    assert [event.at for event in bar(write(phrase, swing=2.0))] == [
        0, Fraction(2, 3), 1, Fraction(4, 3), Fraction(5, 3), 2,
    ]  # fmt: skip
    assert [look(event) for event in bar(write(phrase))][:2] == ["e5 eighth.", "e8 eighth."]


def test_what_cannot_be_written_is_told() -> None:
    with pytest.raises(RangeError, match="cannot be written; use simpler counts"):
        over_form(one("| 1+1/89 e5 1+1/3 e8"))
