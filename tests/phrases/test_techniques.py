"""Every row of the table of techniques, through every room of the house."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from random import Random
from subprocess import run

import pytest

from backing.exchange.importing import import_musicxml
from backing.exchange.musicxml import musicxml
from backing.forms import find_form
from backing.live.tab import lay_out
from backing.page.music import version
from backing.sheet.layout import Style, pictures
from backing.sheet.spoken import spoken
from backing.sheet.text import text_sheet
from backing.sheet.writing import over_form
from phrases.check import check
from phrases.errors import RangeError
from phrases.files import load_phrase, read_phrase, shipped
from phrases.hands import grips, suggest
from phrases.moves.subject import Subject
from phrases.moves.wholes import easier
from phrases.notation import read_line, write_line
from phrases.performance import Played, perform
from phrases.phrase import Phrase
from phrases.pitch import Key
from phrases.techniques import MARKS, PICKLESS, TECHNIQUES, Technique
from phrases.transpose import transpose

ROWS = pytest.mark.parametrize("row", TECHNIQUES.values(), ids=lambda row: row.name)


def written(row: Technique, *, without: bool = False) -> Phrase:
    """Return a phrase whose second note is the row's example, or the bare place of it."""
    place = row.example[:2] if without else row.example
    notes = f"| 1 B8 2 {place} 4 ."
    return read_phrase(f"title = 'T'\nkey = 'A'\ntempo = 60\n[[part]]\nnotes = '{notes}'\n")


@ROWS
def test_it_is_read_and_tidied(row: Technique) -> None:
    line = read_line(f"|1 {row.example}")
    assert line.problems == []
    assert row.sign in [move.sign for move in line.strokes[0].notes[0].moves]
    assert write_line(line.strokes, line.bars) == f"| 1 {row.example}"


@ROWS
def test_it_is_heard(row: Technique) -> None:
    def curve(phrase: Phrase) -> list[float]:
        note = perform(phrase.strokes(), float)[1]
        return [note.curve.at(n / 100) for n in range(200)]

    assert curve(written(row)) != curve(written(row, without=True))


@ROWS
def test_it_is_checked_held_and_moved_to_another_key(row: Technique) -> None:
    phrase = written(row)
    assert row.name in " ".join(" ".join([one.how, *one.also]) for one in check(phrase).rows)
    assert grips(phrase.strokes()[1])
    moved = transpose(phrase, Key("B"))
    assert [m.sign for m in moved.strokes()[1].notes[0].moves] == [
        m.sign for m in phrase.strokes()[1].notes[0].moves
    ]


def _inks(phrase: Phrase, only: str) -> list[tuple[str, int]]:
    score = over_form(phrase, find_form("twelve-bar"))
    kinds = [one.kind for one in pictures(score, Style(staves=only))[0].inks]
    return sorted((kind, kinds.count(kind)) for kind in set(kinds))


@ROWS
@pytest.mark.parametrize("only", ["tab", "notation"])
def test_it_is_drawn_on_both_staves(row: Technique, only: str) -> None:
    assert _inks(written(row), only) != _inks(written(row, without=True), only)


@ROWS
def test_it_is_spoken_written_as_text_and_on_the_page(row: Technique) -> None:
    phrase = written(row)
    score = over_form(phrase, find_form("twelve-bar"))
    assert row.name in spoken(score, range(8))
    text = text_sheet(phrase)
    assert row.sign in text
    assert row.meaning or row.name in text
    shown = version(phrase, find_form("twelve-bar"), [])
    assert row.name in " ".join(" ".join([one.how, *one.also]) for one in shown.notes)
    assert any(
        row.sign in text for column in lay_out(phrase, 80)[0] for text in column.texts.values()
    )


@ROWS
def test_it_is_left_out_where_it_is_hard(row: Technique) -> None:
    # Bends and what trembles much or needs the bar come after all the rest (common practice).
    (note,) = easier(Subject(written(row)), Random(1)).strokes()[1].notes
    plain = row.lands or row.name == "vibrato"
    assert (row.sign in [move.sign for move in note.moves]) == plain


@ROWS
def test_it_comes_back_from_musicxml(row: Technique, tmp_path: Path) -> None:
    phrase = written(row)
    data = musicxml(over_form(phrase, find_form("twelve-bar")))
    assert f"<{row.element[0]}" in data
    for one in row.element[1:]:
        assert f"<{one.partition(':')[0]}" in data
    file = tmp_path / "x.musicxml"
    file.write_text(data, encoding="utf-8")
    again = import_musicxml(file).phrase
    assert again.strokes()[1].notes[0].moves == phrase.strokes()[1].notes[0].moves


# Rows as anybody may add them: steps without and with a word, a slide, a way of the bar. MusicXML
# has these elements beside those of the table.
ADDED = """
        Technique("t", "tap", "fret", "step", way=1, element=("tap",), example="G5t8"),
        Technique("T", "flick", "fret", "step", way=-1, over="flick", element=("pluck",),
                  example="G8T5"),
        Technique("k", "quick bend", "bend", "ease", seconds=0.02, way=1,
                  element=("bend", "bend-alter"), example="G7k(full)", brackets=("size", "over")),
        Technique("y", "twitch", "fret", "flutter", hertz=3.0, way=1,
                  element=("trill-mark",), example="G5y7", brackets=("rate",)),
        Technique("g", "glissando", "slide", "frets", seconds=0.04, way=1,
                  element=("glissando",), example="G5g7"),
        Technique("^", "bar scoop", "", "dip", seconds=0.3, cents=100.0, over="bar scoop",
                  element=("bend", "bend-alter:-1", "with-bar:scoop"), example="G7^"),
"""
WALK = """
import pathlib, sys, types, pytest
rows, walk = sys.argv[1:]
table = sys.modules["phrases.techniques"] = types.ModuleType("phrases.techniques")
before = "    for technique in (\\n"
source = pathlib.Path("phrases/techniques.py").read_text(encoding="utf-8")
exec(source.replace(before, before + rows, 1), vars(table))
chosen = "tap or flick or quick or twitch or glissando or scoop"
sys.exit(pytest.main(["-q", "-p", "no:xdist", "-p", "no:cacheprovider", walk, "-k", chosen]))
"""


def test_a_row_that_is_added_goes_through_every_room() -> None:
    file = Path(__file__)
    command = [sys.executable, "-c", WALK, ADDED, str(file)]
    done = run(command, cwd=file.parents[2], capture_output=True, text=True, check=False)
    assert "48 passed" in done.stdout, done.stdout


MARKED = {"slow": "G7b(full)", "supported": "G7b(full)", "harmonic": "G12", "late": "G7"}


@pytest.mark.parametrize("name", [n for n, one in MARKS.items() if one.text])
def test_a_mark_is_under_the_text_over_the_staff_and_comes_back(name: str, tmp_path: Path) -> None:
    place = f"{MARKED.get(name, 'G7')}{{{name}}}"
    text = "title = 'T'\nkey = 'A'\ntempo = 60\n[[part]]\nnotes = '| 1 B8 2 @ 4 .'\n"
    phrase = read_phrase(text.replace("@", place))
    row = MARKS[name]
    sheet = text_sheet(phrase)
    assert row.text in sheet
    assert f"{row.text} = {row.told or row.name}" in " ".join(sheet.split())
    bare = read_phrase(text.replace("@", place.partition("{")[0]))
    assert _inks(phrase, "tab") != _inks(bare, "tab")
    file = tmp_path / "x.musicxml"
    file.write_text(musicxml(over_form(phrase, find_form("twelve-bar"))), encoding="utf-8")
    assert import_musicxml(file).phrase.strokes()[1].notes[0].marks == (name,)


def _sounds(place: str) -> Played:
    (note,) = perform(read_line(f"| 1 {place} 3 .").strokes, float)
    return note


@pytest.mark.parametrize(("fret", "partial"), [(12, 2), (7, 3), (19, 3), (5, 4), (24, 4), (4, 5),
                                               (9, 5), (16, 5)])  # fmt: skip
def test_a_natural_harmonic_is_a_partial_of_the_open_string(fret: int, partial: int) -> None:
    # Where a string is touched at k/n of its length its n-th partial rings: physics; frets are
    # 12 log2 semitones, and the fifth partial lies 14 cents under the piano's.
    above = _sounds(f"A{fret}{{harmonic}}").pitch - 45
    assert above == pytest.approx(12 * math.log2(partial), abs=0.14)
    touched = 1 - 2 ** (-fret / 12)
    assert min(abs(touched - k / partial) for k in range(1, partial)) < 0.012


def test_a_pinch_harmonic_sounds_an_octave_higher_and_bends() -> None:
    plain, pinched = _sounds("G7b(full)"), _sounds("G7b(full){pinch}")
    assert (pinched.pitch - plain.pitch, pinched.curve) == (12, plain.curve)


@pytest.mark.parametrize("mark", PICKLESS)
def test_what_is_not_picked_is_softer_and_has_no_stroke(mark: str) -> None:
    assert _sounds(f"G7{{{mark}}}").velocity < _sounds("G7").velocity
    text = "title = 'T'\nkey = 'A'\ntempo = 60\n[[part]]\nnotes = '| 1 G5 & G7{@} 2 G5'\n"
    phrase = read_phrase(text.replace("@", mark))
    marks = [stroke.notes[0].marks for stroke in suggest(phrase).strokes()]
    assert [{"d", "u"} & set(one) != set() for one in marks] == [True, False, True]


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("A8{harmonic}", "touched, not pressed: at fret 4, 5, 7, 9, 12, 16, 19, 24"),
        ("A7b(full){harmonic}", "without bends and slides"),
        ("A7{harmonic} 2 /9", "without bends and slides"),
        ("A7{harmonic pinch}", 'marks "harmonic" and "pinch" exclude each other'),
        ("A7{d hammered}", 'marks "d" and "hammered" exclude each other'),
        ("A7{rake hammered}", "exclude each other"),
        ("A7{thumb d}", 'marks "thumb" and "d" exclude each other'),
        ("A7{u fingers}", 'marks "u" and "fingers" exclude each other'),
    ],
)
def test_what_no_hand_does_is_refused(written: str, told: str) -> None:
    ((_, message),) = read_line(f"| 1 {written}").problems
    assert told in message


def test_natural_harmonics_stay_on_the_neck() -> None:
    phrase = read_phrase(
        "title = 'T'\nkey = 'A'\ntempo = 60\n[[part]]\nnotes = '| 1 A12{harmonic} 2 .'\n"
    )
    with pytest.raises(RangeError, match="natural harmonics, which lie at other frets in B"):
        transpose(phrase, Key("B"))
    assert transpose(phrase, Key("D")).strokes()[0].notes[0].fret in (5, 7, 17 - 1, 19)


@pytest.mark.parametrize(
    ("notes", "said"),
    [
        ("| 1 e8{slow}", ['"slow"']),
        ("| 1 E3{rake}", ['"rake"']),
        ("| 1 B8{ring} 2 B5", ['"ring"']),
        ("| 1 G7~ +1/16 G5", ['"vibrato"']),
        ("| 1 G7b(full){slow} 2 B8{ring} & e5 3 e12{rake} 4 G7~{late}", []),
        ("| 1 G7{hammered} 2 e12{harmonic} 3 G7{pinch accent d1}", []),
    ],
)
def test_a_mark_that_cannot_sound_is_said(notes: str, said: list[str]) -> None:
    text = f"title = 'T'\nkey = 'A'\ntempo = 120\n[[part]]\nnotes = '{notes}'\n"
    cautions = [one for one in check(read_phrase(text)).cautions if "changes nothing" in one.text]
    assert [one.text.split()[0] for one in cautions] == said


def test_every_mark_of_the_library_is_heard() -> None:
    for name in shipped():
        told = [one.text for one in check(load_phrase(name)).cautions]
        assert not [text for text in told if "changes nothing" in text], name
