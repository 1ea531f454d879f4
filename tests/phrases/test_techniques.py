"""Every row of the table of techniques, through every room of the house."""

from __future__ import annotations

from pathlib import Path

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
from phrases.files import read_phrase
from phrases.hands import grips
from phrases.notation import read_line, write_line
from phrases.performance import perform
from phrases.phrase import Phrase
from phrases.pitch import Key
from phrases.techniques import TECHNIQUES, Technique
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
