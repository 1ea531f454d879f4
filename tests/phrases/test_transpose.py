from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from music21 import interval as m21_interval
from music21 import note as m21_note
from music21 import pitch as m21_pitch

from phrases.errors import ChoiceError, RangeError
from phrases.files import load_phrase, read_phrase, shipped
from phrases.fingering import FINGER_MARKS, REACH
from phrases.fretboard import LAST_FRET, fret_pitch
from phrases.hands import grips
from phrases.performance import perform
from phrases.phrase import Phrase, StringNote, Stroke
from phrases.pitch import KEYS, Key, parse_key
from phrases.refinger import POSITIONS, parse_strings, refinger
from phrases.transpose import HIGHEST, all_frets, moved, transpose
from tests.hard.material import in_turn


def phrase(notes: str, key: str = "A") -> Phrase:
    return read_phrase(
        f"title = 'Mill race'\nkey = '{key}'\ntempo = 90\n[[part]]\nnotes = '{notes}'"
    )


def pitches(found: Phrase) -> list[int]:
    return [
        fret_pitch(note.string, note.fret)
        for stroke in found.strokes()
        for note in stroke.notes
        if note.fret is not None
    ]


def frets(found: Phrase) -> list[int | None]:
    return [note.fret for stroke in found.strokes() for note in stroke.notes]


MIDDLE = "4& G9/11 | 1 B12 & e12b(full)~ 2 r 3 Gx 4 G9p7+B10"


def test_the_same_key_changes_nothing() -> None:
    before = phrase(MIDDLE)
    assert transpose(before, before.key) == before


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_every_note_moves_by_the_interval_between_the_keys(key: Key) -> None:
    before = phrase(MIDDLE)
    after = transpose(before, key)
    assert after.key == key
    steps = {b - a for a, b in zip(pitches(before), pitches(after), strict=True)}
    (step,) = steps
    # The interval from A to the new tonic by music21, in whichever octave.
    tonic = m21_note.Note(key.tonic.replace("b", "-"))
    there = m21_interval.Interval(m21_note.Note("A"), tonic).semitones
    assert (step - there) % 12 == 0
    assert abs(step) <= 6


def test_a_shape_moves_with_its_techniques() -> None:
    before = phrase("| 1 G5/7 2 h8p7 3 b9 4 .")
    moved = transpose(before, Key("B")).strokes()[0].notes[0]
    assert moved.fret == 7
    assert [m.fret for m in moved.moves] == [9, 10, 9, 11]


def test_bends_by_a_size_and_counts_stay() -> None:
    before = phrase(MIDDLE)
    after = transpose(before, Key("C"))
    for old, new in zip(before.strokes(), after.strokes(), strict=True):
        assert (old.at, old.end) == (new.at, new.end)
        for was, now in zip(old.notes, new.notes, strict=True):
            assert (was.string, was.marks) == (now.string, now.marks)
            assert [replace(m, fret=None) for m in was.moves] == [
                replace(m, fret=None) for m in now.moves
            ]


def test_a_muted_string_stays_muted() -> None:
    assert frets(transpose(phrase("| 1 Gx 2 G7"), Key("B"))) == [None, 9]


def test_the_nearer_way_is_taken() -> None:
    assert frets(transpose(phrase("| 1 G9"), Key("C"))) == [12]
    assert frets(transpose(phrase("| 1 G9"), Key("F#"))) == [6]


def test_where_the_nearer_way_leaves_the_neck_the_other_is_taken() -> None:
    assert frets(transpose(phrase("| 1 G2"), Key("F#"))) == [11]
    assert frets(transpose(phrase("| 1 e20"), Key("C"))) == [11]


def test_there_and_back_is_the_same() -> None:
    before = phrase(MIDDLE)
    for key in KEYS:
        if (key.pitch_class - before.key.pitch_class) % 12 != 6:
            assert transpose(transpose(before, key), before.key) == before


def test_a_shape_too_wide_for_the_neck_is_refused() -> None:
    message = (
        r'^"Mill race" lies on frets 0 to 20: its shape does not fit on the neck in D '
        r"\(frets 0 to 22\); it does in A, Bb, B; `backing transpose --position N` looks for "
        r"another fingering$"
    )
    with pytest.raises(RangeError, match=message):
        transpose(phrase("| 1 E0 2 e20"), Key("D"))


def test_a_fretted_shape_too_wide_needs_the_first_fret() -> None:
    with pytest.raises(
        RangeError, match=r"in D \(frets 1 to 22\); it does in .*; `backing transpose --p"
    ):
        transpose(phrase("| 1 E1 2 e20"), Key("D"))


def test_an_open_string_that_is_not_wanted_is_named() -> None:
    # G3 is the open string and no other fret of G, B and e (standard tuning).
    message = (
        r"G3 has no place on strings G B e \(on G it would be open; on B it is too low; "
        r"on e it is too low\); open strings are played in position 1, or where "
        r"the phrase has some$"
    )
    with pytest.raises(RangeError, match=message):
        refinger(phrase("| 1 G2 & G4 2 G5p2"), 5, "GBe", key=Key("G"))


def test_a_pull_off_that_is_out_of_reach_is_named_with_both_frets() -> None:
    # Up a minor third the open e is fret 3 and A4 is C5, fret 8.
    message = r"the pull-off from C5 is out of reach in position 8: it lies at .* or e8p3$"
    with pytest.raises(RangeError, match=message):
        refinger(phrase("| 1 e5p0"), 8, key=Key("C"))


def test_a_fretted_shape_is_not_moved_onto_open_strings() -> None:
    # Down a fourth the lowest fret, 5, would be the open string, which cannot be bent.
    text = 'title = "t"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "| 1 G7b(full) 3 D5/7"'
    moved = transpose(read_phrase(text), Key("E"))
    assert [n.fret for s in moved.parts[0].strokes for n in s.notes] == [14, 12]


def places(found: Phrase) -> str:
    return " ".join(
        "+".join(
            f"{note.string}{'x' if note.fret is None else note.fret}" for note in stroke.notes
        )
        for stroke in found.strokes()
    )


VARIED = """
title = "Mill race"
key = "A"
tempo = 90
[[part]]
role = "call"
notes = '| 1 G7 2 e5'
[[part]]
role = "response"
notes = '| 1 D7 2 B5'
[[variation]]
name = "higher"
[[variation.part]]
role = "response"
notes = '| 1 G7 2 e8'
"""


def test_variations_move_with_the_rest() -> None:
    moved = transpose(read_phrase(VARIED), Key("B"))
    ((name, other),) = moved.variations
    assert name == "higher"
    assert other.key == Key("B")
    assert other.parts[0] == moved.parts[0]
    assert places(other) == "G9 e7 G9 e10"


def test_a_variation_that_leaves_the_neck_goes_the_other_way() -> None:
    # Up a fourth B20 would be fret 25; a player takes that variation an octave lower.
    text = VARIED.replace("G7 2 e8", "G12 2 B20").replace("G7 2 e5", "G12 2 e10")
    before = read_phrase(text)
    after = transpose(before, Key("D"))
    ((_, other),) = after.variations
    assert places(after) == "G17 e15 D12 B10"
    assert places(other) == "G5 e3 G5 B13"
    assert moved(before, after) == '5 frets up; "higher" 7 frets down'


# The same A minor line where teachers know it: the first box, at the twelfth fret, low down.
LICK = "4 e5 & B8 | 1 B5 & G7 2 G5 & D7 3 A7 4 ."


@pytest.mark.parametrize(
    ("position", "found"),
    [
        (5, "e5 B8 B5 G7 G5 D7 A7"),
        (7, "B10 B8 G9 G7 D10 D7 A7"),
        (2, "e5 e3 B5 B3 G5 G2 D2"),
    ],
)
def test_a_line_in_other_positions(position: int, found: str) -> None:
    assert places(refinger(phrase(LICK), position)) == found


def test_strings_alone_let_the_hand_go_where_it_likes() -> None:
    low = refinger(phrase(LICK), strings="AD")
    assert pitches(low) == pitches(phrase(LICK))
    assert {note.string for s in low.strokes() for note in s.notes} == {"A", "D"}
    after = refinger(phrase("| 1 e5 2 e8"), strings="B")
    assert places(after) == "B10 B13"


def test_the_same_position_keeps_the_fingering() -> None:
    before = phrase("| 1 e5{1} & e8{4} 2 B5{1} & B8{4} 3 G7b(full){3}")
    assert refinger(before, 5) == before


def test_the_key_goes_the_shorter_way_that_the_position_allows() -> None:
    # A to E: down a fourth, except where the hand stays at the twelfth fret.
    assert places(refinger(phrase(LICK), 12, key=Key("E"))) == "e12 B15 B12 G14 G12 D14 A14"
    assert pitches(refinger(phrase(LICK), 2, key=Key("E")))[0] == 64


def test_fingers_go_where_the_fingering_changes_and_stay_where_the_shape_does() -> None:
    before = phrase("| 1 e5{d1} & e8{4} 2 B8b(full){3 supported}")
    new = refinger(before, 9).strokes()
    assert not {mark for s in new for n in s.notes for mark in n.marks} & set(FINGER_MARKS)
    assert new[0].notes[0].marks == ("d",)
    assert new[2].notes[0].marks == ("supported",)
    same = refinger(before, 7, key=Key("B")).strokes()
    assert [n.marks for s in same for n in s.notes] == [("d", "1"), ("4",), ("3", "supported")]


@pytest.mark.parametrize(
    ("notes", "position", "found"),
    [
        ("| 1 B5b(full)", 1, "B5"),  # a stretch
        ("| 1 B6b(full)", 1, None),
        ("| 1 B5b(full)", 2, "B5"),
        ("| 1 G7b(full)", 10, None),  # on D only curls and halves
        ("| 1 G7b(1/2)", 10, "D12"),
        ("| 1 D7b(1/2)", 10, None),
        ("| 1 D7b(1/4)", 10, "A12"),
        ("| 1 e5b(full)", 9, "B10"),
        ("| 1 G4b(full)", 2, "G4"),
        ("| 1 G3b(full)", 2, None),
        ("| 1 G2b(1/2)", 1, "G2"),
    ],
)
def test_bends_stay_where_they_can_be_made(notes: str, position: int, found: str | None) -> None:
    if found is None:
        with pytest.raises(RangeError, match=r"line, bar 1, count 1: the bend from"):
            refinger(phrase(notes), position)
    else:
        assert places(refinger(phrase(notes), position)) == found


def test_open_strings_only_in_first_position_or_where_there_are_some() -> None:
    assert places(refinger(phrase("| 1 B5 & G4 2 D5"), 1)) == "e0 B0 G0"
    assert places(refinger(phrase("| 1 B5 & G4 2 D5"), 2)) == "B5 G4 D5"
    assert places(refinger(phrase("| 1 E5 2 D0 3 e9"), 9)) == "A0 D0 e9"
    with pytest.raises(RangeError, match="A2 is out of reach in position 9: it lies at E5"):
        refinger(phrase("| 1 E5 2 e9"), 9)


def test_a_string_on_which_the_hand_may_not_bend_is_told() -> None:
    with pytest.raises(RangeError, match=r"it lies at G7; on D a full bend is too hard$"):
        refinger(phrase("| 1 G7b(full)"), 10)


@pytest.mark.parametrize("notes", ["| 1 B5/7", "| 1 B5~", "| 1 B5b(1/4)", "| 1 /B5", "| 1 G11\\9"])
def test_no_open_string_slides_bends_or_sways(notes: str) -> None:
    after = refinger(phrase(notes), 1, strings="GBe" if "11" not in notes else "GB")
    assert after.strokes()[0].notes[0].fret != 0


def test_techniques_stay_on_one_string() -> None:
    after = refinger(phrase("| 1 G5/7 2 h8p7 3 b8 4 ."), 10).strokes()[0].notes[0]
    assert after == StringNote("D", 10, after.moves)
    assert [m.fret for m in after.moves] == [12, 13, 12, 13]


def test_double_stops_lie_in_the_hand_s_reach() -> None:
    assert places(refinger(phrase("| 1 G7+B5 2 e5"), 10)) == "D12+G9 B10"
    with pytest.raises(RangeError, match="no hand reaches D4 and E4 at once on string G"):
        refinger(phrase("| 1 G7+B5"), strings="G")


@pytest.mark.parametrize(
    ("position", "strings", "message"),
    [
        (
            1, None,
            '^"Mill race": line, bar 1, count 1: B4 is out of reach in position 1: it lies at D21',
        ),
        (
            9, "EAD",
            r'^"Mill race": line, bar 0 \(the pickup\), count 4&: the slide from E4 '
            r"is out of reach in position 9: it lies at A19/21 or D14/16$",
        ),
        (
            None, "E",
            r'^"Mill race": line, bar 0 \(the pickup\), count 4&: the slide from E4 has no place '
            r"on string E \(on E it is too high\)$",
        ),
        (18, None, "^position 18: it must lie from 1 to 17$"),
        (0, None, "^position 0: it must lie from 1 to 17$"),
    ],
)  # fmt: skip
def test_what_cannot_be_played_is_named(
    position: int | None, strings: str | None, message: str
) -> None:
    with pytest.raises(RangeError, match=message):
        refinger(phrase(MIDDLE), position, strings)


def test_the_variation_that_cannot_be_played_is_named() -> None:
    with pytest.raises(RangeError, match=r'^"Mill race, higher": response, bar 1, count 2: C5 '):
        refinger(read_phrase(VARIED), 3)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("GBx", r'strings GBx: "x" is not a string; .*write them together, as GBe'),
        ("gb", r'"g" is not a string; did you mean "G"\?'),
        ("GG", 'strings GG: "G" comes twice'),
        ("", "name at least one string"),
    ],
)
def test_strings_are_checked(text: str, message: str) -> None:
    with pytest.raises(ChoiceError, match=message):
        parse_strings(text)


def test_strings_come_low_to_high() -> None:
    assert parse_strings("eEG") == "EGe"


def curves(stroke: Stroke) -> Iterator[tuple[float, list[float]]]:
    """Yield the MIDI pitch and the moving pitch of each note; slides to nowhere left out."""
    for note in stroke.notes:
        if note.fret is None:
            continue
        moves = tuple(m for m in note.moves if m.sign not in ("/", "\\") or m.fret is not None)
        alone = replace(note, moves=moves, marks=(), into="")
        (one,) = perform([replace(stroke, notes=(alone,))], lambda beat: float(beat + 8) * 0.6)
        length = one.end - one.start
        yield one.pitch, [one.curve.at(length * n / 12) for n in range(13)]


@pytest.mark.parametrize("name", shipped())
def test_every_pitch_and_technique_of_the_library_is_kept(name: str) -> None:
    """A phrase in twelve keys, in one of six positions each, is refingered truly, or refused."""
    played = refused = tried = 0
    tonics = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
    before = load_phrase(name)
    shapes = [[list(curves(s)) for s in part.strokes] for part in before.parts]
    where = (1, 3, 5, 7, 9, 12)
    first = list(shipped()).index(name) % len(where)
    for tonic, position in in_turn(tonics, where[first:] + where[:first]):
        key = parse_key(tonic)
        try:
            after = refinger(before, position, key=key)
        except RangeError as error:
            refused += ", count " in str(error)
            tried += 1
            continue
        played += 1
        tried += 1
        steps = set()
        for old, new, shape in zip(before.parts, after.parts, shapes, strict=True):
            for was, now, curve in zip(old.strokes, new.strokes, shape, strict=True):
                assert (was.at, was.end) == (now.at, now.end)
                assert position in {p for g in grips(now) for p in (g.position, g.leaves)}
                for a, b in zip(was.notes, now.notes, strict=True):
                    assert a.into == b.into
                    assert [(m.sign, m.at, m.size) for m in a.moves] == [
                        (m.sign, m.at, m.size) for m in b.moves
                    ]
                    assert set(a.marks) - set(FINGER_MARKS) <= set(b.marks) <= set(a.marks)
                    assert b.fret is None or 0 <= b.fret <= HIGHEST
                for (low, one), (high, other) in zip(curve, curves(now), strict=True):
                    steps.add(high - low)
                    assert one == pytest.approx(other)
        (step,) = steps
        tonics_apart = m21_interval.Interval(
            m21_note.Note(before.key.tonic.replace("b", "-")),
            m21_note.Note(tonic.replace("b", "-")),
        ).semitones
        assert (step - tonics_apart) % 12 == 0
    assert played + refused == tried
    assert played  # somewhere, else nothing was compared


@pytest.mark.parametrize("position", [POSITIONS[0], 5, 12, POSITIONS[1]])
def test_fretted_notes_lie_under_the_hand(position: int) -> None:
    chromatic = [f"| 1 {string}{fret}" for string in "EADGBe" for fret in range(1, 21)]
    found = 0
    for line in chromatic:
        try:
            (stroke,) = refinger(phrase(line), position).strokes()
        except RangeError:
            continue
        (note,) = stroke.notes
        assert note.fret is not None
        assert note.fret == 0 or position - 1 <= note.fret <= position + REACH + 1
        written = line.split()[-1]
        # Pitch names by music21 from the open strings' standard tuning.
        opened = {"E": "E2", "A": "A2", "D": "D3", "G": "G3", "B": "B3", "e": "E4"}
        there = m21_pitch.Pitch(opened[note.string]).transpose(note.fret)
        here = m21_pitch.Pitch(opened[written[0]]).transpose(int(written[1:]))
        assert there.midi == here.midi
        found += 1
    assert found > 30
    assert position + REACH <= LAST_FRET


def test_what_comes_back_in_another_octave_was_said_to() -> None:
    there_and_back = 0
    for name in shipped():
        before = load_phrase(name)
        for key in KEYS:
            if key.mode != before.key.mode:
                continue
            try:
                after = transpose(before, key)
                again = transpose(after, before.key)
            except RangeError:
                continue
            there_and_back += 1
            if all_frets(again) != all_frets(before):
                assert "octave" in moved(before, after) + moved(after, again)
    assert there_and_back > 300


def test_it_is_said_how_far_the_shape_moves() -> None:
    low = phrase("| 1 e8 2 e5")
    assert moved(low, transpose(low, Key("C"))) == "3 frets up"
    assert moved(low, transpose(low, Key("Ab"))) == "1 fret down"
    assert moved(low, transpose(low, Key("A"))) == ""
    said = moved(low, transpose(low, Key("E")))
    assert said.startswith("7 frets up, since 5 frets down leaves the neck or bends harder; ")
