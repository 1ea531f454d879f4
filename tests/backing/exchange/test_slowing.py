"""The slowing end of a part: in the score, on the page in every staff, out to MusicXML and in."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from backing.exchange.importing import import_musicxml
from backing.exchange.musicxml import musicxml
from backing.forms import find_form
from backing.sheet import lettering
from backing.sheet.layout import STAVES, Picture, Style, pictures
from backing.sheet.score import Slowing
from backing.sheet.spoken import spoken
from backing.sheet.writing import over_form
from tests.backing.exchange.test_importing import CHORD_SYMBOL, document, through, xnote
from tests.backing.exchange.test_musicxml import m21, schema
from tests.backing.sheet.lines import RUN, played, slow
from tests.backing.sheet.overlaps import clashes

WORD = lettering.text("rit.", 1.9, "italic").svg


def words(picture: Picture) -> list[str]:
    """Return the words that say it on a system, with where they stand."""
    drawn = picture.svg
    found = []
    for text in ("rit.", "(rit.)"):
        letters = lettering.outlined(lettering.text(text, 1.9, "italic").svg)
        found += [text] * drawn.count(letters)
    return found


def test_where_it_slows_down() -> None:
    score = over_form(slow(2, 4.5))
    assert score.slowings == (
        Slowing(Fraction(9, 2), Fraction(13, 2)), Slowing(Fraction(10), Fraction(29, 2)),
    )  # fmt: skip
    bars = [list(score.within(score.slowings, measure)) for measure in score.measures]
    assert bars == [
        [],  # the pickup
        [],
        [Slowing(Fraction(1, 2), Fraction(5, 2))],
        [Slowing(Fraction(2), Fraction(4), ends=False)],
        [Slowing(Fraction(0), Fraction(5, 2), begins=False)],
    ]
    assert over_form(slow(0, 0)).slowings == ()


@pytest.mark.parametrize(
    ("notes", "at", "end"),
    [
        # The call's last note would ring to the end, but the response's pickup on four cuts it.
        (RUN.removesuffix(" & ."), 0, 7),
        ("4 e5 | 1 G5 2 .", -1, 1),
    ],
)
def test_it_stays_within_its_part(notes: str, at: int, end: int) -> None:
    assert over_form(slow(8, 0, notes=notes)).slowings == (Slowing(Fraction(at), Fraction(end)),)


def test_in_a_whole_chorus_it_comes_each_time() -> None:
    score = over_form(slow(2, 0), find_form("twelve-bar"), chorus=True)
    assert [one.at for one in score.slowings] == [Fraction(9, 2), Fraction(41, 2), Fraction(73, 2)]


@pytest.mark.parametrize("staves", STAVES)
@pytest.mark.parametrize("meter", ["4/4", "12/8"])
def test_the_page_says_it_without_a_clash(staves: str, meter: str) -> None:
    score = over_form(slow(2, 8, meter=meter), find_form("twelve-bar"))
    width = 40.0 if staves == "tab" else 48.0  # two bars of tab alone share a wider line
    narrow = pictures(score, Style(width, staves))
    assert len(narrow) > 2
    assert [clash for one in narrow for clash in clashes(one)] == []
    said = [word for one in narrow for word in words(one)]
    assert said.count("rit.") == 2
    # The response slows down from its pickup on, over two more bars with a system each.
    assert said.count("(rit.)") == 2
    # There is room for the dashes, and without a drag there is nothing.
    assert not any(words(one) for one in pictures(over_form(slow(0, 0)), Style(width, staves)))
    [span] = [
        ink for one in pictures(over_form(slow(2, 0)), Style(100.0, staves)) for ink in one.inks
        if ink.kind == "word" and WORD in ink.svg
    ]  # fmt: skip
    assert span.box.right - span.box.left > 5


def test_it_is_said_aloud() -> None:
    told = spoken(over_form(slow(2, 0)), range(5))
    assert told.count("Slowing down") == 1
    assert "4 high E 5; & high E 8. Slowing down from the and of 1. Bar 3" in told


def test_musicxml_has_a_word_and_dashes() -> None:
    score = over_form(slow(2, 4.5), find_form("twelve-bar"))
    for staves in STAVES:
        schema().validate(musicxml(score, staves=staves).split("?>\n", 1)[1])
    read = m21.converter.parseData(musicxml(score), format="musicxml")
    # From bar one on, whose pickup lasts a beat.
    said = [
        Fraction(one.getOffsetInHierarchy(read)) - 1
        for one in read.recurse().getElementsByClass(m21.expressions.TextExpression)
        if one.content == "rit."
    ]
    assert said == [Fraction(9, 2), Fraction(10)]
    # A start that no note has is an offset, and a decimal as XML Schema writes them.
    odd = musicxml(over_form(slow(1.00000002, 0)))
    schema().validate(odd.split("?>\n", 1)[1])
    assert "<offset>" in odd
    lines = musicxml(score)
    assert lines.count('<dashes type="start"') == lines.count('<dashes type="stop"') == 2


@pytest.mark.parametrize("meter", ["4/4", "12/8"])
@pytest.mark.parametrize("drags", [(2, 4.5), (0, 8), (0.37, 0)])
def test_a_slowing_end_comes_back(drags: tuple[float, float], meter: str, tmp_path: Path) -> None:
    phrase = slow(*drags, meter=meter)
    found = through(phrase, tmp_path)
    assert [float(part.drag) for part in found.phrase.parts] == list(drags)
    assert played(found.phrase) == played(phrase)
    assert [line for line in found.told if CHORD_SYMBOL not in line] == []


TAKEN = "rit., taken as the last beats of its part that slow down while the band goes on"


def test_a_rit_that_only_its_marks_tell(tmp_path: Path) -> None:
    path = tmp_path / "out.musicxml"
    text = musicxml(over_form(slow(2, 4.5)))
    field = '<miscellaneous-field name="drag">2, 4.5</miscellaneous-field>'
    assert field in text
    text = text.replace(field, "")
    path.write_text(text, encoding="utf-8")
    found = import_musicxml(path)
    assert [float(part.drag) for part in found.phrase.parts] == [2, 4.5]
    assert found.told == (f"bars 2, 3: {TAKEN}",)
    # music21 writes the dashes as a bracket.
    between = m21.converter.parseData(text, format="musicxml")
    found = import_musicxml(Path(between.write("musicxml", tmp_path / "between.musicxml")))
    assert [float(part.drag) for part in found.phrase.parts] == [2, 4.5]
    # Another word for it, and an end that comes long before the part's.
    path.write_text(
        text.replace(">rit.<", ">rallentando<").replace('<dashes type="stop" number="1" />',
        "<words>a tempo</words>", 1), encoding="utf-8",
    )  # fmt: skip
    assert [float(part.drag) for part in import_musicxml(path).phrase.parts] == [2, 4.5]
    # Whoever took the word away in another program wants it gone.
    path.write_text(
        musicxml(over_form(slow(2, 4.5))).replace("<words>rit.", "<words>x", 1), encoding="utf-8"
    )
    found = import_musicxml(path)
    assert [float(part.drag) for part in found.phrase.parts] == [0, 4.5]
    assert found.told == ("bar 2: slowing end without its rit., left out", 'bar 2: words "x"')
    early = document(direction("rit.") + xnote("1/5", 8) + direction("a tempo") + xnote("1/8", 8))
    path.write_text(early, encoding="utf-8")
    found = import_musicxml(path)
    assert [part.drag for part in found.phrase.parts] == [0]
    assert "bar 1: rit. within a part; only its end can slow down" in found.told
    late = document(xnote("1/5", 8) + direction("rit.") + xnote("1/8", 8))
    path.write_text(late, encoding="utf-8")
    assert [part.drag for part in import_musicxml(path).phrase.parts] == [2]


def direction(text: str) -> str:
    return f"<direction><direction-type><words>{text}</words></direction-type></direction>"
