"""Files in many manners: the standard finds them valid, music21 hears what the phrase plays."""

from __future__ import annotations

import io
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from backing.exchange.importing import Imported, import_musicxml
from phrases.notation import write_line
from phrases.phrase import Phrase
from tests.backing.exchange.manners import MANNERS, Manner
from tests.backing.exchange.test_musicxml import schema

m21: Any = import_module("music21")  # its types are not complete

ALWAYS = {"no tempo; taken as 90", "no swing mark; taken as straight"}


def read(manner: Manner, folder: Path) -> Imported:
    path = folder / "in.musicxml"
    path.write_text(manner.text, encoding="utf-8")
    return import_musicxml(path, manner.part, manner.voice)


def test_there_are_twenty_and_more() -> None:
    assert len({manner.text for manner in MANNERS}) >= 20


@pytest.mark.parametrize("manner", MANNERS, ids=lambda manner: manner.name)
def test_what_it_means_is_read_and_what_is_lost_is_told(manner: Manner, tmp_path: Path) -> None:
    found = read(manner, tmp_path)
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == manner.notes
    assert set(found.told) - ALWAYS == set(manner.told)


@pytest.mark.parametrize("manner", MANNERS, ids=lambda manner: manner.name)
def test_it_is_valid(manner: Manner) -> None:
    schema().validate(io.BytesIO(manner.text.encode()))


def played(phrase: Phrase) -> set[tuple[Fraction, int]]:
    """Return when which pitch class is reached, on counts."""
    found = set()
    for stroke in phrase.strokes():
        for note in stroke.notes:
            if note.fret is not None:
                found.add((stroke.at, note.pitch(note.fret) % 12))
            for move in note.moves:
                if move.fret is not None and move.at is not None:
                    found.add((move.at, note.pitch(move.fret) % 12))
    return found


def heard(text: str) -> set[tuple[Fraction, int]]:
    """Return the same of what music21 reads."""
    read_ = m21.converter.parseData(text, format="musicxml")
    part = read_.parts[0]
    if "repeat" in text or "segno" in text:
        part = part.expandRepeats()
    found = set()
    for one in part.recurse().notes:
        if isinstance(one, m21.harmony.ChordSymbol) or one.duration.isGrace:
            continue
        if one.notehead == "x" or (one.tie is not None and one.tie.type != "start"):
            continue
        at = Fraction(one.getOffsetInHierarchy(part)).limit_denominator(96)
        found |= {(at, tone.midi % 12) for tone in one.pitches}
    return found


@pytest.mark.parametrize(
    "manner", [manner for manner in MANNERS if manner.heard], ids=lambda manner: manner.name
)
def test_music21_hears_the_same(manner: Manner, tmp_path: Path) -> None:
    phrase = read(manner, tmp_path).phrase
    first = phrase.parts[0].pickup
    assert {(at - first, tone) for at, tone in heard(manner.text)} == played(phrase)


def test_the_check_by_music21_can_fail(tmp_path: Path) -> None:
    one, other = MANNERS[0], MANNERS[1]
    assert heard(one.text) != played(read(other, tmp_path).phrase)
