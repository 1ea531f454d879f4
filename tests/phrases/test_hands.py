"""Positions, fingers and strokes against what players do (common practice, from memory)."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise, product

import pytest

from phrases.files import load_phrase, read_phrase, shipped
from phrases.fingering import FINGER_MARKS, REACH
from phrases.fretboard import STRINGS
from phrases.hands import grips, move_cost, positions, suggest
from phrases.notation import read_line, write_line
from phrases.phrase import Part, Phrase, StringNote, Stroke
from phrases.techniques import MARKS
from phrases.tipped import contradictions
from tests.hard.material import number_of


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
    stroke = Stroke(Fraction(0), Fraction(1), (StringNote("E", 1), StringNote("e", 15)))
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


# Common practice, from memory: low string to high one, 0 for an open string.
@pytest.mark.parametrize(
    ("notes", "found"),
    [
        ("E3+A2+D0+G0+B0+e3", "2+1+0+0+0+3"),  # an open G: no finger on both outer strings
        ("E1+A3+D3+G2+B1+e1", "1+3+4+2+1+1"),  # a barre
        ("E8+A10+D10+G9+B8+e8", "1+3+4+2+1+1"),  # the same at fret 8
        ("A5+D4+G5+B5+e5", "2+1+3+3+3"),  # a ninth
        ("A7+D6+G7+B8", "2+1+3+4"),  # a seventh with a sharp ninth
        ("A0+D2+G2+B2+e0", "0+1+2+3+0"),  # an open A
        ("E0+A2+D2+G1+B0+e0", "0+2+3+1+0+0"),  # an open E
        ("A0+D2+G0+B2+e0", "0+2+0+3+0"),  # an open A7
        ("G7b(full)+B7", "3+4"),  # one of two strings at a fret is bent
        ("G7b(full)+B8", "3+4"),
        ("G7b(full)+B5", "3+1"),  # a unison bend
        ("B8b(full)+e5", "3+1"),
        ("G7b(1/4)+B7b(1/4)", "3+3"),  # both are bent
        ("B12+e12", "1+1"),
    ],
)
def test_chords_and_double_stops_have_the_fingers_that_players_take(
    notes: str, found: str
) -> None:
    assert fingers(f"| 1 {notes}") == found
    assert len(set(fingers(f"| 1 {notes} 3 {notes} | 1 . 4 {notes}").split())) == 1


def test_beside_open_strings_the_hand_lies_at_the_nut() -> None:
    assert fingers("| 1 e0 & e3 2 B0 & B3 3 G0 & G2 4 D2 & D0") == "0 3 0 3 0 2 2 0"


def test_a_unison_bend_is_the_third_and_the_first_finger_s_whatever_comes_beside_it() -> None:
    found = fingers("| 1 G7b(full)+B7 2 G7b(full)+B5 3 G5/ & G9 4 B8")
    assert found.split()[:2] == ["3+4", "3+1"]


def fits(note: StringNote, finger: int, other: StringNote, own: int) -> bool:
    """Tell whether two fingers, or one, can be where they are at once."""
    assert note.fret
    assert other.fret
    bends = [[(m.size, m.fret) for m in n.moves if m.sign in ("b", "pb")] for n in (note, other)]
    if finger == own:
        return note.fret == other.fret and bends[0] == bends[1]
    if note.fret == other.fret:
        return True
    low, high = sorted(((note.fret, finger), (other.fret, own)))
    return low[1] < high[1] and high[0] - low[0] <= high[1] - low[1] + 1


def impossible(stroke: Stroke, taken: Sequence[int]) -> str:
    """Return what no hand does (common practice), in words; empty where one can.

    The fingers for what is hammered on or pulled off to are tried, those of the picks are given.
    """
    down = [(n, f) for n, f in zip(stroke.notes, taken, strict=True) if n.fret]
    if not all(finger for _, finger in down):
        return "no finger"
    more = [
        StringNote(note.string, fret)
        for note, _ in down
        for fret in {m.fret for m in note.moves if m.sign in ("h", "p", "tr") and m.fret}
        if fret != note.fret
    ]
    why = ""
    for tried in product(range(1, 5), repeat=len(more)):
        why = _wrong(stroke, [*down, *zip(more, tried, strict=True)])
        if not why:
            return ""
    return why


def _wrong(stroke: Stroke, down: Sequence[tuple[StringNote, int]]) -> str:
    for (note, finger), (other, own) in combinations(down, 2):
        if not fits(note, finger, other, own) or (note.string == other.string and finger == own):
            return f"{finger} on {note.string}{note.fret}, {own} on {other.string}{other.fret}"
    for note, finger in down:
        rows = [STRINGS.index(other.string) for other, own in down if own == finger]
        for other in stroke.notes:
            row = STRINGS.index(other.string)
            under = other.fret is not None and other.fret < (note.fret or 0)
            if min(rows) < row < max(rows) and under:
                return f"{finger} lies over {other.string}{other.fret}"
        if max(rows) - min(rows) >= (6, 3, 4, 2)[finger - 1]:
            return f"{finger} lies over too many strings"
        if finger > 1 and any(
            min(rows) < STRINGS.index(other.string) < max(rows) and own != finger
            for other, own in down
        ):
            return f"{finger} lies over another finger"
    return ""


def strummed(chance: random.Random) -> str:
    """Return a random line of notes, double stops and chords, with what a hand does to them."""
    words, place = [], chance.randrange(1, 15)
    for beat in range(1, 5):
        for half in ("", "&"):
            if half and chance.random() < 0.4:
                continue
            place = min(max(1, place + chance.choice((0, 0, 0, 1, -2, 3, -5))), 19)
            count = chance.choices((1, 2, 3, 4, 6), (10, 5, 2, 2, 1))[0]
            first = chance.randrange(len(STRINGS) - count + 1)
            notes = []
            for string in STRINGS[first : first + count]:
                fret = 0 if chance.random() < 0.1 else place + chance.randrange(4)
                move = ""
                if fret and chance.random() < (0.5 if count < 3 else 0.15):
                    move = chance.choice(
                        ("b(full)", "b(1/2)r", "pb(full)", "b(1/4)", f"h{fret + 1}",
                         f"/{fret + 2}", f"tr{fret + 2}", "~", f"h{fret + 2}p{fret}")
                    )  # fmt: skip
                notes.append(f"{string}{fret}{move}")
            words.append(f"{beat}{half} {'+'.join(notes)}")
    return "| " + " ".join(words)


def playable(stroke: Stroke) -> bool:
    """Tell whether any fingers can be where they must, trying all."""
    return any(
        not impossible(stroke, taken)
        for taken in product(*(range(1, 5) if note.fret else (0,) for note in stroke.notes))
    )


@pytest.mark.parametrize("seed", range(number_of(3, 50)))
def test_no_hand_is_impossible(seed: int) -> None:
    chance = random.Random(seed)
    seen = 0
    while seen < 20:
        line = read_line(strummed(chance))
        strokes = tuple(stroke for stroke in line.strokes if playable(stroke))
        if len(strokes) < 3:
            continue
        seen += 1
        made = suggest(replace(phrase("| 1 e5"), parts=(Part("line", 1, strokes),)))
        for stroke in made.parts[0].strokes:
            taken = [
                next((int(mark) for mark in note.marks if mark in FINGER_MARKS), 0)
                for note in stroke.notes
            ]
            assert not impossible(stroke, taken), write_line((stroke,), 1)


def _without(before: Phrase, word: str) -> Phrase:
    """Return a phrase without a mark."""
    return replace(
        before,
        parts=tuple(
            replace(part, strokes=tuple(
                replace(stroke, notes=tuple(
                    replace(note, marks=tuple(mark for mark in note.marks if mark != word))
                    for note in stroke.notes
                ))
                for stroke in part.strokes
            ))
            for part in before.parts
        ),
    )  # fmt: skip


@pytest.mark.parametrize("name", shipped())
def test_the_same_notes_have_the_same_fingers(name: str) -> None:
    bare = load_phrase(name)
    for finger in FINGER_MARKS:
        bare = _without(bare, finger)
    strokes = [s for part in suggest(bare).parts for s in part.strokes]
    known: dict[object, list[str]] = {}
    for first in range(len(strokes) - 3):
        run = strokes[first : first + 4]
        shape = tuple(
            (n.string, n.fret, n.moves and n.moves[0].sign) for s in run for n in s.notes
        )
        found = [m for s in run for n in s.notes for m in n.marks if m in FINGER_MARKS]
        assert known.setdefault(shape, found) == found, shape


def test_identical_bars_are_fingered_alike_whatever_comes_between() -> None:
    bar = "1 e8 & e10 2 B10 & B8 3 G9 & G7"
    found = fingers(f"| {bar} | 1 e15 & e17 2 e12 3 e13b(full) | {bar} 4 E3 | 1 G2 2 D4 | {bar}")
    words = found.split()
    assert words[:6] == words[10:16] == words[-6:]


@pytest.mark.parametrize(
    "notes",
    ["| 1 G5/ & G9 2 B8 & G7", "| 1 B13/15 & e13 2 B15 & e13", "| 1 e5 & e8\\\\ 2 e5 & B8 3 B5"],
)
def test_a_slide_keeps_its_finger(notes: str) -> None:
    notes = notes.replace("\\\\", "\\")
    made = suggest(phrase(notes)).parts[0].strokes
    for before, after in pairwise(made):
        note, goal = before.notes[0], after.notes[0]
        if note.moves and note.moves[-1].fret is None:
            assert set(note.marks) & set(FINGER_MARKS) == set(goal.marks) & set(FINGER_MARKS)
    # A finger that slid two frets up has brought the hand: the first is over fret 13.
    if "13/15" in notes:
        assert fingers(notes) == "3 1 3 1"


def test_the_hand_moves_where_the_music_breathes() -> None:
    # The third note could be had in either place; the hand goes there in the rest.
    found = hands("| 1 B5 & B8 2 e5 3 . 4 e8 & e10 | 1 e8 & e12 2 e10")
    assert found[:3] == [5, 5, 5]
    assert len(set(found[3:])) == 1


@pytest.mark.parametrize("name", shipped())
def test_no_tip_of_the_library_names_a_finger_that_the_sheet_has_not(name: str) -> None:
    made = load_phrase(name)
    for one in (made, *(other for _, other in made.variations)):
        assert list(contradictions(one)) == [], one.title
