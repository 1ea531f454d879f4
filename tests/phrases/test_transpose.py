from __future__ import annotations

from dataclasses import replace

import pytest
from music21 import interval as m21_interval
from music21 import note as m21_note

from phrases.errors import RangeError
from phrases.files import read_phrase
from phrases.fretboard import fret_pitch
from phrases.phrase import Phrase
from phrases.pitch import KEYS, Key
from phrases.transpose import transpose


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
        r"\(frets 0 to 22\)$"
    )
    with pytest.raises(RangeError, match=message):
        transpose(phrase("| 1 E0 2 e20"), Key("D"))


def test_a_fretted_shape_is_not_moved_onto_open_strings() -> None:
    # Down a fourth the lowest fret, 5, would be the open string, which cannot be bent.
    text = 'title = "t"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = "| 1 G7b(full) 3 D5/7"'
    moved = transpose(read_phrase(text), Key("E"))
    assert [n.fret for s in moved.parts[0].strokes for n in s.notes] == [14, 12]
