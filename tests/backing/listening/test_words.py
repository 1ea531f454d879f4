"""What a teacher would say of a take, and what not."""

from __future__ import annotations

import math
from fractions import Fraction

import backing
from backing.listening.judged import Bend, Extra, Judged, Review
from backing.listening.thresholds import THRESHOLDS, Limits
from backing.listening.words import findings, summary, tempos
from backing.listening.written import Event, Place, WrittenNote, unbroken, written

USUAL, STRICT = Limits.usual(), Limits.usual(strict=True)


def note(go: int, beat: int, tempo: float = 60.0, **heard: object) -> Judged:
    place = Place("Call", 1, beat, Fraction(0))
    part = WrittenNote("B", 64)
    event = Event(go * 4.0 + beat, go * 4.0 + beat + 1, (part,), "pick", tempo, Fraction(beat))
    event = Event(
        event.at, event.end, event.notes, event.kind, tempo, event.beat, place=place, go=go
    )
    one = Judged(event, "played", 0.0, 0.0)
    for name, value in heard.items():
        setattr(one, name, value)
    return one


def told(review: Review, limits: Limits = USUAL, **more: bool) -> list[str]:
    return summary(review, limits, aligned=more.get("aligned", True), measured=False).lines()


def takes(passes: int = 3, **heard: object) -> Review:
    notes = [note(go, beat) for go in range(passes) for beat in (1, 2, 3, 4)]
    for one in notes:
        if one.event.place.beat == 3:
            for name, value in heard.items():
                setattr(one, name, value)
    return Review(notes, [], 0.0, 0.0)


def test_a_clean_take_is_praised_and_left_alone() -> None:
    lines = told(takes())
    assert lines[0] == "good: every one of the 12 notes is there"
    assert not any(line.startswith("work on") for line in lines)


def test_a_flat_bend_is_told_with_its_place_in_a_players_words() -> None:
    lines = told(takes(bends=[Bend(200.0, -50.0, 0.4)]))
    assert "work on: call, bar 1, beat 3: the bend stops a quarter tone short (3 of 3 times)" in (
        lines
    )


def test_a_bend_within_what_listeners_tolerate_is_in_tune() -> None:
    # Larrouy-Maestri 2018: about 25 cents.
    assert THRESHOLDS["tuning"].value == 25
    lines = told(takes(bends=[Bend(200.0, -24.0, 0.4)]))
    assert not any("bend" in line and line.startswith("work") for line in lines)
    assert any("bends are in tune" in line for line in lines)
    strict = told(takes(bends=[Bend(200.0, -24.0, 0.4)]), STRICT)
    assert any("the bend stops a little (24 cents) short" in line for line in strict)


def test_a_late_note_is_told_from_where_listeners_notice_it() -> None:
    # PsyArXiv jsg94: a guitar's shift is noticed from about 31 to 35 ms on.
    assert not any(line.startswith("work") for line in told(takes(off=0.029)))
    assert any("beat 3: 34 ms late" in line for line in told(takes(off=0.034)))


def test_lateness_of_the_whole_is_apart_and_only_where_it_is_known() -> None:
    late = Review([note(0, beat, off=0.025) for beat in (1, 2, 3, 4)], [], 0.025, 0.0)
    assert any(line.startswith("all of it is 25 ms late") for line in told(late))
    assert not any("work on" in line for line in told(late))
    assert not any("all of it" in line for line in told(late, aligned=False))
    little = Review([note(0, beat, off=0.012) for beat in (1, 2, 3, 4)], [], 0.012, 0.0)
    assert not any("all of it" in line for line in told(little))


def test_a_single_slip_in_many_passes_is_not_named() -> None:
    review = takes(passes=5)
    review.judged[2].how = "missed"
    assert not findings(review, USUAL)


def test_at_most_two_things_to_work_on() -> None:
    review = takes(bends=[Bend(200.0, -80.0, 0.4)], off=0.05)
    for one in review.judged:
        if one.event.place.beat == 2:
            one.how, one.off = "missed", math.nan
    assert len([line for line in told(review) if line.startswith("work on")]) == 2


def test_the_tempo_at_which_it_falls_apart_and_the_one_to_stay_at() -> None:
    notes = []
    for go, tempo in enumerate((80.0, 80.0, 106.0, 106.0, 127.0, 127.0)):
        for beat in range(1, 5):
            for _ in range(2):
                notes.append(note(go, beat, tempo))
                if tempo == 127 and beat == 2:
                    notes[-1].off = 0.06
    review = Review(notes, [], 0.0, 0.0)
    assert [row.passes for row in tempos(review, USUAL)] == [2, 2, 2]
    expected = (
        "solid to 106; at 127 one note in 4 is untidy: stay at 106 until three passes are clean"
    )
    assert expected in told(review)


def test_a_tempo_at_which_the_bends_are_flat_is_not_solid() -> None:
    review = takes(passes=8, bends=[Bend(200.0, -60.0, 0.4)])
    assert tempos(review, USUAL)[0].untidy == 0.25


def test_what_is_solid_nowhere_stays_at_the_slower_tempo() -> None:
    notes = []
    for go, tempo in enumerate((80.0, 80.0, 106.0, 106.0)):
        for beat in (1, 2, 3, 4) * 2:
            notes.append(note(go, beat, tempo, off=0.06 if beat == 2 and tempo > 80 else 0.0))
        notes[-1].off = 0.06
    assert "at 106 one note in 3 is untidy: stay at 80" in told(Review(notes, [], 0.0, 0.0))


def test_one_pass_makes_no_trend() -> None:
    notes = [note(0, beat, 80.0) for beat in (1, 2, 3, 4)] * 3
    notes += [note(1, beat, 100.0, how="missed", off=math.nan) for beat in (1, 2, 3, 4)] * 3
    assert not any("solid" in line for line in told(Review(notes, [], 0.0, 0.0)))


def test_what_could_not_be_judged_is_counted() -> None:
    review = takes(how="unclear", bends=[Bend(100.0, why="too short")])
    assert "not judged, because it is not clear enough: 3 notes and 3 bends" in told(review)


def test_praise_is_only_for_what_could_be_judged() -> None:
    assert told(takes(how="unclear"))[0] == (
        "good: every one of the 9 notes that could be judged is there"
    )


def test_a_missing_note_is_named_by_its_string() -> None:
    lines = told(takes(how="missed", off=math.nan))
    assert (
        "work on: call, bar 1, beat 3: the note on the B string is not heard (3 of 3 times)"
        in (lines)
    )


def test_notes_let_go_too_soon_and_notes_that_ring_into_a_rest() -> None:
    # A beat is a second here; each note is written a beat long.
    short, long = told(takes(held=-0.5)), told(takes(held=0.34))
    assert any("beat 3: let go half a beat too soon (3 of 3 times)" in line for line in short)
    assert any("beat 3: rings a third of a beat into the rest" in line for line in long)
    for little in (-0.3, 0.2, math.nan):
        assert not any(line.startswith("work on") for line in told(takes(held=little)))


def test_two_things_to_work_on_lie_in_two_places() -> None:
    review = takes(bends=[Bend(200.0, -80.0, 0.4)], off=0.05, held=-0.9)
    for one in review.judged:
        if one.event.place.beat == 2:
            one.off = 0.04
    work = [line for line in told(review) if line.startswith("work on")]
    assert [line.split(": ")[1] for line in work] == ["call, bar 1, beat 3", "call, bar 1, beat 2"]


def test_a_tempo_that_is_not_solid_yet_is_told() -> None:
    notes = []
    for go, tempo in enumerate((80.0, 80.0, 106.0, 106.0)):
        for beat in (1, 2, 3, 4) * 2:
            notes.append(note(go, beat, tempo))
        if tempo == 106:
            notes[-1].how, notes[-1].off = "missed", math.nan
    assert "solid to 80; at 106 not yet: stay at 106 for a while" in (
        told(Review(notes, [], 0.0, 0.0))
    )


def test_notes_that_nobody_wrote_are_told_with_their_time() -> None:
    review = takes()
    review.extra.append(Extra(12.34, 6400.0))
    assert "work on: a note that is not written, after call, bar 1, beat 4 (0:12.3)" in told(
        review
    )


def test_no_mark_out_of_a_hundred_and_no_verdict_on_feel() -> None:
    for review in (takes(), takes(off=0.05), takes(how="missed", off=math.nan)):
        said = " ".join(told(review))
        assert "%" not in said
        assert "feel" not in said


def test_each_tempo_has_the_passes_that_were_played_at_it() -> None:
    """A pickup sounds at the tempo before, and is of the pass that it leads to."""
    stream = backing.loop("lamp-oil", start=40, goal=56, step=8, each=2)
    events = written(stream, unbroken(stream), turns=False)
    heard = Review([Judged(event, "played", 0.0, 0.0) for event in events], [], 0.0, 0.0)
    assert [(row.tempo, row.passes) for row in tempos(heard, USUAL)] == [(40, 2), (48, 2), (56, 2)]
