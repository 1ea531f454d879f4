"""Letters that the sheet's own font has not: drawn with another font, or told in words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

from backing.forms import find_form
from backing.sheet import letters
from backing.sheet.letters import blanks, foreign, places
from backing.sheet.page import sheet
from phrases.files import load_phrase, read_phrase, shipped
from phrases.phrase import Phrase

# Private-use letters, which no font of a machine is likely to have: Unicode Standard, 23.5.
LETTER, OTHER = "\U0010f123", "\U0010f124"


def told(title: str = "T", tag: str = "t", tip: str = "t", name: str = "N") -> Phrase:
    return read_phrase(
        f'title = "{title}"\nkey = "A"\ntempo = 90\ntags = ["{tag}"]\ntips = "{tip}"\n'
        '[[part]]\nnotes = "| 1 G5 2 ."\n[[tip]]\nat = "line 1 1"\ntext = "x"\n'
        f'[[variation]]\nname = "{name}"\n[[variation.part]]\nnotes = "| 1 G7 2 ."\n'
    )


@pytest.fixture
def fonts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a folder of fonts of a user's own that holds none yet."""
    folder = tmp_path / "fonts"
    folder.mkdir()
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    letters._blank.cache_clear()
    return folder


def font(path: Path, letter: str) -> None:
    """Write a font that has one letter: a square."""
    pen = TTGlyphPen(None)
    pen.moveTo((100, 0))
    for corner in ((100, 700), (800, 700), (800, 0)):
        pen.lineTo(corner)
    pen.closePath()
    made = FontBuilder(1000, isTTF=True)
    made.setupGlyphOrder([".notdef", "one"])
    made.setupCharacterMap({ord(letter): "one"})
    made.setupGlyf({".notdef": TTGlyphPen(None).glyph(), "one": pen.glyph()})
    made.setupHorizontalMetrics({".notdef": (900, 0), "one": (900, 100)})
    made.setupHorizontalHeader(ascent=800, descent=-200)
    names = {"familyName": "Squares", "styleName": "Regular", "psName": "Squares-Regular"}
    made.setupNameTable(names)
    made.setupOS2(sTypoAscender=800, usWinAscent=800, usWinDescent=200)
    made.setupPost()
    made.save(path)


@pytest.mark.parametrize("where", ["title", "tag", "tip", "name"])
def test_letters_without_a_font_are_told_with_their_place(fonts: Path, where: str) -> None:
    place = {"title": "title", "tag": "tags", "tip": "tips", "name": "name of a variation"}[where]
    found = blanks(places(told(**{where: f"a{LETTER}b{LETTER}"})))
    assert f"({place}: {LETTER})" in found


def test_a_letter_is_drawn_with_a_font_that_is_there(fonts: Path) -> None:
    font(fonts / "squares.ttf", LETTER)
    phrase = told(f"a{LETTER}{OTHER}")
    assert blanks(places(phrase)).count(LETTER) == 0
    assert f"(title: {OTHER})" in blanks(places(phrase))
    form = find_form("twelve-bar")
    # Its square has four corners at these heights, in thousandths of an em.
    assert b"Squares" in sheet(phrase, form)
    assert b"Squares" not in sheet(told(), form)


def test_what_is_never_seen_is_no_letter() -> None:
    # Joiners, a variation selector, spaces, marks of direction: Unicode general categories.
    assert foreign("a\u200d\ufe0f\u00a0\u2009\u200eb é Ж ü") == frozenset()
    assert foreign("字🎸") == {"字", "🎸"}


def test_the_library_needs_no_other_font() -> None:
    for name in shipped():
        assert not foreign("".join(text for _, text in places(load_phrase(name))))


@pytest.mark.parametrize(
    ("title", "message"),
    [
        ("", "the title is empty; name the phrase"),
        (" \\t", "the title is empty; name the phrase"),
        ("\u200b\u00ad", "the title is empty; name the phrase"),
        ("\u0301\u0302", "the title is empty; name the phrase"),
        ("a\uffff", "no character (U+FFFF)"),
        ("a\\uFDD0", "no character (U+FDD0)"),
        ("\\U0001FFFE", "no character (U+1FFFE)"),
    ],
)
def test_a_title_that_is_none_is_refused(title: str, message: str) -> None:
    with pytest.raises(ValueError, match=re.escape(message)):
        told(title)


@pytest.mark.parametrize("title", ["\u3000.", LETTER])
def test_a_title_that_has_no_ink_is_set(title: str) -> None:
    for kind in ("pdf", "svg"):
        assert sheet(told(title), find_form("twelve-bar"), kind=kind)
