from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from music21 import key as m21_key
from music21 import pitch as m21_pitch

from backing.sheet.score import Score, spell
from backing.sheet.values import VALUES
from backing.sheet.writing import over_form
from phrases.pitch import KEYS, Key
from phrases.techniques import BEND_SIZES
from tests.backing.sheet.lines import crowded, library


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_a_spelling_sounds_its_pitch(key: Key) -> None:
    for pitch in range(40, 89):
        found = spell(pitch, key)
        assert abs(found.alter) <= 1
        name = found.step + ("#" if found.alter > 0 else "-" * -found.alter) + str(found.octave)
        assert m21_pitch.Pitch(name).midi == pitch


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_notes_of_the_scale_need_no_accidental(key: Key) -> None:
    # The scale by music21, with its own spelling.
    mode = "minor" if key.mode == "minor" else "major"
    scale: Any = m21_key.Key(key.tonic.replace("b", "-"), mode)
    for note in scale.getScale(mode).getPitches("C3", "C4"):
        found = spell(int(note.midi), key)
        sign = "#" if found.alter > 0 else "-" * -found.alter
        assert found.step + sign == note.name


def test_the_blue_notes_of_a() -> None:
    # Common practice: flat third, flat fifth and flat seventh keep the letters of the degrees.
    assert [str(spell(pitch, Key("A"))) for pitch in (60, 63, 67)] == ["C4", "Eb4", "G4"]


@pytest.fixture(scope="module", params=[*library(), *crowded()], ids=lambda phrase: phrase.title)
def score(request: pytest.FixtureRequest) -> Score:
    return over_form(request.param)


def test_bars_are_full(score: Score) -> None:
    for measure in score.measures:
        at = measure.start
        for event in measure.events:
            assert event.at == at
            at = event.end
        assert at == score.meter.beats
        assert measure.start + measure.beats == score.meter.beats


def test_a_tie_has_two_ends_on_one_pitch(score: Score) -> None:
    events = [event for measure in score.measures for event in measure.events]
    for before, after in pairwise(events):
        ties = {(head.string, head.fret) for head in before.heads if head.ties}
        tied = {(head.string, head.chain[0].fret) for head in after.heads if head.chain[0].tied}
        assert ties == tied
        leads = {(head.string, head.leads) for head in before.heads if head.leads}
        links = {(head.string, head.chain[0].link) for head in after.heads if head.chain[0].link}
        assert leads == links


def test_a_bend_goes_on_until_it_is_let_down(score: Score) -> None:
    bent: dict[str, int] = {}
    for event in (event for measure in score.measures for event in measure.events):
        for head in (one for whole in event.heads for one in whole.chain):
            assert head.bent == (bent.get(head.string, 0) if head.tied else 0)
            bent[head.string] = head.stations[-1]
            assert len(head.stations) == 1 + sum(m.sign in ("b", "pb", "r") for m in head.moves)
            assert 0 <= min(head.stations) <= max(head.stations) <= max(BEND_SIZES.values())


def test_a_tuplet_is_closed_and_as_long_as_it_says(score: Score) -> None:
    whole = 4 / score.meter.quarters
    for measure in score.measures:
        length = Fraction(0)
        for event in measure.events:
            if event.tuplet is None:
                assert not length
                continue
            assert event.tuplet.start == (not length)
            length += event.beats
            if event.tuplet.stop:
                normal = VALUES[event.tuplet.value] * event.tuplet.normal * whole
                assert length == normal
                length = Fraction(0)
        assert not length
