"""Other tunings: what sounds, what is written, and what comes back from a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mido
import pytest
from music21 import converter

import backing
from backing.exchange.importing import import_musicxml
from backing.exchange.musicxml import musicxml
from backing.forms import find_form
from backing.sheet.text import text_sheet
from backing.sheet.writing import over_form
from phrases.bends import bend
from phrases.check import check
from phrases.errors import ChoiceError, TextFileError
from phrases.files import read_phrase
from phrases.fretboard import STRINGS, TUNINGS, parse_tuning
from phrases.moves.proposals import propose
from phrases.phrase import Phrase
from phrases.pitch import Key
from phrases.refinger import refinger
from phrases.transpose import transpose

# Common practice, from memory: the open strings from low to high as MIDI numbers.
OPEN = {
    "half step down": (39, 44, 49, 54, 58, 63),
    "drop D": (38, 45, 50, 55, 59, 64),
    "open D": (38, 45, 50, 54, 57, 62),
    "open E": (40, 47, 52, 56, 59, 64),
    "open G": (38, 43, 50, 55, 59, 62),
    "open A": (40, 45, 52, 57, 61, 64),
    "D A D G A D": (38, 45, 50, 55, 57, 62),
}


ALL = "| 1 E0 & A0 2 D0 & G0 3 B0 & e0 4 Gx"


def phrase(tuning: str, notes: str = ALL, key: str = "D") -> Phrase:
    return read_phrase(
        f'title = "X"\nkey = "{key}"\ntempo = 90\ntuning = "{tuning}"\n'
        f"[[part]]\nnotes = '{notes}'\n"
        "[[variation]]\nname = \"again\"\n[[variation.part]]\nnotes = '| 1 E0 2 e3'\n"
    )


def lead(path: Path, made: Phrase, **given: Any) -> list[int]:
    backing.write(backing.demo(made, choruses=1, **given), [path], force=True)
    tracks = [t for t in mido.MidiFile(path).tracks if t.name.startswith("Guitar")]
    at = [(sum(m.time for m in t[: n + 1]), m.note) for t in tracks for n, m in enumerate(t)
          if m.type == "note_on" and m.velocity]  # fmt: skip
    return [note for _, note in sorted(at)]


@pytest.mark.parametrize("tuning", OPEN)
def test_open_strings_sound_as_they_are_tuned(tuning: str, tmp_path: Path) -> None:
    assert tuple(lead(tmp_path / "x.mid", phrase(tuning))[:6]) == OPEN[tuning]
    assert lead(tmp_path / "x.mid", phrase(tuning), variation="again")[:1] == [OPEN[tuning][0]]


def test_every_tuning_that_has_a_name_is_six_strings_and_the_open_ones_are_a_chord() -> None:
    for name in TUNINGS:
        tuned = parse_tuning(name)
        pitches = {
            (dict(zip(STRINGS, (4, 9, 2, 7, 11, 4), strict=True))[s] + n) % 12
            for s, n in tuned.items()
        }
        if name.startswith("open"):
            root = {"C": 0, "D": 2, "E": 4, "G": 7, "A": 9}[name.split()[1]]
            third = 3 if name.endswith("minor") else 4
            assert pitches == {root, (root + third) % 12, (root + 7) % 12}


@pytest.mark.parametrize("tuning", OPEN)
def test_musicxml_says_it_and_brings_it_back(tuning: str, tmp_path: Path) -> None:
    given = phrase(tuning)
    path = tmp_path / "x.musicxml"
    path.write_text(musicxml(over_form(given, find_form("twelve-bar"))), encoding="utf-8")
    back = import_musicxml(path)
    assert back.phrase.tuning == tuning
    assert back.phrase.parts == given.parts
    assert [str(back.phrase.key), back.phrase.title] == ["D", "X"]
    # music21 reads the pitches as they are printed, an octave higher.
    read: Any = converter.parse(path)
    notes = [n.pitch.midi for n in read.parts[0].recurse().notes if n.isNote]
    assert tuple(notes[:6]) == OPEN[tuning]


def test_hands_and_neck_follow() -> None:
    low = phrase("open G", "| 1 D0 & D5 2 G5 3 B5b6 4 B3", "G")
    rows = check(low).rows
    # In open G the open D, G, B and D are 5, 1, 3 and 5; the fifth fret of G is its fourth, C.
    assert [row.degree for row in rows[:3]] == ["5", "1", "4"]
    assert rows[1].name == "G3"
    # Another position keeps the pitches on strings tuned otherwise.
    other = refinger(phrase("open G", "| 1 G5 2 B3 3 e5", "G"), 5)
    before = [row.pitch for row in check(phrase("open G", "| 1 G5 2 B3 3 e5", "G")).rows]
    assert [row.pitch for row in check(other).rows] == before
    # A whole step up is two frets, whatever the tuning.
    assert [n.fret for s in transpose(low, Key("A")).parts[0].strokes for n in s.notes][1] == 7
    # A slacker string is bent farther for the same interval and takes less force (Grimes 2014).
    usual, slack = bend("B", 8, 200), bend("B", 8, 200, -2)
    assert slack.tension < usual.tension
    assert slack.force < usual.force
    # Proposals stay in the scale of the tuning that is there.
    varied = read_phrase(
        'title = "X"\nkey = "G"\nscale = "major pentatonic"\ntempo = 90\ntuning = "open G"\n'
        "[[part]]\nnotes = '| 1 D0 & D2 2 G4 3 B3~ | 1 e5 & e2 2 G0'\n"
    )
    scale = {7, 9, 11, 2, 4}
    for one in propose(varied, moves=["other-notes", "step-higher", "double-stop", "one-more"]):
        assert {round(r.pitch) % 12 for r in check(one.phrase).rows if r.pitch} <= scale, one.move


def test_a_sheet_says_it() -> None:
    text = text_sheet(phrase("open D"), find_form("twelve-bar"))
    assert "tuned open D: D A D F# A D" in text
    assert "tuned" not in text_sheet(phrase("standard"), find_form("twelve-bar"))


def test_what_is_no_tuning_is_said_with_the_nearest() -> None:
    for wrong, near in (
        ("open f", '"open'),
        ("half-step down", '"half step down"'),
        ("D A D G A", "six open strings"),
    ):
        with pytest.raises(ChoiceError, match=near):
            parse_tuning(wrong)
    with pytest.raises(TextFileError, match=r"phrase:4:10: .* is neither a tuning's name"):
        phrase("drop E")
