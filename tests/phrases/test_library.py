"""The phrases that ship: enough of them, everywhere on the neck, and worth teaching."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from music21 import scale as witness

from backing.grooves import find_groove, groove_names
from phrases.check import check
from phrases.files import load_phrase, shipped
from phrases.fretboard import STANDARD
from phrases.notation import write_line
from phrases.phrase import LEVELS, Phrase
from phrases.pitch import scale_pitch_classes
from phrases.rewrite import tidy
from phrases.shapes import box

NAMES = tuple(shipped())
LIBRARY = {name: load_phrase(name, groove_names()) for name in NAMES}
EVERY = tuple(
    (name, title, phrase)
    for name, whole in LIBRARY.items()
    for title, phrase in (("", whole), *whole.variations)
)


def test_there_are_thirty_at_least_for_every_place_and_level() -> None:
    assert len(LIBRARY) >= 30
    minor = [p for p in LIBRARY.values() if p.scale in ("minor pentatonic", "minor blues")]
    assert Counter(box(phrase) for phrase in minor).keys() == {1, 2, 3, 4, 5}
    assert min(Counter(box(phrase) for phrase in minor).values()) >= 3
    assert Counter(phrase.level for phrase in LIBRARY.values()).keys() == set(LEVELS)
    assert min(Counter(phrase.level for phrase in LIBRARY.values()).values()) >= 8
    scales = Counter(phrase.scale for phrase in LIBRARY.values())
    assert scales["major pentatonic"] + scales["major blues"] >= 5
    assert scales["mixed blues"] >= 5
    slow = [p for p in LIBRARY.values() if p.meter.denominator == 8]
    assert len(slow) >= 10
    assert len(LIBRARY) - len(slow) >= 10


# Common practice: in A the first position of the minor pentatonic lies at the fifth fret, in
# E the second at the third, in G the fourth at the tenth.
@pytest.mark.parametrize(
    ("name", "number"),
    [("back-step", 1), ("kettle-spout", 2), ("lean-to", 3), ("fence-wire", 4), ("bread-board", 5)],
)
def test_a_phrase_knows_its_position(name: str, number: int) -> None:
    assert box(LIBRARY[name]) == number


@pytest.mark.parametrize("name", NAMES)
def test_a_phrase_has_all_that_a_lesson_needs(name: str) -> None:
    phrase = LIBRARY[name]
    assert [part.role for part in phrase.parts] == ["call", "response"]
    assert phrase.bars <= 4
    assert phrase.variations
    assert 2 <= len(phrase.tips) <= 5
    assert phrase.tips[0].part is None
    assert phrase.tags
    assert phrase.scale
    low, _, high = find_groove(phrase.groove).tempos
    assert low <= phrase.tempo <= high
    assert find_groove(phrase.groove).meter == phrase.meter
    text = shipped()[name].read_text(encoding="utf-8")
    assert tidy(text) == text


@pytest.mark.parametrize(("name", "title", "phrase"), EVERY, ids=lambda v: str(v)[:20])
def test_a_phrase_passes_its_own_checks(name: str, title: str, phrase: Phrase) -> None:
    report = check(phrase)
    assert report.playable, [c.text for c in report.cautions]
    call = report.endings[0]
    root = phrase.key.pitch_class
    rows = [row for row in report.rows if row.pitch is not None]
    assert not call.home, name
    # The response comes home: to the root, or to the third of the one chord.
    last = round([row for row in rows if row.part == "response"][-1].pitch or 0)
    assert (last - root) % 12 in (0, 3, 4), title


@pytest.mark.parametrize(("name", "title", "phrase"), EVERY, ids=lambda v: str(v)[:20])
def test_a_phrase_keeps_to_its_scale(name: str, title: str, phrase: Phrase) -> None:
    allowed = scale_pitch_classes(phrase.key.tonic, phrase.scale)
    for row in check(phrase).rows:
        if row.pitch is None or abs(row.pitch - round(row.pitch)) > 0.01:
            continue  # a dead note, or a curl between two pitches
        assert round(row.pitch) % 12 in allowed, (name, title, row.place)


@pytest.mark.parametrize("name", [n for n in NAMES if LIBRARY[n].scale == "minor pentatonic"])
def test_the_frets_are_in_the_scale_that_music21_knows(name: str) -> None:
    phrase = LIBRARY[name]
    tonic = phrase.key.tonic.replace("b", "-")
    minor: Any = witness.MinorScale(tonic)  # type: ignore[no-untyped-call]
    classes = {minor.pitchFromDegree(degree).pitchClass for degree in (1, 3, 4, 5, 7)}
    for stroke in phrase.strokes():
        for note in stroke.notes:
            if note.fret is not None:
                assert (STANDARD[note.string] + note.fret) % 12 in classes


@pytest.mark.parametrize("name", NAMES)
def test_a_call_and_its_response_share_a_rhythm(name: str) -> None:
    call, response = LIBRARY[name].parts
    heads = [[stroke.at for stroke in part.strokes[:3]] for part in (call, response)]
    assert heads[0] == heads[1]
    assert write_line(call.strokes, call.bars) != write_line(response.strokes, response.bars)
