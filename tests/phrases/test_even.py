"""Even divisions of a beat, and ends that slow down: no two counts of a phrase sound at once."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backing.practice import Plan, loop
from backing.tempo import Clock
from phrases.check import check
from phrases.files import read_phrase
from phrases.performance import perform
from phrases.phrase import Phrase
from tests.backing.material import lead, line, setting

SIX = "| 1 e8 +1/6 e5 +2/6 B8 +3/6 B5 +4/6 G7 +5/6 G5 2 ."


def sounds(phrase: Phrase, swing: float, tempo: int = 60) -> list[float]:
    """Return when each pick sounds, in felt beats."""
    clock = Clock(Fraction(tempo), swing)
    return [note.start * tempo / 60 for note in perform(phrase.strokes(), clock.seconds)]


@pytest.mark.parametrize("meter", ["4/4", "12/8"])
def test_an_even_division_is_even_in_a_shuffle(meter: str) -> None:
    # Six notes in the time of one beat are a sextuplet: common practice.
    phrase = line(SIX, meter=meter)
    assert sounds(phrase, 2.0) == pytest.approx([n / 6 for n in range(6)])


def test_other_beats_swing_still() -> None:
    phrase = line("| 1 e8 & e5 2 B8 trip B5 let G7 3 e8 & e5")
    third = 1 / 3
    wanted = [0, 2 * third, 1, 1 + third, 1 + 2 * third, 2, 2 + 2 * third]
    assert sounds(phrase, 2.0) == pytest.approx(wanted)


def test_what_a_hand_does_on_a_count_divides_the_beat_too() -> None:
    # The slide on "and" belongs to a pickup that rings on, the triplet to the bar.
    phrase = line("4 G5 | 1& /7 let B8")
    assert [s.even for s in phrase.strokes()] == [frozenset({0}), frozenset({0})]
    (slid, _) = perform([s.moved(4) for s in phrase.strokes()], Clock(Fraction(60), 2.0).seconds)
    assert slid.start + slid.curve.glides[-1].start == pytest.approx(4.5)


@given(
    st.lists(st.sampled_from(sorted({Fraction(n, d) for d in (4, 6, 5) for n in range(d)})),
             min_size=2, max_size=8, unique=True),
    st.sampled_from([1.0, 1.5, 2.0, 3.5]),
    st.sampled_from(["4/4", "12/8"]),
)  # fmt: skip
def test_no_two_counts_sound_at_once(places: list[Fraction], swing: float, meter: str) -> None:
    strings = "EADGBe"
    words = [
        f"1{'+' + str(at) if at else ''} {strings[n % 6]}5" for n, at in enumerate(sorted(places))
    ]
    phrase = line("| " + " ".join(words), meter=meter)
    heard = sounds(phrase, swing)
    assert all(later - sooner > 0.01 for sooner, later in pairwise(heard))
    quickest = check(phrase, swing=swing).quickest
    assert quickest is not None
    assert quickest.seconds > 0.01


def test_check_measures_what_comes_soonest() -> None:
    quickest = check(line("| 1 e8 +1/96 B8 2 .", 240)).quickest
    assert quickest is not None
    assert quickest.place == "line 1 1+1/96"
    assert quickest.seconds == pytest.approx(60 / 240 / 96)


def slowed(notes: str, drag: int = 4) -> Phrase:
    phrase = line(notes, 90)
    return replace(phrase, parts=(replace(phrase.parts[0], drag=Fraction(drag)),))


LATE = "| 1 e8 2 B8 & G7 3 B8 4a G7"


def test_a_slowing_end_stays_in_its_bar() -> None:
    last = slowed(LATE).strokes()[-1]
    assert Fraction(15, 4) < last.at + last.drag < 4


@pytest.mark.parametrize(
    "notes",
    [LATE, "| 1 e8 2 B8 & G7 3 B8 & B5 4 e8 & e5 a G7", "4& e5 | 1 e8 2 B8 & G7 3 B8 & B5 4 e8"],
)
@pytest.mark.parametrize("seamless", [True, False])
def test_a_loop_of_a_slowing_end_has_every_stroke_in_its_place(notes: str, seamless: bool) -> None:
    phrase = slowed(notes)
    plan = Plan(shape="hold", passes=2)
    stream = loop(setting(tempo=90), phrase, plan, seamless=seamless).kept()
    number = 0 if seamless else 2
    section = stream.sections[number]
    strokes = phrase.strokes()
    inside = sorted(lead(stream, number), key=lambda note: note.start)
    assert len(inside) == len(strokes) - (0 if seamless else strokes[0].at < 0)
    assert all(0 <= note.start < float(section.seconds) for note in inside)
    assert all(note.end > note.start for note in inside)


def test_a_slowing_end_stops_where_the_next_pickup_begins() -> None:
    # The call slows down into the pickup of the response, which comes in time.
    part = "[[part]]\nnotes = '{}'\ndrag = {}\n"
    text = "title = 'T'\nkey = 'A'\ntempo = 90\n" + part.format("| 1 e8 2 B8 3 G7", 4)
    phrase = read_phrase(text + part.format("4 D7 & G5 | 1 G7", 0))
    before, pickup = phrase.strokes()[2:4]
    assert pickup.drag == 0
    assert before.at + before.drag < before.end + before.drag_end <= pickup.at
