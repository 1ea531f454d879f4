"""The chord chart: every form in every key fits its boxes."""

from __future__ import annotations

import re
from fractions import Fraction
from itertools import combinations

import pytest

from backing.forms import Form, find_form, form_names
from backing.harmony import QUALITIES, Chord, parse_degree
from backing.sheet.chart import chart, numeral
from backing.sheet.page import Paper, chart_page
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
    for line in (*chart(find_form(name), key, 80.0), *chart(find_form(name), key, 101.0, 2.4)):
        for one, other in combinations(line, 2):
            if {one.kind, other.kind} <= {"bar line", "rule", "tick"}:
                continue
            assert not one.meets(other), (one.owner, other.owner, one.kind, other.kind)


def test_two_chords_share_the_halves_of_a_bar() -> None:
    # Bar 11, which has neither the meter nor the sign to go round.
    line = chart(find_form("jazz-twelve-bar"), parse_key("A"), 100.0)[2]
    names = [one.box.left for one in line if one.kind == "chord"]
    assert names[3] - names[2] == pytest.approx(12.5, abs=0.1)
    assert names[2] - names[1] == pytest.approx(25.0, abs=0.3)
    ticks = sorted({one.box.left for one in line if one.kind == "tick"})
    assert ticks[0] == pytest.approx(50.0 + 12.5, abs=0.1)


def test_a_chart_has_its_meter_letters_and_signs_to_go_round() -> None:
    lines = chart(find_form("twelve-bar"), parse_key("A"), 100.0)
    letters = [[one for one in line if one.kind == "label"] for line in lines]
    assert [len(found) for found in letters] == [1, 1, 1]
    assert [len([one for one in line if one.kind == "meter"]) for line in lines] == [2, 0, 0]
    # Two dots right of the thick and the thin line where it begins, left of them where it ends.
    dots = [[one.box.left for one in line if one.kind == "repeat"] for line in lines]
    assert [len(found) for found in dots] == [2, 0, 2]
    assert max(dots[0]) < 3.0
    assert min(dots[2]) > 97.0


@pytest.mark.parametrize("size", ["a4", "letter"])
@pytest.mark.parametrize("name", form_names())
def test_a_chart_fills_one_sheet(name: str, size: str) -> None:
    for larger in (False, True):
        pdf = chart_page(find_form(name), parse_key("F#"), Paper(size, larger=larger))
        assert re.findall(rb"/Count (\d+)", pdf)[0] == b"1"


# What a player writes: no double accidentals, and no Cb for the b6 of Eb (common practice).
@pytest.mark.parametrize(
    ("degree", "key", "name"),
    [("bVI7", "Db", "A7"), ("bVI9", "Eb", "B9"), ("#ivdim7", "F#", "Cdim7"), ("bVI7", "A", "F7"),
     ("IV7", "Gb", "Cb7"), ("bII9", "Gb", "G9"), ("I7/b3", "Db", "Db7/E"), ("iii7", "F#", "A#m7")],
)  # fmt: skip
def test_chords_are_spelled_as_players_write_them(degree: str, key: str, name: str) -> None:
    assert parse_degree(degree).name(parse_key(key)) == name


def test_four_chords_in_a_bar_can_be_read() -> None:
    bars = tuple(
        tuple((Fraction(n, 4), parse_degree("#IVdim7")) for n in range(4)) for _ in "12345"
    )
    lines = chart(Form("four", "Four", "", bars, bars), parse_key("F#"), 100.0)
    assert [len({one.box.left for one in line if one.kind == "tick"}) for line in lines] == [
        6,
        6,
        3,
    ]
    tall = [one.box.bottom - one.box.top for one in lines[1] if one.kind == "chord"]
    # Taller than a fret number, by far.
    assert min(tall) > 2.0
    assert max(tall) == pytest.approx(min(tall))
