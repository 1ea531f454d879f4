from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from backing.forms import find_form
from backing.grooves import groove_names
from backing.page.data import EncodedSound, PageLoop, Version
from backing.page.music import version
from backing.pieces import loop
from phrases.files import load_phrase, shipped
from phrases.phrase import Phrase
from tests.backing.material import answered
from tests.hard.material import some

NOTHING = EncodedSound(b"", 0, 0)


def shown(phrase: Phrase, *tempos: int, swing: float = 2.0) -> Version:
    loops = [PageLoop(Fraction(tempo), swing, NOTHING, NOTHING) for tempo in tempos or (60,)]
    return version(phrase, find_form("twelve-bar"), loops)


def test_chords_and_turns() -> None:
    found = shown(answered())
    assert [chord.beat for chord in found.chords] == [0, 4, 8, 12]
    assert {chord.name for chord in found.chords} == {"A7"}
    # A turn begins with its pickup.
    assert [(turn.role, turn.beat, turn.end) for turn in found.turns] == [
        ("call", Fraction(-1, 2), 7),
        ("response", 7, Fraction(31, 2)),
    ]


def test_notes_say_what_the_hand_does() -> None:
    found = [(n.beat, n.string, n.fret, n.name, n.how) for n in shown(answered()).notes[:6]]
    assert found == [
        (Fraction(-1, 2), "e", 5, "A4", "pick"),
        (Fraction(0), "e", 8, "C5", "pick"),
        (Fraction(1, 8), "e", 5, "A4", "pull-off"),
        (Fraction(1), "B", 8, "G4", "pick"),
        (Fraction(4), "G", 7, "D4", "pick"),
        (Fraction(33, 8), "G", 7, "E4", "bend full"),
    ]


def test_tempos_are_in_order() -> None:
    found = shown(answered(), 100, 60, 80)
    assert [one.tempo for one in found.loops] == [60, 80, 100]
    # At 60 beats a minute a pickup on "4&", swung 2:1, comes a third of a second early.
    assert found.heard[0][0] == pytest.approx(-1 / 3)
    assert found.heard[2][0] == pytest.approx(-0.2)


@pytest.mark.parametrize("name", ["lamp-oil", "boot-scraper", "bread-board", "low-jetty"])
def test_heard_is_when_the_band_s_guitarist_plays(name: str) -> None:
    phrase = load_phrase(name, groove_names())
    stream = loop(phrase, seamless=True, goal=60).kept()
    section = stream.sections[0]
    found = shown(phrase, 60, swing=section.swing)
    length = float(section.seconds)
    played = sorted(
        {(note.voice.split()[1], round(note.start % length, 4))
         for note in section.notes if note.voice.startswith("lead") and note.velocity > 50}
    )  # fmt: skip
    told = {
        (note.string, round(at % length, 4))
        for note, at in zip(found.notes, found.heard[0], strict=True)
        if note.how == "pick" or note.how.startswith("slide in") or note.fret is None
    }
    for string, at in told:
        assert any(
            string == other and min(abs(at - when), length - abs(at - when)) < 0.002
            for other, when in played
        ), (string, at)


@pytest.mark.parametrize("name", some(sorted(shipped()), 8))
def test_every_shipped_phrase_has_its_way(name: str) -> None:
    phrase = load_phrase(name)
    found = shown(phrase)
    for systems in (found.wide, found.narrow):
        numbers = [number for system in systems for number, _, _ in system.bars]
        assert numbers[-phrase.bars :] == list(range(1, phrase.bars + 1))
        assert numbers[0] in (0, 1)
        for system in systems:
            assert "#000" not in system.svg
            assert " id=" not in system.svg
            assert "<text" not in system.svg
            beats = [beat for beat, _ in system.places]
            assert beats == sorted(set(beats))
            xs = [x for _, x in system.places]
            assert all(a < b + 1.5 for a, b in pairwise(xs))
            assert all(0 <= x <= system.width for x in xs)
            for number, left, right in system.bars:
                inside = [
                    x for beat, x in system.places
                    if (number - 1) * 4 <= beat < number * 4
                ]  # fmt: skip
                assert inside
                assert all(left - 0.5 <= x <= right for x in inside)
        # Each picked note is a place.
        places = {beat for system in systems for beat, _ in system.places}
        assert {note.beat for note in found.notes if note.how == "pick"} <= places


def test_tips_are_numbered_as_in_the_music() -> None:
    found = shown(load_phrase("lamp-oil"))
    assert [(tip.beat, tip.place) for tip in found.tips] == [
        (None, ""), (0, "Call, bar 1, 1"), (3, "Call, bar 1, 4"), (10, "Response, bar 1, 3"),
    ]  # fmt: skip
