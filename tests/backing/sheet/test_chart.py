"""The chord chart: every form in every key fits its boxes."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import pytest

from backing.forms import Form, find_form, form_names
from backing.harmony import QUALITIES, Chord, parse_degree
from backing.sheet.chart import chart, numeral
from phrases.pitch import KEYS, parse_key


@pytest.mark.parametrize("text", ["I7", "IV9", "bVI7", "#IVdim7".replace("IV", "iv"), "ii7", "V7"])
def test_numerals_are_what_forms_are_written_in(text: str) -> None:
    assert numeral(parse_degree(text)) == text


@pytest.mark.parametrize("quality", QUALITIES)
def test_numerals_read_back(quality: str) -> None:
    chord = Chord("b3", quality)
    assert parse_degree(numeral(chord)) == chord


def test_a_bass_degree_stays() -> None:
    assert numeral(parse_degree("I7/3")) == "I7/3"


def test_the_names_are_those_of_the_key() -> None:
    lines = chart(find_form("quick-change"), parse_key("Bb"), 100.0)
    names = [[one.owner for one in line if one.kind == "chord"] for line in lines]
    assert names == [
        ["Bb7", "Eb7", "Bb7", "Bb7"],
        ["Eb7", "Eb7", "Bb7", "Bb7"],
        ["F7", "Eb7", "Bb7", "F7"],
    ]


@pytest.mark.parametrize("key", KEYS, ids=str)
@pytest.mark.parametrize("name", form_names())
def test_nothing_overlaps(name: str, key: object) -> None:
    from phrases.pitch import Key

    assert isinstance(key, Key)
    for line in chart(find_form(name), key, 80.0):
        for one, other in combinations(line, 2):
            if {one.kind, other.kind} <= {"bar line", "rule", "tick"}:
                continue
            assert not one.meets(other), (one.owner, other.owner, one.kind, other.kind)


def test_two_chords_share_the_halves_of_a_bar() -> None:
    line = chart(find_form("turnaround-loop"), parse_key("A"), 100.0)[0]
    bars = [one.box.left for one in line if one.kind == "bar line"]
    names = [one.box.left for one in line if one.kind == "chord"]
    # Each as far from the start of its half as the first is from the bar line.
    inset = names[0] - bars[0]
    assert [x - inset for x in names] == pytest.approx([0.0, 12.5, 25.0, 37.5], abs=0.1)
    ticks = {one.box.left for one in line if one.kind == "tick"}
    assert sorted(ticks) == pytest.approx([12.5, 37.5], abs=0.1)


def test_four_chords_in_a_bar_can_be_read() -> None:
    bars = tuple(tuple((Fraction(n, 4), parse_degree("#IVdim7")) for n in range(4)) for _ in "123")
    lines = chart(Form("four", "Four", "", bars, bars), parse_key("F#"), 100.0)
    assert [len({one.box.left for one in line if one.kind == "tick"}) for line in lines] == [6, 3]
    tall = [one.box.bottom - one.box.top for one in lines[0] if one.kind == "chord"]
    # Taller than a fret number, by far.
    assert min(tall) > 2.0
    assert max(tall) == pytest.approx(min(tall))
