from __future__ import annotations

from fractions import Fraction
from functools import cache

import pytest
from music21 import harmony as theory
from music21 import key as keys

from backing.forms import find_form, form_names, turnarounds
from backing.harmony import Chord
from phrases.pitch import KEYS, Key
from tests.backing.test_harmony import FIGURES

TABLES = {"turnarounds": turnarounds.TURNAROUNDS, "endings": turnarounds.ENDINGS}
WRITTEN = [
    (mode, text)
    for table in TABLES.values()
    for mode, texts in table.items()
    for text in texts.values()
]


@cache
def _pitch(tonic: str, degree: str) -> str:
    """Return a degree of a major scale, as music21 spells it."""
    scale = keys.Key(_theirs(tonic))
    pitch = scale.pitchFromDegree(int(degree[-1]))
    return str(pitch.transpose(degree.count("#") - degree.count("b")).pitchClass)


def _theirs(name: str) -> str:
    return name[0] + name[1:].replace("b", "-")


@cache
def _steps(quality: str) -> frozenset[int]:
    """Return the semitones over the root that music21 gives a chord symbol."""
    pitches = theory.ChordSymbol("C" + FIGURES[quality]).pitches
    if quality == "13":  # players leave its eleventh out
        pitches = pitches[:5] + pitches[6:]
    return frozenset(pitch.pitchClass for pitch in pitches)


def _check(chord: Chord, key: Key) -> None:
    root = int(_pitch(key.tonic, chord.degree))
    assert chord.root(key) == root
    assert chord.pitch_classes(key) == {(root + step) % 12 for step in _steps(chord.quality)}
    assert chord.lowest(key) == int(_pitch(key.tonic, chord.bass or chord.degree))


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_every_chord_of_every_form_and_turnaround_is_music21s(key: Key) -> None:
    chords = {c for name in form_names() for bar in find_form(name).bars(key) for _, c in bar}
    for mode, text in WRITTEN:
        if mode == key.mode:
            chords |= {chord for bar in turnarounds.read(text) for _, chord in bar}
    assert len(chords) >= 8
    for chord in chords:
        _check(chord, key)


@pytest.mark.parametrize(
    ("text", "over_a"),
    # Common practice, in A: the bass walks up to the five, or falls to it from the octave.
    [
        ("I7 I7/3 IV7 #IVdim7 | I7/5 V7", "A C# D D# E E"),
        ("I7 I7/b7 IV9/6 ivm6/b6 | I7/5 V7", "A G F# F E E"),
    ],
)
def test_the_bass_of_two_turnarounds(text: str, over_a: str) -> None:
    assert text in turnarounds.TURNAROUNDS["major"].values()
    key = Key("A")
    chords = [chord for bar in turnarounds.read(text) for _, chord in bar]
    lowest = [chord.lowest(key) for chord in chords]
    assert lowest == [int(_pitch(name, "1")) for name in over_a.split()]
    # What is under the slash belongs to the chord.
    assert all(chord.lowest(key) in chord.pitch_classes(key) for chord in chords)


@pytest.mark.parametrize(("mode", "text"), WRITTEN)
def test_a_turnaround_is_two_bars_from_the_one_to_a_chord_that_leads_home(
    mode: str, text: str
) -> None:
    bars = turnarounds.read(text)
    assert len(bars) == 2
    first, last = bars[0][0][1], bars[1][-1][1]
    assert (first.degree, first.quality) == ("1", "7" if mode == "major" else "m7")
    # The five, or the chord a half step above the one (common practice).
    assert (last.degree, last.quality) in {("5", "7"), ("5", "7b9"), ("b2", "9")}
    for bar in bars:
        assert [at for at, _ in bar] == [Fraction(n, len(bar)) for n in range(len(bar))]


def test_there_are_turnarounds_and_endings_for_both_modes() -> None:
    for table in TABLES.values():
        assert set(table) == {"major", "minor"}
        assert all(
            len(set(texts)) == len(texts) >= 2
            for texts in [set(row.values()) for row in table.values()]
        )
    assert len(turnarounds.TURNAROUNDS["major"]) >= 8
    assert len(turnarounds.TURNAROUNDS["minor"]) >= 5
    assert set(turnarounds.names()) == {*turnarounds.TURNAROUNDS["major"],
                                        *turnarounds.TURNAROUNDS["minor"]}  # fmt: skip


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("name", form_names())
def test_which_forms_have_room_for_a_turnaround(name: str, mode: str) -> None:
    bars = find_form(name).bars(Key("A", mode))
    # By hand: the vamps never reach the five; the loop is one itself; the charts below share
    # the bar of the one already.
    shared = {"jazz-twelve-bar", "minor-twelve-bar"}
    wanted = name not in {"one-chord-vamp", "one-four-vamp", "turnaround-loop"} | shared
    assert turnarounds.fits(bars) == wanted
