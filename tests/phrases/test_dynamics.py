"""How loud a part becomes: heard, written on every kind of sheet, out and in again."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from music21 import converter

from backing.exchange.musicxml import musicxml
from backing.forms import find_form
from backing.sheet.layout import Style, pictures
from backing.sheet.spoken import spoken
from backing.sheet.text import text_sheet
from backing.sheet.writing import over_form
from phrases.errors import TextFileError
from phrases.files import read_phrase
from phrases.performance import perform
from phrases.phrase import DYNAMICS, Phrase
from phrases.pitch import Key
from phrases.transpose import transpose
from tests.backing.exchange.test_importing import through
from tests.backing.exchange.test_musicxml import schema

EIGHT = "| 1 G5 2 G5 3 G5 4 G5 | 1 G5 2 G5 3 G5 4 G5"
WORDS = {"rise": ["cresc."], "fall": ["dim."], "swell": ["cresc.", "dim."]}


def phrase(dynamics: str, second: str = "") -> Phrase:
    return read_phrase(
        "title = 'T'\nkey = 'A'\ntempo = 60\n"
        f"[[part]]\nrole = 'call'\nnotes = '{EIGHT}'\n"
        + (f"dynamics = '{dynamics}'\n" if dynamics else "")
        + f"[[part]]\nrole = 'response'\nnotes = '| 1 B8 2 G5 3 .'\n{second}"
    )


def loud(given: Phrase) -> list[int]:
    return [note.velocity for note in perform(given.strokes(), float)]


def test_a_part_grows_fades_or_swells() -> None:
    plain = loud(phrase(""))[:8]
    more = {
        name: [a - b for a, b in zip(loud(phrase(name))[:8], plain, strict=True)]
        for name in DYNAMICS
    }
    assert all(b > a for a, b in pairwise(more["rise"]))
    assert more["fall"] == more["rise"][::-1]
    middle = more["swell"].index(max(more["swell"]))
    assert middle in (3, 4)
    assert more["swell"][:4] == sorted(more["swell"][:4])
    assert more["swell"][0] == more["swell"][-1] == min(more["rise"])
    assert max(more["rise"]) - min(more["rise"]) >= 20  # of MIDI's 127: about two dynamic marks
    assert loud(phrase("rise"))[8:] == loud(phrase(""))[8:]


@pytest.mark.parametrize("name", DYNAMICS)
def test_it_is_on_every_sheet_and_spoken(name: str) -> None:
    given = phrase(name)
    score = over_form(given, find_form("twelve-bar"))
    assert [one.text for one in score.hairpins] == WORDS[name]
    drawn = "".join(one.svg for one in pictures(score, Style()))
    bare = "".join(one.svg for one in pictures(over_form(phrase("")), Style()))
    assert len(drawn) > len(bare)
    text = text_sheet(given)
    assert all(word in text for word in WORDS[name])
    said = {"cresc.": "Louder and louder from beat", "dim.": "Softer and softer from beat"}
    assert all(said[word] in spoken(score, range(9)) for word in WORDS[name])


@pytest.mark.parametrize("name", DYNAMICS)
def test_a_hairpin_opens_or_closes_over_its_notes(name: str) -> None:
    """As engravers draw them (common practice): closed at the soft end, open at the loud one."""
    score = over_form(phrase(name), find_form("twelve-bar"))
    pins = [
        one for p in pictures(score, Style(width=200)) for one in p.inks if one.kind == "hairpin"
    ]
    assert len(pins) == len(WORDS[name])
    for pin, word in zip(pins, WORDS[name], strict=True):
        left, right = (
            max(b.bottom for b in boxes) - min(b.top for b in boxes)
            for boxes in ([b for b in pin.boxes if b.left - pin.box.left < 0.1],
                          [b for b in pin.boxes if pin.box.right - b.right < 0.1])
        )  # fmt: skip
        assert (right > 2 * left) if word == "cresc." else (left > 2 * right)


@pytest.mark.parametrize("name", DYNAMICS)
def test_music21_reads_the_hairpins(name: str) -> None:
    text = musicxml(over_form(phrase(name), find_form("twelve-bar")))
    read: Any = converter.parseData(text, format="musicxml")
    found = [type(one).__name__ for one in read.recurse().getElementsByClass("DynamicWedge")]
    assert found == [{"cresc.": "Crescendo", "dim.": "Diminuendo"}[word] for word in WORDS[name]]


@pytest.mark.parametrize("name", DYNAMICS)
def test_it_goes_out_and_comes_in(name: str, tmp_path: Path) -> None:
    given = phrase(name, "dynamics = 'fall'\n")
    text = musicxml(over_form(given, find_form("twelve-bar")), staves="both")
    schema().validate(io.BytesIO(text.encode()))
    found = through(given, tmp_path)
    assert [part.dynamics for part in found.phrase.parts] == [name, "fall"]
    assert not [one for one in found.told if "cresc" in one or "dim" in one]


def test_it_stays_with_the_part_in_another_key() -> None:
    assert transpose(phrase("swell"), Key("B")).parts[0].dynamics == "swell"


def test_another_word_is_refused() -> None:
    with pytest.raises(
        TextFileError, match='"rising" is not a word for dynamics; it may be rise, fall, swell'
    ):
        phrase("rising")
