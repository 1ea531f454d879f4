"""Positions, fingers and strokes against what players do (common practice, from memory)."""

from __future__ import annotations

from fractions import Fraction

import pytest

from phrases.files import load_phrase, read_phrase, shipped
from phrases.hands import FINGER_MARKS, REACH, grips, move_cost, positions, suggest
from phrases.notation import read_line
from phrases.phrase import Note, Phrase, Stroke
from phrases.techniques import MARKS


def phrase(notes: str, more: str = "") -> Phrase:
    return read_phrase(f"title = 't'\nkey = 'A'\ntempo = 90\n[[part]]\nnotes = '{notes}'\n{more}")


def hands(notes: str) -> list[int]:
    return positions(read_line(notes).strokes)


def picked(notes: str) -> str:
    """Return the suggested strokes in a row."""
    return "".join(
        mark
        for stroke in suggest(phrase(notes)).parts[0].strokes
        for mark in stroke.notes[0].marks
        if mark in ("d", "u")
    )


def fingers(notes: str) -> str:
    """Return the suggested fingers, 0 where there is none; double stops joined by +."""
    return " ".join(
        "+".join(
            next((mark for mark in note.marks if mark in FINGER_MARKS), "0")
            for note in stroke.notes
        )
        for stroke in suggest(phrase(notes)).parts[0].strokes
    )


def marks(notes: str) -> list[tuple[str, ...]]:
    return [note.marks for s in suggest(phrase(notes)).parts[0].strokes for note in s.notes]


# The five boxes of A minor pentatonic, with the fret under the first finger.
@pytest.mark.parametrize(
    ("notes", "position"),
    [
        ("| 1 e5 & e8 2 B5 & B8 3 G5 & G7 4 D5 & D7 | 1 A5 & A7 2 E5 & E8", 5),
        ("| 1 e8 & e10 2 B8 & B10 3 G9 & G7 4 D10 & D7", 7),
        ("| 1 e10 & e12 2 B10 & B13 3 G9 & G12", 10),
        ("| 1 e12 & e15 2 B13 & B15 3 G12 & G14", 12),
        ("| 1 e3 & e5 2 B3 & B5 3 G2 & G5 4 D2 & D5", 2),
    ],
)
def test_a_box_is_played_in_one_position(notes: str, position: int) -> None:
    found = hands(notes)
    assert max(found) - min(found) <= 1
    assert max(set(found), key=found.count) in (position, position - 1, position + 1)
    strokes = read_line(notes).strokes
    for stroke, where in zip(strokes, found, strict=True):
        fret = stroke.notes[0].fret
        assert fret is not None
        assert where - 1 <= fret <= where + REACH + 1


def test_the_hand_moves_once_where_the_notes_go_up_the_neck() -> None:
    found = hands("| 1 e5 & e8 2 B5 & B8 3 . 4 . | 1 e12 & e15 2 B12 & B15")
    assert found == [5] * 4 + [12] * 4


def test_open_and_muted_strings_leave_the_hand_where_it_is() -> None:
    assert hands("| 1 e5 & e8 2 E0 3 Gx 4 e5 & e8") == [5] * 6


def test_a_slide_takes_the_hand_along() -> None:
    assert hands("| 1 G7/9 & B10 2 e7 & e10") == [5, 7, 7, 7]


def test_written_fingers_say_where_the_hand_is() -> None:
    assert hands("| 1 G7{1} 2 G7{1}") == [7, 7]
    assert hands("| 1 G7{3} 2 G7{3}") == [5, 5]


def test_nothing_has_no_positions() -> None:
    assert positions(()) == []


def test_what_no_hand_reaches_still_has_a_position() -> None:
    stroke = Stroke(Fraction(0), Fraction(1), (Note("E", 1), Note("e", 15)))
    assert grips(stroke) == []
    assert 1 <= positions([stroke])[0] <= 15


@pytest.mark.parametrize(
    ("notes", "reached"),
    [("| 1 G5+B8", True), ("| 1 G5+B9", True), ("| 1 G5+B10", False), ("| 1 G0+B10", True)],
)
def test_a_double_stop_is_held_over_five_frets_at_most(notes: str, reached: bool) -> None:
    assert bool(grips(read_line(notes).strokes[0])) is reached


def test_moving_costs_more_the_farther_and_less_over_a_rest() -> None:
    assert move_cost(5, 5) == 0
    assert 0 < move_cost(5, 7) < move_cost(5, 12)
    assert move_cost(5, 12, Fraction(2)) < move_cost(5, 12)


def test_one_finger_to_a_fret() -> None:
    assert fingers("| 1 e5 & e8 2 B6 & B7 3 G0 4 Gx") == "1 4 2 3 0 0"


@pytest.mark.parametrize(
    ("notes", "found"),
    [
        ("| 1 e5 & e8 2 G7+B5 3 G7+B8", "1 4 3+1 3+4"),
        ("| 1 e5 & e8 2 G5+B5", "1 4 1+1"),  # a barre
        ("| 1 e5 & e8 2 B5 & B8 3 D4+G5", "1 4 1 4 1+2"),  # a stretch back
    ],
)
def test_double_stops_use_a_finger_on_one_fret_only(notes: str, found: str) -> None:
    assert fingers(notes) == found


def test_a_hammer_on_from_a_stretch_has_a_finger_left() -> None:
    # Frets 5 to 9: the fourth finger is needed for 9, so 8 is picked with the third.
    assert fingers("| 1 e5 & e8 2 B5 & B8 3 G8h9 4 e5") == "1 4 1 4 3 1"


def test_bends_of_a_half_or_more_are_the_third_finger_s() -> None:
    found = marks("| 1 e5 2 G7b(full) 3 B8b(1/2) 4 G7b(1/4)")
    assert "3" in found[1]
    assert "3" in found[2]


def test_a_bend_may_be_the_first_finger_s() -> None:
    assert "1" in marks("| 1 e5 & e8 2 B5 & B8 3 B5b(1/2) 4 e5")[4]


@pytest.mark.parametrize(
    ("notes", "ways"),
    [
        ("| 1 e5 & e8 2 e5 & e8", "dudu"),
        ("| 1 e5 let e8 2 e5 let e8", "dudu"),  # eighths as a shuffle writes them
        ("| 1 e5 2 e8 3 e5", "ddd"),
        ("3& e5 4 e8 & e5 | 1 e8", "udud"),
        ("| 1 e5 trip e8 let e5 2 e8 trip e5 let e8 3 e5", "dududud"),
        ("| 1 . trip e8 let e5 2 e8 3 .", "dud"),
        ("| 1 e5 e e8 & e5 a e8 2 e5", "dudud"),
        ("| 1 e5 & e8 a e5 2 e5", "ddud"),
        ("| 1 . & e5 2 . 3 .", "d"),
        ("| 1 e5{pm} & e5{pm} 2 e5{pm} & e5{rake}", "dddd"),
        ("| 1 e5{u} & e8{d} 2 e5 & e8", "uddu"),
        ("| 1 e5{d} trip e8{d} let e5 2 e8 trip e5 let e8", "ddudud"),
    ],
)
def test_picking(notes: str, ways: str) -> None:
    assert picked(notes) == ways


def test_what_is_written_is_never_overruled() -> None:
    before = phrase("| 1 e5{u2 accent} & e8{1} 2 G7b(full){d2 45ms} 3 G7b(full){supported}")
    after = suggest(before)
    for a, b in zip(before.strokes(), after.strokes(), strict=True):
        for old, new in zip(a.notes, b.notes, strict=True):
            assert set(old.marks) <= set(new.marks)
    assert marks("| 1 e5{u2 accent}") == [("u", "2", "accent")]


def test_variations_are_treated_alike() -> None:
    more = "[[variation]]\nname = 'v'\n[[variation.part]]\nnotes = '| 1 e5 & e8'"
    found = suggest(phrase("| 1 e5", more)).variations[0][1]
    assert [s.notes[0].marks for s in found.parts[0].strokes] == [("d", "1"), ("u", "4")]


def test_pickups_come_after_the_part_before() -> None:
    two = phrase("| 1 e5 & e8 3 .", "[[part]]\nrole = 'response'\nnotes = '4 e5 & e8 | 1 B5 2 B8'")
    found = suggest(two)
    assert [len(part.strokes) for part in found.parts] == [2, 4]


@pytest.mark.parametrize("name", shipped())
def test_suggestions_hold_for_every_phrase(name: str) -> None:
    before = load_phrase(name)
    after = suggest(before)
    assert suggest(after) == after
    for part, old in zip(after.parts, before.parts, strict=True):
        for stroke, was in zip(part.strokes, old.strokes, strict=True):
            used: dict[str, int] = {}
            assert (stroke.at, stroke.end) == (was.at, was.end)
            for note, plain in zip(stroke.notes, was.notes, strict=True):
                assert (note.string, note.fret, note.moves) == (
                    plain.string,
                    plain.fret,
                    plain.moves,
                )
                kinds = [MARKS[mark].kind for mark in note.marks if mark in MARKS]
                assert len(kinds) == len(set(kinds))
                assert "stroke" in kinds
                assert ("finger" in kinds) == bool(note.fret)
                for mark in set(note.marks) & set(FINGER_MARKS):
                    assert note.fret is not None
                    assert used.setdefault(mark, note.fret) == note.fret
