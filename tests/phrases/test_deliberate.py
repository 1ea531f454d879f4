"""Facts of playing that a small slip in the code would break without a sound from other tests."""

from __future__ import annotations

from fractions import Fraction

import pytest

from backing.events import CHANNELS, LEAD_PROGRAM, ON, messages
from backing.setting import lead_notes
from phrases.check import check
from phrases.files import read_phrase
from phrases.notation import read_line
from phrases.performance import Played, perform

HEAD = "title = 'Tin cup'\nkey = 'A'\ntempo = 90\n"
A7 = ((Fraction(0), 9, {9: "root", 1: "third", 4: "fifth", 7: "seventh"}),)


def play(text: str) -> list[Played]:
    return perform(read_line(text).strokes, lambda at: float(at) * 0.6)


def test_a_palm_mute_ends_with_its_note() -> None:
    # General MIDI 1: a program holds until the next one; the string after it rings open.
    strokes = read_line("| 1 E3{pm} 2 E5 3 E3{pm} 4 E5").strokes
    notes = tuple(lead_notes(strokes, lambda at: float(at) * 0.6))
    program, heard = LEAD_PROGRAM, []
    for _, rank, data in messages(notes):
        assert data[0] & 0x0F == CHANNELS["lead E"]
        if data[0] & 0xF0 == 0xC0:
            program = data[1]
        if rank == ON:
            heard.append(program == LEAD_PROGRAM)
    assert heard == [False, True, False, True]


@pytest.mark.parametrize(("stroke", "strings"), [("{d}", "DGBe"), ("", "DGBe"), ("{u}", "eBGD")])
def test_a_down_stroke_begins_on_the_low_string_and_an_up_stroke_on_the_high(
    stroke: str, strings: str
) -> None:
    # Common practice: what a stroke down meets first is the lowest string.
    notes = play(f"| 1 D7+G7+B8+e8{stroke} 3 .")
    assert "".join(note.string for note in sorted(notes, key=lambda n: n.start)) == strings
    assert len({note.start for note in notes}) == 4


@pytest.mark.parametrize(("place", "cents"), [("/e12", -300), ("\\e12", 300), ("/e3", -200)])
def test_a_slide_from_nowhere_begins_a_few_frets_away(place: str, cents: float) -> None:
    # A short slide, not the whole neck: common practice. From fret 3 there are two below.
    (note,) = play(f"| 2 {place} 4 .")
    assert note.curve.first == cents
    assert note.curve.at(note.end - note.start) == 0


@pytest.mark.parametrize(("place", "cents"), [("e12/", 500), ("e12\\", -500), ("e3\\", -200)])
def test_a_slide_to_nowhere_leaves_for_a_few_frets(place: str, cents: float) -> None:
    (note,) = play(f"| 2 {place} 4 .")
    assert note.curve.glides[-1].cents == cents


@pytest.mark.parametrize(
    ("end", "open_"), [("G2", False), ("G6", True), ("e0", True), ("B8", True)]
)
def test_a_call_may_end_anywhere_but_on_the_root(end: str, open_: bool) -> None:
    # BLUES.md: a call hangs, that is it ends off the root; the third over A7 is C sharp.
    phrase = read_phrase(f"{HEAD}[[part]]\nrole = 'call'\nnotes = '| 1 e5 2 {end} 3 .'\n")
    cautions = [one for one in check(phrase, A7).cautions if one.place == "call"]
    assert (cautions == []) is open_


def test_the_last_note_of_a_part_stops_where_the_next_pickup_begins() -> None:
    # One guitarist cannot play both.
    parts = "[[part]]\nnotes = '| 1 e8 2 B8'\n[[part]]\nnotes = '4 D7 | 1 G7'\n"
    strokes = read_phrase(HEAD + parts).strokes()
    assert [float(s.end) for s in strokes] == [1.0, 3.0, 4.0, 8.0]
    played = perform(strokes, lambda at: float(at) * 0.6)
    held, pickup = played[1], played[2]
    assert held.string == "B"
    assert held.end <= pickup.start
