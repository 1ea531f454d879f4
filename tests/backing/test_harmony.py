from __future__ import annotations

import itertools

import pytest
from music21 import harmony as theory

from backing.harmony import (
    QUALITIES,
    Chord,
    lead_voices,
    movement,
    parse_degree,
    voicings,
)
from phrases.errors import ChoiceError
from phrases.pitch import KEYS, Key, degree_semitones

# Figures of music21's ChordSymbol, an outside authority on spelling. Its thirteenth holds an
# eleventh, which players leave out over a major third (common practice).
FIGURES = {
    "": "",
    "6": "6",
    "7": "7",
    "9": "9",
    "13": "13",
    "7#9": "7 add #9",
    "7b9": "7 add b9",
    "maj7": "maj7",
    "m": "m",
    "m6": "m6",
    "m7": "m7",
    "m9": "m9",
    "m7b5": "ø7",
    "dim7": "o7",
}


def test_every_quality_has_a_figure() -> None:
    assert set(FIGURES) == set(QUALITIES)


@pytest.mark.parametrize("quality", QUALITIES)
def test_chords_are_spelled_as_music21_spells_them(quality: str) -> None:
    roots = {Chord(degree, "").root_name(key) for key in KEYS for degree in ("1", "4", "5")}
    spelled = {}
    for root in roots:
        figure = root[0] + root[1:].replace("b", "-") + FIGURES[quality]
        pitches = theory.ChordSymbol(figure).pitches
        if quality == "13":
            pitches = pitches[:5] + pitches[6:]
        spelled[root] = (
            {p.name.replace("-", "b") for p in pitches},
            {p.pitchClass for p in pitches},
        )
    for key in KEYS:
        for degree in ("1", "4", "5"):
            chord = Chord(degree, quality)
            names, classes = spelled[chord.root_name(key)]
            assert set(chord.names(key)) == names, (str(key), degree)
            assert chord.pitch_classes(key) == classes, (str(key), degree)


@pytest.mark.parametrize(
    ("key", "degree", "root"),
    # Common practice: the one, four and five of keys guitarists meet.
    [("A", "4", "D"), ("A", "5", "E"), ("Bb", "4", "Eb"), ("F#", "5", "C#"), ("C", "b6", "Ab")],
)
def test_roots_of_a_key(key: str, degree: str, root: str) -> None:
    assert Chord(degree, "7").root_name(Key(key)) == root
    assert Chord(degree, "7").name(Key(key)) == root + "7"


@pytest.mark.parametrize(
    ("text", "chord"),
    [
        ("I7", Chord("1", "7")),
        ("iv7", Chord("4", "m7")),
        ("bVI7", Chord("b6", "7")),
        ("#IVdim7", Chord("#4", "dim7")),
        ("iim7b5", Chord("2", "m7b5")),
        ("V7#9", Chord("5", "7#9")),
        ("vi", Chord("6", "m")),
        ("I", Chord("1", "")),
        ("I7/3", Chord("1", "7", "3")),
        ("ivm6/b6", Chord("4", "m6", "b6")),
    ],
)
def test_reading_a_degree(text: str, chord: Chord) -> None:
    assert parse_degree(text) == chord


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("H7", r'^"H7" is not a chord of a form; write a numeral and a quality: I7, iv7, bVI7$'),
        ("Iv7", r'^"Iv7" is not a chord of a form'),
        ("IIII7", r'^"IIII7" is not a chord of a form'),
        ("V7#", r'^"V7#": "7#" is not a chord quality; did you mean "V7#9"\?$'),
        ("I?", r'^"I\?": "\?" is not a chord quality; it may be 6, 7, 9'),
        ("bimaj7", r'^"bimaj7": a small numeral is minor; did you mean "bImaj7"\?$'),
    ],
)
def test_a_bad_degree(text: str, message: str) -> None:
    with pytest.raises(ChoiceError, match=message):
        parse_degree(text)


@pytest.mark.parametrize("text", ["I7/", "I7/8", "I7/x", "I7/##4", "I7/3/5", "I7/C#"])
def test_a_bad_bass_under_a_slash(text: str) -> None:
    with pytest.raises(ChoiceError, match="after / comes a degree of the key for the bass"):
        parse_degree(text)


@pytest.mark.parametrize(
    ("text", "key", "name", "lowest"),
    # Common practice: what stands under the slash is a note of the key; pitch classes from C.
    [
        ("I7/3", "A", "A7/C#", 1),
        ("I7/5", "Bb", "Bb7/F", 5),
        ("I7/b7", "C", "C7/Bb", 10),
        ("IV9/6", "E", "A9/C#", 1),
        ("V7", "A", "E7", 4),
    ],
)
def test_a_bass_under_a_slash(text: str, key: str, name: str, lowest: int) -> None:
    chord = parse_degree(text)
    assert chord.name(Key(key)) == name
    assert chord.lowest(Key(key)) == lowest
    assert (chord.lowest(Key(key)) == chord.root(Key(key))) == ("/" not in text)
    plain = parse_degree(text.split("/")[0])
    assert chord.pitch_classes(Key(key)) == plain.pitch_classes(Key(key))


@pytest.mark.parametrize(("written", "own"), [("3", "b3"), ("7", "b7"), ("6", "6"), ("b5", "b5")])
def test_a_minor_chord_has_its_own_third(written: str, own: str) -> None:
    assert Chord("1", "m7").member(written) == own


@pytest.mark.parametrize("bounds", [(52, 76), (52, 69), (52, 64)])
@pytest.mark.parametrize("quality", QUALITIES)
def test_voicings_are_close_and_fit_in_every_key(quality: str, bounds: tuple[int, int]) -> None:
    for root in range(12):
        every = voicings(root, quality, *bounds)
        assert every
        allowed = {(root + degree_semitones(d)) % 12 for d in (*QUALITIES[quality], "9", "13")}
        for voicing in every:
            assert list(voicing) == sorted(set(voicing))
            assert voicing[-1] - voicing[0] < 12
            assert voicing[0] >= bounds[0]
            assert voicing[-1] <= bounds[1]
            assert {pitch % 12 for pitch in voicing} <= allowed
            # The lowest and the highest pitch allowed may themselves be played.
            assert voicing in voicings(root, quality, voicing[0], voicing[-1])


def _least(before: tuple[int, ...], after: tuple[int, ...]) -> int:
    """Return the least movement over all ways to hand the voices on, not only those in order."""
    short, long = sorted((before, after), key=len)
    return min(
        sum(abs(a - b) for a, b in zip(short, chosen, strict=True))
        for chosen in itertools.permutations(long, len(short))
    )


def test_of_voicings_that_are_as_near_the_lower_one_is_taken() -> None:
    equal = 0
    for root, quality in itertools.product(range(12), ("7", "m7", "9")):
        every = voicings(root, quality, 48, 72)
        for before in (None, *voicings(5, "7", 48, 72)):
            found = lead_voices(before, root, quality, 48, 72)

            def far(one: tuple[int, ...], before: tuple[int, ...] | None = before) -> float:
                middle = (48 + 72) / 2 - 2
                return movement(before, one) if before else abs(sum(one) / len(one) - middle)

            nearest = [one for one in every if far(one) == min(map(far, every))]
            equal += len(nearest) > 1
            assert found == min(nearest)
    assert equal


def test_no_voicing_moves_less_than_the_one_that_is_led_to() -> None:
    for quality, following in itertools.product(("7", "9", "7#9", "m7"), ("7", "13", "7b9", "m")):
        for step in (5, 7, 8):
            for before in voicings(9, quality, 52, 76):
                root = (9 + step) % 12
                led = lead_voices(before, root, following, 52, 76)
                least = min(_least(before, v) for v in voicings(root, following, 52, 76))
                assert _least(before, led) == least
                assert movement(before, led) == least


def test_the_first_voicing_lies_in_the_middle() -> None:
    for root in range(12):
        first = lead_voices(None, root, "7", 52, 76)
        assert abs(sum(first) / 4 - 64) <= 5


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_guide_tones_from_one_to_four(key: Key) -> None:
    one, four = Chord("1", "7"), Chord("4", "7")
    # Common practice: the third of I7 falls a half step to the seventh of IV7, and the seventh
    # of I7 falls a half step to its third.
    before = lead_voices(None, one.root(key), "7", 52, 76)
    after = lead_voices(before, four.root(key), "7", 52, 76)
    third, seventh = (one.root(key) + 4) % 12, (one.root(key) + 10) % 12
    for pitch in before:
        if pitch % 12 in (third, seventh):
            assert pitch - 1 in after


@pytest.mark.parametrize(
    ("degree", "key", "name"),
    [
        ("IV7", "Gb", "Cb7"),
        ("VII7", "F#", "E#7"),
        ("bIII7", "Db", "E7"),
        ("bVI7", "Db", "A7"),
        ("bIV7", "Gb", "Bb7"),
        ("#III7", "C#", "F#7"),
    ],
)
def test_only_an_altered_degree_is_spelled_more_simply(degree: str, key: str, name: str) -> None:
    # The fourth of Gb stays Cb; the b3 and b6 of Db are read as E and A, and what was lowered
    # stays a flat, what was raised a sharp (common practice).
    assert parse_degree(degree).name(Key(key)) == name
