"""Bars are played in the order that their signs say; music21 is the witness."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from backing.exchange.importing import import_musicxml
from phrases.errors import RangeError
from tests.backing.exchange.test_importing import attributes, xnote

m21: Any = import_module("music21")  # its types are not complete

SIGNS = {
    "|:": '<barline location="left"><repeat direction="forward"/></barline>',
    ":|": '<barline location="right"><repeat direction="backward"/></barline>',
    ":|3": '<barline location="right"><repeat direction="backward" times="3"/></barline>',
    "[1": '<barline location="left"><ending number="1" type="start"/></barline>',
    "[1,2": '<barline location="left"><ending number="1, 2" type="start"/></barline>',
    "[2": '<barline location="left"><ending number="2" type="start"/></barline>',
    "[3": '<barline location="left"><ending number="3" type="start"/></barline>',
    "1]": '<barline location="right"><ending number="1" type="stop"/>'
          '<repeat direction="backward"/></barline>',
    "1,2]": '<barline location="right"><ending number="1, 2" type="stop"/>'
            '<repeat direction="backward"/></barline>',
    "2]": '<barline location="right"><ending number="2" type="discontinue"/></barline>',
    "2]:": '<barline location="right"><ending number="2" type="stop"/>'
           '<repeat direction="backward"/></barline>',
    "3]": '<barline location="right"><ending number="3" type="stop"/></barline>',
    "DC": "<direction><direction-type><words>D.C. al Fine</words></direction-type></direction>",
    "Fine": "<direction><direction-type><words>Fine</words></direction-type></direction>",
    "DS": "<direction><direction-type><words>D.S. al Coda</words></direction-type>"
          '<sound dalsegno="segno"/></direction>',
    "segno": "<direction><direction-type><segno/></direction-type></direction>",
    "coda": "<direction><direction-type><coda/></direction-type></direction>",
    "To": '<direction><direction-type><words>To Coda</words></direction-type>'
          '<sound tocoda="coda"/></direction>',
}  # fmt: skip
BEFORE = ("|:", "[1", "[1,2", "[2", "[3", "segno", "coda")


def score(text: str) -> str:
    """Return a score of bars such as ``|: . [1 . :|``; bar n is fret n of the high string."""
    bars: list[str] = []
    before = after = ""
    for word in [*text.split(), "."]:
        if word == ".":
            if bars or before or after:
                bars[-1:] = [bars[-1] + after] if bars else []
            bars.append(before + "{}")
            before = after = ""
        elif word in BEFORE:
            before += SIGNS[word]
        else:
            after += SIGNS[word]
    bars = bars[:-1]
    found = "".join(
        f'<measure number="{n}">{attributes() if n == 1 else ""}'
        + bar.format(xnote(f"1/{n % 24}", 16, extra="<type>whole</type>"))
        + "</measure>"
        for n, bar in enumerate(bars, 1)
    )
    return (
        '<?xml version="1.0"?><score-partwise version="4.0"><part-list><score-part id="P1">'
        f'<part-name>G</part-name></score-part></part-list><part id="P1">{found}</part>'
        "</score-partwise>"
    )


def order(text: str, folder: Path) -> tuple[list[int], tuple[str, ...]]:
    path = folder / "in.musicxml"
    path.write_text(text, encoding="utf-8")
    found = import_musicxml(path)
    return [note.fret or 0 for s in found.phrase.strokes() for note in s.notes], found.told


PLAIN = [
    (". . . .", [1, 2, 3, 4]),
    (". . :| .", [1, 2, 1, 2, 3]),
    (". |: . . :| .", [1, 2, 3, 2, 3, 4]),
    (". |: . :|3 .", [1, 2, 2, 2, 3]),
    ("|: . :| |: . :|", [1, 1, 2, 2]),
    ("|: . [1 . 1] [2 . 2] .", [1, 2, 1, 3, 4]),
    (". |: . . [1 . . 1] [2 . . 2] .", [1, 2, 3, 4, 5, 2, 3, 6, 7, 8]),
    ("|: . [1 . 1] [2 . 2]: .", [1, 2, 1, 3, 4]),
    ("|: . [1,2 . 1,2] [3 . 3] .", [1, 2, 1, 2, 1, 3, 4]),
    ("|: . [1 . 1] [2 . 2] |: . [1 . 1] [2 . 2]", [1, 2, 1, 3, 4, 5, 4, 6]),
    (". . Fine . . DC", [1, 2, 3, 4, 1, 2]),
    (". segno . To . DS coda .", [1, 2, 3, 2, 4]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), PLAIN)
def test_bars_are_played_in_the_order_of_their_signs(
    text: str, expected: list[int], tmp_path: Path
) -> None:
    found, told = order(score(text), tmp_path)
    assert found == expected
    said = [line for line in told if line.startswith("repeats and jumps are played out: bars ")]
    assert len(said) == (expected != [*range(1, len(expected) + 1)])


@pytest.mark.parametrize(("text", "expected"), [row for row in PLAIN if "2]:" not in row[0]])
def test_music21_plays_them_in_the_same_order(text: str, expected: list[int]) -> None:
    read = m21.converter.parseData(score(text), format="musicxml")
    played = read.parts[0].expandRepeats()
    frets = [
        int(mark.number)
        for note in played.recurse().notes
        for mark in note.articulations
        if isinstance(mark, m21.articulations.FretIndication)
    ]
    assert frets == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # A jump goes back without repeats, with the last of the endings (common practice).
        ("|: . [1 . 1] [2 . 2] . DC", [1, 2, 1, 3, 4, 1, 3, 4]),
        (". |: . :| . Fine . DC", [1, 2, 2, 3, 4, 1, 2, 3]),
        # Without a coda, or without a sign, it goes on, or back to the beginning.
        (". . To . DS", [1, 2, 3, 1, 2, 3]),
        # Signs that make no sense stop nowhere.
        ("coda . To . DC", [1, 2, 1, 2]),
        ("[2 . 2] .", [2]),
    ],
)
def test_jumps(text: str, expected: list[int], tmp_path: Path) -> None:
    assert order(score(text), tmp_path)[0] == expected


def test_a_pickup_is_played_again_in_the_bar_that_it_fills(tmp_path: Path) -> None:
    text = score(". . :|").replace("16</duration>", "4</duration>", 1)
    text = text.replace("<type>whole", "<type>quarter", 1)
    cut = text.rindex("16</duration>")
    text = text[:cut] + "12</duration>" + text[cut + len("16</duration>") :]
    text = text.replace("<type>whole", "<type>half</type><dot/><x>", 1).replace("<x></type>", "")
    path = tmp_path / "in.musicxml"
    path.write_text(text, encoding="utf-8")
    strokes = import_musicxml(path).phrase.strokes()
    assert [(int(s.at), s.notes[0].fret) for s in strokes] == [(-1, 1), (0, 2), (3, 1), (4, 2)]


def test_repeats_without_end_are_refused(tmp_path: Path) -> None:
    many = " ".join(["|: . :|3"] * 90)
    with pytest.raises(RangeError, match="with its repeats it has more than 256 bars"):
        order(score(many), tmp_path)
