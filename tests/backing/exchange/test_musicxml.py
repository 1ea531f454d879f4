"""What is written is valid, and other software reads in it what a phrase says."""

from __future__ import annotations

import io
from fractions import Fraction
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
import xmlschema

from backing.exchange.musicxml import KINDS, STAVES, musicxml
from backing.forms import find_form
from backing.harmony import QUALITIES
from backing.sheet.writing import over_form
from phrases.files import load_phrase
from phrases.fretboard import STRINGS, fret_pitch
from phrases.phrase import Phrase
from tests.backing.sheet.lines import crowded, library, one
from tests.hard.material import some

m21: Any = import_module("music21")  # its types are not complete


@lru_cache
def schema() -> Any:
    """Return the standard's own schema: MusicXML 4.0, as it comes in the musicxml wheel."""
    spec = find_spec("musicxml")
    assert spec is not None
    assert spec.origin is not None
    folder = Path(spec.origin).parent / "generate_classes"
    xlink = Path(xmlschema.__file__).parent / "schemas" / "XLINK" / "xlink.xsd"

    def local(uri: str) -> str:
        files = {"xml.xsd": folder / "xml.xsd", "xlink.xsd": xlink}
        name = uri.rsplit("/", 1)[-1]
        return str(files.get(name, uri))

    return xmlschema.XMLSchema(str(folder / "musicxml_4_0.xsd"), uri_mapper=local, allow="local")


@pytest.mark.parametrize(
    "phrase", [*some(library(), 12), *crowded()], ids=lambda phrase: phrase.title
)
def test_the_schema_finds_it_valid(phrase: Phrase) -> None:
    text = musicxml(over_form(phrase, find_form("twelve-bar")), staves="both")
    schema().validate(io.BytesIO(text.encode()))


@pytest.mark.parametrize("staves", STAVES)
def test_each_kind_of_staff_is_valid(staves: str) -> None:
    score = over_form(load_phrase("towpath"), find_form("twelve-bar"), chorus=True)
    schema().validate(io.BytesIO(musicxml(score, staves=staves).encode()))


@pytest.mark.parametrize("staves", STAVES)
def test_harmonics_dips_and_timed_bends_are_valid(staves: str) -> None:
    notes = (
        "| 1 G7v 2 A12{harmonic} 3 G7b(full over 1/2){pinch} 4 B8v(full)~(1/4 6/s grows) | 1 e5"
    )
    text = musicxml(over_form(one(notes), find_form("twelve-bar")), staves=staves)
    schema().validate(io.BytesIO(text.encode()))


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("<fret>5</fret>", "<fret>five</fret>"),
        ("<string>3</string>", "<string>0</string>"),
        ("<step>C</step>", "<step>H</step>"),
        ("<type>eighth</type>", "<type>8th</type>"),
    ],
)
def test_the_schema_can_find_faults(good: str, bad: str) -> None:
    text = musicxml(over_form(one("4 G5/7 & B6 | 1 e8b(full)~")))
    assert good in text
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        schema().validate(io.BytesIO(text.replace(good, bad, 1).encode()))


def test_every_chord_that_a_form_can_have_is_written() -> None:
    assert set(KINDS) == set(QUALITIES)


def test_it_is_the_same_every_time() -> None:
    score = over_form(load_phrase("towpath"))
    assert musicxml(score) == musicxml(over_form(load_phrase("towpath")))


def tree(notes: str, **how: str) -> ET.Element:
    return ET.fromstring(musicxml(over_form(one(notes, **how))))


def test_bends_tell_the_change() -> None:
    # MusicXML 4.0, bend-alter: pre-bends and releases are negative.
    found = [
        (b.findtext("bend-alter"), b.find("pre-bend") is not None, b.find("release") is not None)
        for b in tree("| 1 G7b(full)r(1/2) 2 G7pb(1/4) 3 r").iter("bend")
    ]
    assert found == [
        ("2", False, False), ("-1", False, True), ("-0.5", True, False), ("-0.5", False, True),
    ]  # fmt: skip


SLIDE_ENDS = [
    ("| 1 G5/ 2 G9", [("start", "5"), ("stop", "9")], 0),
    ("| 1 G9\\ 2 G5", [("start", "9"), ("stop", "5")], 0),
    ("| 1 . 4 G5/ | 1 G9", [("start", "5"), ("stop", "9")], 0),
    ("| 1 G5+B5/ 2 G7+B8", [("start", "5"), ("stop", "8")], 0),
    # It leads nowhere: a rest, another string, a lower fret, a muted or an open string.
    ("| 1 G5/ 2 . 3 G9", [], 1),
    ("| 1 G5/ 2 B9", [], 1),
    ("| 1 G5/ 2 G3", [], 1),
    ("| 1 G5/ 2 Gx", [], 1),
    ("| 1 G5\\ 2 G0", [], 1),
]


@pytest.mark.parametrize(("notes", "ends", "nowhere"), SLIDE_ENDS)
def test_a_slide_to_a_picked_note_begins_and_ends_at_heads(
    notes: str, ends: list[tuple[str, str]], nowhere: int
) -> None:
    # MusicXML 4.0: slide is between two notes, doit and falloff are of one; a slur besides would
    # say that the second is not picked.
    root = tree(notes)
    found = [
        (slide.get("type"), note.findtext(".//fret"))
        for note in root.iter("note")
        for slide in note.iter("slide")
    ]
    assert found == ends
    assert len([*root.iter("doit"), *root.iter("falloff")]) == nowhere
    assert not [*root.iter("slur")]


def test_music21_reads_a_slide_to_a_picked_note() -> None:
    score = m21.converter.parseData(musicxml(over_form(one("| 1 G5/ 2 G9 3 ."))))
    (slide,) = score.recurse().getElementsByClass(m21.spanner.Glissando)
    assert [note.pitch.midi for note in slide.getSpannedElements()] == [60, 64]


def test_a_pickup_bar_is_implicit() -> None:
    measure = tree("4 e5 | 1 e8").find("part/measure")
    assert measure is not None
    assert (measure.get("number"), measure.get("implicit")) == ("0", "yes")


def test_tempo_counts_quarters_and_swing_is_told() -> None:
    root = tree("| 1 e5 & e8", meter="12/8", groove="slow-blues")
    assert [sound.get("tempo") for sound in root.iter("sound")] == ["135"]  # 90 dotted quarters
    (metronome,) = root.iter("metronome")
    assert [child.tag for child in metronome] == ["beat-unit", "beat-unit-dot", "per-minute"]
    root = tree("| 1 e5 & e8")
    assert [s.findtext("first") for s in root.iter("swing")] == ["2"]
    # MusicXML 4.0, swing-type: the note value that swings.
    assert [s.findtext("swing-type") for s in root.iter("swing")] == ["eighth"]
    assert [words.text for words in root.iter("words")] == ["Swing"]
    assert tree("| 1 e5 & e8", groove="rock-blues").find(".//swing/straight") is not None


@pytest.mark.parametrize("phrase", [*library(), *crowded()], ids=lambda phrase: phrase.title)
def test_music21_reads_the_same_picks(phrase: Phrase) -> None:
    score = m21.converter.parseData(musicxml(over_form(phrase)), format="musicxml")
    pickup = phrase.parts[0].pickup
    found = []
    for element in score.flatten().notes:
        if isinstance(element, m21.harmony.ChordSymbol):
            continue
        at = Fraction(element.offset).limit_denominator(420) / phrase.meter.quarters
        for note in element.notes if element.isChord else [element]:
            found.append((at, note.pitch.midi))
            frets = [a.number for a in note.articulations
                     if isinstance(a, m21.articulations.FretIndication)]  # fmt: skip
            strings = [a.number for a in note.articulations
                       if isinstance(a, m21.articulations.StringIndication)]  # fmt: skip
            if frets and strings:
                assert fret_pitch(STRINGS[-strings[0]], frets[0]) == note.pitch.midi
    start = found[0][0]
    heard = {(at - start, pitch) for at, pitch in found}
    first = phrase.strokes()[0].at
    assert pickup == max(0, -first)
    for stroke in phrase.strokes():
        for note in stroke.notes:
            pitch = fret_pitch(note.string, note.fret or 0)
            assert (stroke.at - first, pitch) in heard


def test_music21_reads_the_techniques() -> None:
    text = musicxml(
        over_form(one("| 1 G5h7 2 p5 3 e8b(full){d3} & r 4 e8pb(full){u accent short} & B5/7"))
    )
    score = m21.converter.parseData(text, format="musicxml")
    notes = list(score.flatten().notes)
    bends = [
        a for n in notes for a in n.articulations if isinstance(a, m21.articulations.FretBend)
    ]
    assert [b.bendAlter.semitones for b in bends] == [2, -2, -2]
    assert [b.preBend is True for b in bends] == [False, False, True]
    assert [b.release is not None for b in bends] == [False, True, False]
    kinds = [type(a).__name__ for n in notes for a in n.articulations]
    for kind in ("DownBow", "UpBow", "Accent", "Staccato"):
        assert kinds.count(kind) == 1
    fingers = [a.fingerNumber for n in notes for a in n.articulations
               if isinstance(a, m21.articulations.Fingering)]  # fmt: skip
    assert fingers == [3]
    joined = [type(s).__name__ for s in score.recurse().getElementsByClass(m21.spanner.Spanner)]
    assert joined.count("HammerOn") == joined.count("PullOff") == 1
    assert joined.count("Glissando") == 1


def test_music21_reads_the_chords() -> None:
    phrase = load_phrase("wet-gravel")
    text = musicxml(over_form(phrase, find_form("quick-change")))
    score = m21.converter.parseData(text, format="musicxml")
    found = [c.figure for c in score.recurse().getElementsByClass(m21.harmony.ChordSymbol)]
    assert found == ["G7", "C7", "G7", "G7"]
