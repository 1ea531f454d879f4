from __future__ import annotations

import re

import pytest
from music21 import interval as m21_interval
from music21 import key as m21_key
from music21 import pitch as m21_pitch

from phrases.errors import ChoiceError
from phrases.pitch import (
    KEYS,
    SCALES,
    Key,
    degree_name,
    degree_semitones,
    frequency,
    parse_key,
    pitch_class,
    pitch_name,
    scale_pitch_classes,
)

# The scales as interval theory spells them (music21 reads these interval names). The blues
# scales add the "blue" b3 or b5 to the pentatonic ones, common practice.
INTERVALS = {
    "minor pentatonic": "P1 m3 P4 P5 m7",
    "minor blues": "P1 m3 P4 d5 P5 m7",
    "major pentatonic": "P1 M2 M3 P5 M6",
    "major blues": "P1 M2 m3 M3 P5 M6",
    "mixed blues": "P1 M2 m3 M3 P4 d5 P5 M6 m7",
    "dorian": "P1 M2 m3 P4 P5 M6 m7",
    "mixolydian": "P1 M2 M3 P4 P5 M6 m7",
    "major": "P1 M2 M3 P4 P5 M6 M7",
    "natural minor": "P1 M2 m3 P4 P5 m6 m7",
}


def theirs(name: str) -> m21_pitch.Pitch:
    return m21_pitch.Pitch(name[0] + name[1:].replace("b", "-") + "4")


def above(tonic: str, interval: str) -> m21_pitch.Pitch:
    # music21 measures an interval from the letters, so this spelling is not ours.
    found = m21_interval.Interval(interval).transposePitch(theirs(tonic), maxAccidental=None)
    assert isinstance(found, m21_pitch.Pitch)
    return found


@pytest.mark.parametrize(
    ("pitch", "hertz"),
    [
        (69, 440.0),  # ISO 16:1975: A4
        (57, 220.0),  # an octave halves the frequency
        (60, 261.6256),  # middle C, MIDI 1.0 note 60, in equal temperament
        (40, 82.4069),  # low E string, common practice
        (64, 329.6276),  # high e string, common practice
    ],
)
def test_frequencies_of_known_notes(pitch: int, hertz: float) -> None:
    assert frequency(pitch) == pytest.approx(hertz, abs=5e-5)


def test_frequencies_agree_with_music21_over_the_midi_range() -> None:
    for pitch in range(128):
        assert frequency(pitch) == pytest.approx(m21_pitch.Pitch(midi=pitch).frequency, rel=1e-9)


def test_a_quarter_tone_is_half_a_semitone_in_frequency_ratio() -> None:
    # 50 cents are 2 ** (50 / 1200), the definition of the cent.
    assert frequency(69.5) / frequency(69) == pytest.approx(2 ** (50 / 1200), rel=1e-12)


def test_another_tuning_note_scales_every_frequency() -> None:
    assert frequency(69, a4=442.0) == 442.0
    assert frequency(81, a4=442.0) == pytest.approx(884.0)


def test_every_scale_has_its_intervals() -> None:
    assert set(SCALES) == set(INTERVALS)


@pytest.mark.parametrize("scale", list(SCALES))
def test_scales_and_spelling_agree_with_music21_in_every_key(scale: str) -> None:
    for key in KEYS:
        wanted = [above(key.tonic, interval) for interval in INTERVALS[scale].split()]
        ours = [degree_name(key.tonic, degree) for degree in SCALES[scale]]
        assert ours == [p.name.replace("-", "b") for p in wanted], key
        assert scale_pitch_classes(key.tonic, scale) == {p.pitchClass for p in wanted}, key


@pytest.mark.parametrize(
    ("degree", "interval"),
    [("9", "M9"), ("b9", "m9"), ("#9", "A9"), ("11", "P11"), ("#11", "A11"), ("13", "M13")],
)
def test_upper_degrees_agree_with_music21(degree: str, interval: str) -> None:
    assert degree_semitones(degree) == m21_interval.Interval(interval).semitones
    assert degree_name("Bb", degree) == above("Bb", interval).name.replace("-", "b")


@pytest.mark.parametrize("degree", ["", "0", "16", "b", "x3", "3b", "-1", "bbb7"])
def test_what_is_not_a_degree_is_refused(degree: str) -> None:
    message = f'"{degree}" is not a degree; write 1 to 15'
    with pytest.raises(ChoiceError, match=re.escape(message)):
        degree_semitones(degree)


def test_signatures_agree_with_music21() -> None:
    assert len(KEYS) == 30  # 15 signatures, each with a major and a minor key
    for key in KEYS:
        there = m21_key.Key(key.tonic.replace("b", "-"), key.mode)
        assert key.signature == there.sharps, key
        assert key.pitch_class == there.tonic.pitchClass, key


@pytest.mark.parametrize("name", ["C", "F#", "Gb", "B#", "Cb", "Fb", "E##", "Abb"])
def test_pitch_classes_agree_with_music21(name: str) -> None:
    assert pitch_class(name) == theirs(name).pitchClass


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Bb", Key("Bb")),
        ("bb", Key("Bb")),
        ("B♭ major", Key("Bb")),
        ("b", Key("B")),
        ("CM", Key("C")),
        ("Cm", Key("C", "minor")),
        ("C# minor", Key("C#", "minor")),
        ("f sharp minor", Key("F#", "minor")),
        ("E FLAT", Key("Eb")),
        ("  Am ", Key("A", "minor")),
        ("ebmin", Key("Eb", "minor")),
        ("A Maj", Key("A")),
    ],
)
def test_keys_are_read_as_players_write_them(text: str, key: Key) -> None:
    assert parse_key(text) == key


def test_every_key_reads_back_from_its_own_names() -> None:
    for key in KEYS:
        assert parse_key(str(key)) == key
        assert parse_key(key.midi_name) == key


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("H", '"H" is not a key; write a note name such as Bb, F# or "C# minor"'),
        ("", '"" is not a key'),
        ("E minr", 'did you mean "E minor"?'),
        ("Bbm7", 'did you mean "Bbm"?'),
        ("Cmaj7", 'did you mean "C"?'),
        ("F#m7b5", 'did you mean "F#m"?'),
        ("C##", '"C##" is not a key'),
        ("C\u017fharp", '"C\u017fharp" is not a key'),
        # G# major would need eight sharps, D# nine, Fb eight flats, Db minor eight flats.
        ("G#", '"G#" has no key signature (it would need more than seven sharps or flats)'),
        ("G#", 'did you mean "Ab"?'),
        ("D# major", 'did you mean "Eb"?'),
        ("Fb", 'did you mean "E"?'),
        ("Dbm", 'did you mean "C# minor"?'),
    ],
)
def test_what_is_not_a_key_is_refused(text: str, message: str) -> None:
    with pytest.raises(ChoiceError, match=re.escape(message)):
        parse_key(text)


def test_pitch_names_count_octaves_from_middle_c() -> None:
    # Scientific pitch notation, as music21 has it; it reads the minus of C-1 as a flat.
    for pitch in range(12, 128):
        assert m21_pitch.Pitch(pitch_name(pitch)).midi == pitch
    assert pitch_name(0) == "C-1"
    assert pitch_name(60) == "C4"
    assert pitch_name(58) == "A#3"
    assert pitch_name(58, flats=True) == "Bb3"
