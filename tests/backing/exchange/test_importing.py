"""Files of our own come back whole; files of others come in, and what is lost is told."""

from __future__ import annotations

import random
import re
import zipfile
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from backing.exchange import xmlfile
from backing.exchange.importing import Imported, import_musicxml
from backing.exchange.musicxml import STAVES, musicxml
from backing.forms import find_form
from backing.sheet.writing import over_form
from phrases.errors import BluesError, ChoiceError, RangeError, TextFileError
from phrases.files import read_phrase
from phrases.notation import write_line
from phrases.phrase import Phrase
from tests.backing.sheet.lines import as_written, crowded, library, one, played
from tests.hard.material import in_turn

m21: Any = import_module("music21")  # its types are not complete

CHORD_SYMBOL = "chord symbol (the form gives the chords)"


def through(phrase: Phrase, folder: Path, staves: str = "tab") -> Imported:
    """Return a phrase that went out as MusicXML and came in again."""
    path = folder / "out.musicxml"
    text = musicxml(over_form(phrase, find_form("twelve-bar")), staves=staves)
    path.write_text(text, encoding="utf-8")
    return import_musicxml(path)


@pytest.mark.parametrize(
    ("phrase", "staves"),
    in_turn([*library(), *crowded()], STAVES),
    ids=lambda one: getattr(one, "title", one),
)
def test_what_goes_out_comes_in(phrase: Phrase, staves: str, tmp_path: Path) -> None:
    found = through(phrase, tmp_path, staves)
    back = found.phrase
    assert played(back) == as_written(phrase)
    for name in ("title", "key", "tempo", "meter", "groove", "scale", "level", "tags", "tips",
                 "lines", "behind", "tone", "pick", "swing"):  # fmt: skip
        if phrase.title != "Mill race" or name != "swing":
            assert getattr(back, name) == getattr(phrase, name), name
    assert [(p.role, p.bars) for p in back.parts] == [(p.role, p.bars) for p in phrase.parts]
    assert [line for line in found.told if CHORD_SYMBOL not in line] == []
    assert read_phrase(found.text) == back


@pytest.mark.parametrize(
    ("behind", "back"), [('"auto"', None), ("35", 35), ("0", 0), ("120", 120)]
)
def test_how_far_behind_the_beat_it_lies_comes_back(
    behind: str, back: int | None, tmp_path: Path
) -> None:
    phrase = read_phrase(
        f'title = "T"\nkey = "A"\ntempo = 90\nbehind = {behind}\n[[part]]\nnotes = "| 1 G5"\n'
    )
    assert through(phrase, tmp_path).phrase.behind == back


@pytest.mark.parametrize(
    "parts",
    [
        # A last note that the next part's pickup cuts, a muted one, a slide to a picked note.
        ["| 1 B8 2& B5 | 2trip D7", "4 G7 | 1 G5"],
        ["4 e5 | 1 e8 2& Gx"],
        ["| 1 e5 3 Gx 4& ."],
        ["| 1 G5/ 2 G9 3 G9\\ 4 G7 & ."],
        ["3 e5 | 1 D7 2 e5", "4& G7 | 1 G7 4 Gx"],
    ],
)
@pytest.mark.parametrize("drag", [0, 2])
def test_where_the_last_note_ends_comes_back(parts: list[str], drag: int, tmp_path: Path) -> None:
    text = 'title = "T"\nkey = "A"\ntempo = 90\n' + "".join(
        f"[[part]]\nnotes = '{notes}'\ndrag = {drag}\n" for notes in parts
    )
    phrase = read_phrase(text)
    back = through(phrase, tmp_path).phrase
    assert played(back) == played(phrase)
    lasts = [(part.bars, part.strokes[-1].end, part.drag) for part in phrase.parts]
    assert [(part.bars, part.strokes[-1].end, part.drag) for part in back.parts] == lasts


def test_the_check_above_can_fail(tmp_path: Path) -> None:
    back = through(one("| 1 e5b(full) 2 e8"), tmp_path).phrase
    for other in ("| 1 e5 2 e8", "| 1 e5b(full) 2& e8", "| 1 e5b(full) 2 B8", "| 1 e5b(1/2) 2 e8"):
        assert played(back) != played(one(other))


@pytest.mark.parametrize("phrase", library()[::6], ids=lambda phrase: phrase.title)
def test_music21_may_read_and_write_it_in_between(phrase: Phrase, tmp_path: Path) -> None:
    score = m21.converter.parseData(musicxml(over_form(phrase)), format="musicxml")
    path = Path(score.write("musicxml", tmp_path / "between.musicxml"))
    back = import_musicxml(path).phrase

    def picks(found: Phrase) -> list[Any]:
        # music21 puts what the notes of a chord do on the first of them: where they are is enough.
        return [
            (s.at, n.string, n.fret, [m.fret for m in n.moves] if len(s.notes) == 1 else [])
            for s in found.strokes()
            for n in sorted(s.notes, key=lambda note: note.string)
        ]

    assert picks(back) == picks(phrase)


def fretted(where: int, fret: int, quarters: float, pitch: int) -> Any:
    made = m21.note.Note(pitch, quarterLength=quarters)
    made.articulations = [
        m21.articulations.StringIndication(where), m21.articulations.FretIndication(fret)
    ]  # fmt: skip
    return made


def test_a_file_that_music21_made(tmp_path: Path) -> None:
    part = m21.stream.Part(id="Guitar")
    part.append(m21.meter.TimeSignature("4/4"))
    first, second = fretted(3, 5, 1, 60), fretted(3, 7, 1, 62)
    bent, held = fretted(1, 8, 1, 72), fretted(1, 8, 1, 72)
    bent.articulations.append(m21.articulations.FretBend(bendAlter=m21.interval.Interval(2)))
    bent.tie, held.tie = m21.tie.Tie("start"), m21.tie.Tie("stop")
    part.append([first, second, bent, held])
    part.insert(0, m21.articulations.HammerOn([first, second]))
    slid = [fretted(2, 5, 1, 64), fretted(2, 8, 3, 67)]
    slid[0].articulations.append(m21.articulations.Accent())
    part.append(slid)
    part.insert(0, m21.spanner.Glissando(slid))
    path = Path(part.write("musicxml", tmp_path / "made.musicxml"))
    found = import_musicxml(path)
    (only,) = found.phrase.parts
    # A glissando without a slur leads to a note that is picked.
    assert write_line(only.strokes, only.bars) == ("| 1 G5 2 h7 3 e8b(full) | 1 B5/{accent} 2 B8")
    assert "no swing mark; taken as straight" in " ".join(found.told)
    assert found.phrase.swing == "straight"


HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 3.1 Partwise//EN"
 "http://www.musicxml.org/dtds/partwise.dtd">
"""


def attributes(extra: str = "", time: str = "4/4") -> str:
    beats, kind = time.split("/")
    return (
        "<attributes><divisions>4</divisions><key><fifths>-1</fifths></key>"
        f"<time><beats>{beats}</beats><beat-type>{kind}</beat-type></time>{extra}</attributes>"
    )


def xnote(
    place: str, length: int = 4, notations: str = "", inside: str = "", extra: str = ""
) -> str:
    """Return a note element: ``3/5`` is string 3, fret 5; ``r`` a rest."""
    duration = f"<duration>{length}</duration>"
    if place == "r":
        return f"<note><rest/>{duration}{extra}</note>"
    string, fret = place.split("/")
    technical = f"<technical><string>{string}</string><fret>{fret}</fret>{inside}</technical>"
    return (
        f"<note>{'' if length else '<grace/>'}<pitch><step>C</step><octave>4</octave></pitch>"
        f"{duration if length else ''}{extra}<notations>{notations}{technical}</notations></note>"
    )


def document(*bars: str, parts: str = "", first: str = "") -> str:
    text = "".join(
        f'<measure number="{n}">{attributes(first) if n == 1 else ""}{bar}</measure>'
        for n, bar in enumerate(bars, 1)
    )
    listed = '<part-list><score-part id="P1"><part-name>Guitar</part-name></score-part>'
    return (
        f'{HEAD}<score-partwise version="3.1">{listed}{parts[: parts.find("#")]}</part-list>'
        f'<part id="P1">{text}</part>{parts[parts.find("#") + 1 :]}</score-partwise>'
    )


def read(text: str, folder: Path, part: str = "") -> Imported:
    path = folder / "in.musicxml"
    path.write_text(text, encoding="utf-8")
    return import_musicxml(path, part)


def line(text: str, folder: Path) -> str:
    (only,) = read(text, folder).phrase.parts
    return write_line(only.strokes, only.bars)


SLUR = '<slur type="{}" number="1"/>'
SLIDE = '<slide type="{}"/>'
WAVY = '<ornaments><wavy-line type="{}"/></ornaments>'
TIE = '<tie type="{}"/>'


@pytest.mark.parametrize(
    ("notes", "expected"),
    [
        # A slur alone on one string is a hammer-on or a pull-off, as many programs export it.
        (
            xnote("3/5", 4, SLUR.format("start"))
            + xnote("3/7", 4, SLUR.format("stop"))
            + xnote("2/5", 8),
            "| 1 G5 2 h7 3 B5",
        ),
        # A slur over several strings is a phrase mark: the strings are picked.
        (
            xnote("3/5", 4, SLUR.format("start"))
            + xnote("2/7", 4)
            + xnote("2/5", 8, SLUR.format("stop")),
            "| 1 G5 2 B7 3 B5",
        ),
        (xnote("3/5", 0, SLUR.format("start")) + xnote("3/7", 16, SLUR.format("stop")),
         "| 1 G5h7"),
        # A line alone leads to a note that is picked; with a slur it is not (common practice).
        (xnote("3/5", 8, SLIDE.format("start")) + xnote("3/9", 8, SLIDE.format("stop")),
         "| 1 G5/ 3 G9"),
        # Some tell only where a hammer-on begins.
        (xnote("3/5", 8, "", '<hammer-on type="start"/>') + xnote("3/7", 8), "| 1 G5 3 h7"),
        (xnote("3/9", 8, SLIDE.format("start")) + xnote("3/5", 8, SLIDE.format("stop")),
         "| 1 G9\\ 3 G5"),
        (xnote("3/5", 8, SLIDE.format("start") + SLUR.format("start"))
         + xnote("3/9", 8, SLIDE.format("stop") + SLUR.format("stop")), "| 1 G5 3 /9"),
        (xnote("3/9", 8, SLIDE.format("start") + SLUR.format("start"))
         + xnote("3/5", 8, SLIDE.format("stop") + SLUR.format("stop")), "| 1 G9 3 \\5"),
        (xnote("3/5", 0, SLIDE.format("start")) + xnote("3/9", 16, SLIDE.format("stop")),
         "| 1 G5/9"),
        # A vibrato over tied notes is one; over several picked ones each has it.
        (xnote("3/5", 4, WAVY.format("start"), extra=TIE.format("start"))
         + xnote("3/5", 4, extra=TIE.format("stop")) + xnote("2/5", 4, WAVY.format("stop"))
         + xnote("2/8", 4), "| 1 G5~ 3 B5~ 4 B8"),
        # Fret 30 of the low string is the 6th of the high one.
        (xnote("6/30", 16), "| 1 e6"),
        (xnote("1/8", 16, "", "<bend><bend-alter>2</bend-alter></bend>"
               "<bend><bend-alter>-2</bend-alter><release/></bend>"), "| 1 e8b(full)r"),
        # Some programs write a pre-bend and a release without a sign.
        (xnote("1/8", 16, "", "<bend><bend-alter>2</bend-alter><pre-bend/></bend>"
               "<bend><bend-alter>2</bend-alter><release/></bend>"), "| 1 e8pb(full)r"),
        (xnote("1/8", 16, "<articulations><staccato/><scoop/></articulations>",
               "<up-bow/><fingering>2</fingering>"), "| 1 /e8{u2 short}"),
        (xnote("1/8", 16, '<ornaments><wavy-line type="start"/></ornaments>'), "| 1 e8~"),
        (xnote("1/8", 4) + xnote("r", 4) + xnote("1/5", 8), "| 1 e8 2 . 3 e5"),
        # Divisions that do not hold a triplet are rounded; the written value counts.
        (
            "".join(
                xnote("1/8", n, "", "", "<type>eighth</type><time-modification><actual-notes>3"
                      "</actual-notes><normal-notes>2</normal-notes></time-modification>")
                for n in (1, 1, 2)
            ) + xnote("1/5", 12),
            "| 1 e8 trip e8 let e8 2 e5",
        ),
    ],
)  # fmt: skip
def test_what_others_write(notes: str, expected: str, tmp_path: Path) -> None:
    assert line(document(notes), tmp_path) == expected


@pytest.mark.parametrize(
    ("notes", "told"),
    [
        (xnote("1/8", 16, "", "<harmonic/>"), "bar 1: harmonic"),
        (xnote("1/8", 16) + "<direction><direction-type><words>Sweetly</words></direction-type>"
         "</direction>", 'bar 1: words "Sweetly"'),
        (xnote("1/8", 16, "", "<bend><bend-alter>4</bend-alter></bend>"),
         "bar 1: bend of 4 half steps, written 3/2"),
        (xnote("1/8", 16) + '<barline><repeat direction="backward"/></barline>',
         "repeats and jumps are played out: bars 1, 1"),
        (xnote("1/8", 16, '<ornaments><trill-mark/></ornaments>'),
         "bar 1: trill whose fret is not told, taken as two frets"),
        ("<note><pitch><step>E</step><octave>4</octave></pitch><duration>16</duration></note>"
         + "<backup><duration>16</duration></backup>" + xnote("1/8", 16, extra="<voice>2</voice>"),
         "bar 1: note in voice 1; one voice is read (--voice 1)"),
        ("<harmony><root><root-step>F</root-step></root><kind>dominant</kind></harmony>"
         + xnote("1/8", 16), f"bar 1: {CHORD_SYMBOL}"),
        (xnote("1/8", 16), "no tempo; taken as 90"),
        (xnote("1/8", 0) + xnote("1/10", 16),
         "bar 1: grace note that is picked on its own, joined to the next"),
        (xnote("3/5", 8, "", '<hammer-on type="start"/>')
         + xnote("2/7", 8, "", '<hammer-on type="stop"/>'),
         "bar 1: hammer-on or pull-off that does not come from its own string; picked"),
        (xnote("3/5", 8, "", '<hammer-on type="start"/>') + xnote("2/7", 8),
         "bar 1: hammer-on or pull-off that leads to no note of its string; left out"),
        (xnote("1/8", 16) + "<attributes><measure-style><measure-repeat type='start'>1"
         "</measure-repeat></measure-style></attributes>", "bar 1: measure-repeat"),
        (xnote("1/13", 16, "", "<harmonic><natural/></harmonic>"),
         "bar 1: harmonic"),
        (xnote("1/1", 16, "<articulations><scoop/></articulations>"),
         "bar 1: slide from nowhere for which the neck has no room; left out"),
        (xnote("3/5", 8, SLIDE.format("start")) + xnote("2/7", 8, SLIDE.format("stop")),
         "bar 1: slide that does not come from its own string; left out"),
        (xnote("3/5", 8, SLIDE.format("start")) + xnote("r", 8),
         "bar 1: slide that leads to no note, taken as one down to nowhere"),
        (xnote("3/5", 8, WAVY.format("start")) + xnote("2/7", 8, WAVY.format("stop")),
         "bar 1: vibrato over several notes, given to each"),
        (xnote("3/5", 8, WAVY.format("start").replace("</o", '<wavy-line type="stop"/></o'),
               extra=TIE.format("start")) + xnote("3/5", 8, extra=TIE.format("stop")),
         "bar 1: vibrato that ends before its note does"),
        (xnote("6/30", 16), "bar 1: fret 30; the neck has 24, played elsewhere"),
        (xnote("1/30", 16), "bar 1: note that the neck has not, put an octave or more away"),
        (xnote("1/8", 16, extra="<notehead>diamond</notehead>"), "bar 1: note head diamond"),
        ("<direction><direction-type><rehearsal>B</rehearsal></direction-type></direction>"
         + xnote("1/8", 16), 'bar 1: rehearsal mark "B"'),
        ('<sound><swing><first>2</first><second>1</second><swing-type>16th</swing-type></swing>'
         '</sound>' + xnote("1/8", 16), "bar 1: swing of sixteenths; a phrase swings its eighths"),
        (xnote("1/8", 16) + '<direction><direction-type><pedal type="start"/></direction-type>'
         '</direction>', "bar 1: pedal"),
    ],
)  # fmt: skip
def test_what_is_lost_is_told(notes: str, told: str, tmp_path: Path) -> None:
    assert told in read(document(notes), tmp_path).told


def test_a_loss_is_told_once_with_all_its_bars(tmp_path: Path) -> None:
    lost, kept = xnote("1/8", 16, "", "<harmonic/>"), xnote("1/8", 16)
    found = read(document(lost, kept, lost, lost, lost, kept, lost), tmp_path)
    assert "bars 1, 3 to 5, 7: harmonic" in found.told


def test_who_wrote_it_comes_in_and_who_else_is_named_is_told(tmp_path: Path) -> None:
    about = (
        '<identification><creator type="composer">A. Player</creator>'
        '<creator type="lyricist">B. Singer</creator><rights>CC BY 4.0</rights>'
        "<source>a shoe box</source></identification>"
    )
    text = document(xnote("1/8", 16), parts=second(xnote("6/3", 16))).replace(
        "<part-list>", about + "<credit><credit-words>Old songs, 3</credit-words></credit>"
        "<part-list>", 1,
    )  # fmt: skip
    found = read(text, tmp_path, "Guitar")
    credits = found.phrase.credits
    assert (credits.author, credits.rights, credits.link) == ("A. Player", "CC BY 4.0", "")
    for line in (
        "lyricist: B. Singer", "source: a shoe box", "words on the page: Old songs, 3",
        'part "Rhythm" (P2); one part is read',
    ):  # fmt: skip
        assert line in found.told


def test_what_our_files_say_of_their_maker_comes_back(tmp_path: Path) -> None:
    phrase = read_phrase(
        'title = "T"\nkey = "A"\ntempo = 90\nauthor = "A. Player"\nrights = "CC0"\n'
        'link = "https://example.org"\ndate = "2026-05-01"\n[[part]]\nnotes = "| 1 G5"\n'
    )
    found = through(phrase, tmp_path)
    assert found.phrase.credits == phrase.credits
    assert [line for line in found.told if CHORD_SYMBOL not in line] == []


def test_signs_that_steer_a_terminal_are_left_out(tmp_path: Path) -> None:
    text = document(
        xnote("1/8", 16) + "<direction><direction-type><words>\u202eup\x9b2J</words>"
        "</direction-type></direction>"
    ).replace("<part-list>", "<movement-title>Back\u2066 porch</movement-title><part-list>", 1)
    found = read(text, tmp_path)
    assert found.phrase.title == "Back porch"
    assert 'bar 1: words "up2J"' in found.told


@pytest.mark.parametrize(
    ("title", "kept", "told"),
    [("Back\ufdd0 \U0001fffeporch", "Back porch", True), ("\u200b\u0301", "in", False)],
)
def test_a_title_loses_what_is_no_character_and_is_seen(
    tmp_path: Path, title: str, kept: str, told: bool
) -> None:
    # Unicode Standard, 23.7: those that end in FFFE and FFFF, and FDD0 to FDEF.
    text = document(xnote("1/8", 16)).replace(
        "<part-list>", f"<movement-title>{title}</movement-title><part-list>", 1
    )
    found = read(text, tmp_path)
    assert found.phrase.title == kept
    assert ("sign in a text that is no character; left out" in found.told) == told


def test_key_title_and_tempo_are_read(tmp_path: Path) -> None:
    text = document('<sound tempo="132"/>' + xnote("1/8", 16)).replace(
        "<part-list>", '<work/><movement-title>Sand &amp; "salt"</movement-title><part-list>', 1
    )
    phrase = read(text, tmp_path).phrase
    assert (phrase.title, str(phrase.key), int(phrase.tempo)) == ('Sand & "salt"', "F", 132)


def test_a_tempo_in_12_8_is_felt_in_dotted_quarters(tmp_path: Path) -> None:
    text = document('<sound tempo="90"/>' + xnote("1/8", 24)).replace(
        attributes(), attributes(time="12/8")
    )
    phrase = read(text, tmp_path).phrase
    assert (int(phrase.tempo), str(phrase.meter), phrase.groove) == (60, "12/8", "slow-blues")


@pytest.mark.parametrize(
    ("time", "bars", "expected", "told"),
    [
        ("2/2", [xnote("1/8", 16)], "| 1 e8", "meter 2/2: it is read as 4/4"),
        ("2/4", [xnote("1/5", 4), xnote("1/8", 8), xnote("2/5", 8), xnote("2/8", 8)],
         "4 e5 | 1 e8 3 B5 | 1 B8 3 .", "meter 2/4: two bars are read as 4/4"),
        ("6/8", [xnote("1/8", 12), xnote("2/5", 12)], "| 1 e8 3 B5",
         "meter 6/8: two bars are read as 12/8"),
    ],
)  # fmt: skip
def test_meters_that_another_holds(
    time: str, bars: list[str], expected: str, told: str, tmp_path: Path
) -> None:
    text = document(*bars).replace(attributes(), attributes(time=time))
    assert line(text, tmp_path) == expected
    assert read(text, tmp_path).told.count(told) == 1


def test_bars_after_a_change_of_meter_are_left_out_and_told(tmp_path: Path) -> None:
    other = attributes(time="3/4")
    bars = [xnote("1/8", 16), other + xnote("1/5", 12), xnote("1/5", 12)]
    assert line(document(*bars), tmp_path) == "| 1 e8"
    told = "bars 2, 3: left out, since the meter changes to 3/4"
    assert told in read(document(*bars), tmp_path).told


def test_a_short_first_bar_is_a_pickup(tmp_path: Path) -> None:
    text = document(xnote("1/5", 4), xnote("1/8", 16))
    assert line(text, tmp_path) == "4 e5 | 1 e8"


def test_two_staves_with_the_same_notes_are_read_once(tmp_path: Path) -> None:
    notes = plain("C5", 16) + BACK + xnote("1/8", 16, extra="<voice>5</voice><staff>2</staff>")
    found = read(document(notes, first=CLEFS), tmp_path)
    assert len(found.phrase.strokes()) == 1
    assert not any("voice" in told or "staff" in told for told in found.told)


def second(notes: str) -> str:
    return (
        '<score-part id="P2"><part-name>Rhythm</part-name></score-part>#'
        f'<part id="P2"><measure number="1">{attributes()}{notes}</measure></part>'
    )


def test_one_part_of_several_is_chosen(tmp_path: Path) -> None:
    text = document(xnote("1/8", 16), parts=second(xnote("6/3", 16)))
    message = r'say which: "Guitar" \(P1\), "Rhythm" \(P2\)'
    with pytest.raises(ChoiceError, match=message):
        read(text, tmp_path)
    for name in ("Rhythm", "rhythm", "P2"):
        found = read(text, tmp_path, name)
        assert found.part == "Rhythm"
        assert found.phrase.strokes()[0].notes[0].string == "E"
    with pytest.raises(ChoiceError, match='"Rythm" is not a part'):
        read(text, tmp_path, "Rythm")


def test_a_part_without_tablature_must_be_named(tmp_path: Path) -> None:
    plain = "<note><pitch><step>E</step><octave>4</octave></pitch><duration>16</duration></note>"
    with pytest.raises(ChoiceError, match="no part has strings and frets"):
        read(document(plain), tmp_path)
    found = read(document(plain), tmp_path, "Guitar")
    (stroke,) = found.phrase.strokes()
    assert (stroke.notes[0].string, stroke.notes[0].fret) == ("B", 5)
    assert "bar 1: note without a string and a fret, given both" in found.told


CLEFS = (
    '<staves>2</staves><clef number="1"><sign>G</sign></clef>'
    '<clef number="2"><sign>TAB</sign></clef>'
)


def plain(step: str, length: int = 4, notations: str = "", extra: str = "") -> str:
    """Return a note of the staff of notation: ``C5``."""
    told = f"<notations>{notations}</notations>" if notations else ""
    return (
        f"<note>{'' if length else '<grace/>'}<pitch><step>{step[0]}</step>"
        f"<octave>{step[1:]}</octave></pitch>"
        f"{f'<duration>{length}</duration>' if length else ''}<voice>1</voice>{extra}"
        f"<staff>1</staff>{told}</note>"
    )


def on_tab(place: str, step: str, length: int = 4, extra: str = "") -> str:
    voice = extra + "<voice>5</voice><staff>2</staff>"
    return xnote(place, length, extra=voice).replace(
        "<step>C</step><octave>4</octave>", f"<step>{step[0]}</step><octave>{step[1:]}</octave>"
    )


BACK = "<backup><duration>16</duration></backup>"


@pytest.mark.parametrize(
    ("notes", "tab", "expected"),
    [
        # Techniques on the staff of notation, strings and frets on that of the tablature; the
        # notation an octave higher, as a guitar's is printed.
        (
            plain("C5", 4, SLUR.format("start"))
            + plain("D5", 4, SLUR.format("stop"))
            + plain("E5", 8, WAVY.format("start") + "<articulations><accent/></articulations>"),
            on_tab("3/5", "C4") + on_tab("3/7", "D4") + on_tab("2/5", "E4", 8),
            "| 1 G5 2 h7 3 B5~{accent}",
        ),
        (
            plain("C5", 8, SLIDE.format("start")) + plain("E5", 8, SLIDE.format("stop")),
            on_tab("3/5", "C4", 8) + on_tab("3/9", "E4", 8),
            "| 1 G5/ 3 G9",
        ),
        # A grace note that only the notation has.
        (
            plain("C5", 0, SLUR.format("start")) + plain("D5", 16, SLUR.format("stop")),
            on_tab("3/7", "D4", 16),
            "| 1 G5h7",
        ),
        # A tablature that leaves out what is tied; the stroke of the chord is on its upper note.
        (
            plain("D5", 8, extra=TIE.format("start")) + plain("D5", 8, extra=TIE.format("stop")),
            on_tab("3/7", "D4", 16),
            "| 1 G7",
        ),
    ],
)
def test_both_staves_say_what_is_played(
    notes: str, tab: str, expected: str, tmp_path: Path
) -> None:
    found = read(document(notes + BACK + tab, first=CLEFS), tmp_path)
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == expected
    assert not any("staff" in told for told in found.told)


def test_a_note_that_only_one_staff_has_is_told(tmp_path: Path) -> None:
    notes = plain("C5", 8) + plain("D5", 8) + BACK + on_tab("3/5", "C4", 16)
    found = read(document(notes, first=CLEFS), tmp_path)
    assert "bar 1: note on staff 1 that staff 2 has not" in found.told


def tuned(*steps: str) -> str:
    lines = "".join(
        f'<staff-tuning line="{n}"><tuning-step>{step[0]}</tuning-step>'
        f"<tuning-alter>{-step.count('b')}</tuning-alter>"
        f"<tuning-octave>{step[-1]}</tuning-octave></staff-tuning>"
        for n, step in enumerate(steps, 1)
    )
    return f"<staff-details><staff-lines>6</staff-lines>{lines}</staff-details>"


@pytest.mark.parametrize(
    ("steps", "places", "expected", "tuning"),
    [
        (("D2", "A2", "D3", "G3", "B3", "E4"), ("6/5", "6/7", "5/3", "6/0"),
         "| 1 E5 2 E7 3 A3 4 E0", "drop D"),
        (("D2", "G2", "D3", "G3", "B3", "D4"), ("5/5", "4/5", "1/5", "1/3"),
         "| 1 A5 2 D5 3 e5 4 e3", "open G"),
        (("Eb2", "Ab2", "Db3", "Gb3", "Bb3", "Eb4"), ("5/5", "4/5", "1/5", "1/3"),
         "| 1 A5 2 D5 3 e5 4 e3", "half step down"),
        (("C2", "G2", "D3", "G3", "B3", "D4"), ("6/5", "4/5", "1/5", "1/3"),
         "| 1 E5 2 D5 3 e5 4 e3", "C G D G B D"),
        # Seven strings, of which the high six are a guitar's.
        (("B1", "E2", "A2", "D3", "G3", "B3", "E4"), ("6/5", "7/10", "1/5", "1/3"),
         "| 1 E5 2 E5 3 e5 4 e3", ""),
    ],
)  # fmt: skip
def test_other_tunings_come_in_by_fret(
    steps: tuple[str, ...], places: tuple[str, ...], expected: str, tuning: str, tmp_path: Path
) -> None:
    notes = "".join(xnote(place, 4) for place in places)
    notes = re.sub("<pitch>.*?</pitch>", "", notes)
    found = read(document(notes, first=tuned(*steps)), tmp_path)
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == expected
    assert found.phrase.tuning == tuning
    lost = [line for line in found.told if "a string that a guitar has not" in line]
    assert len(lost) == ("7/10" in places)


def test_a_lowered_guitar_s_key_is_as_it_sounds(tmp_path: Path) -> None:
    # Fret 8 of a string tuned to Eb sounds B; written as it is fretted, C in F, it sounds in E.
    low = ("Eb2", "Ab2", "Db3", "Gb3", "Bb3", "Eb4")
    sounding = xnote("1/8", 16).replace("<step>C</step><octave>4", "<step>B</step><octave>4")
    found = read(document(sounding, first=tuned(*low)), tmp_path)
    assert str(found.phrase.key) == "F"
    assert not any("another note" in line for line in found.told)
    assert str(read(document(xnote("1/8", 16), first=tuned(*low)), tmp_path).phrase.key) == "E"


def test_a_score_by_time_is_read_like_one_by_parts(tmp_path: Path) -> None:
    text = document(xnote("1/8", 8) + xnote("1/5", 8), xnote("2/5", 16))
    bars = re.findall(r'<measure number="\d">(.*?)</measure>', text)
    turned = text.split('<part id="P1">')[0].replace("partwise", "timewise") + "".join(
        f'<measure number="{n}"><part id="P1">{bar}</part></measure>'
        for n, bar in enumerate(bars, 1)
    )
    assert line(turned + "</score-timewise>", tmp_path) == line(text, tmp_path)


def test_one_voice_of_several_is_chosen(tmp_path: Path) -> None:
    notes = xnote("1/8", 16, extra="<voice>1</voice>") + BACK
    notes += xnote("5/3", 8, extra="<voice>2</voice>") + xnote("5/5", 8, extra="<voice>2</voice>")
    path = tmp_path / "in.musicxml"
    path.write_text(document(notes), encoding="utf-8")
    assert len(import_musicxml(path).phrase.strokes()) == 2
    found = import_musicxml(path, voice="1")
    assert [note.string for s in found.phrase.strokes() for note in s.notes] == ["e"]
    assert "bar 1: note in voice 2; one voice is read (--voice 2)" in found.told
    with pytest.raises(ChoiceError, match='"3" is not a voice'):
        import_musicxml(path, voice="3")


WORDS = "<direction><direction-type><words>{}</words></direction-type>{}</direction>"
DASH = '<direction-type><dashes type="{}" number="2"/></direction-type>'


@pytest.mark.parametrize(
    ("word", "mark"),
    [("P.M.", "pm"), ("palm mute", "pm"), ("let ring", "ring"), ("Rake", "rake"),
     ("trem. pick", "tremolo"), ("w/ vib.", "~"), ("wide vibrato", "~~")],
)  # fmt: skip
def test_words_over_the_staff_say_what_the_hands_do(word: str, mark: str, tmp_path: Path) -> None:
    stop = f"<direction>{DASH.format('stop')}</direction>"
    notes = [xnote("1/8", 4), xnote("1/5", 4), xnote("2/8", 4), xnote("2/5", 4)]
    more = mark if mark.startswith("~") else f"{{{mark}}}"
    text = notes[0] + WORDS.format(word, "") + notes[1] + notes[2] + notes[3]
    assert line(document(text), tmp_path) == f"| 1 e8 2 e5{more} 3 B8 4 B5"
    dashes = DASH.format("start")
    text = notes[0] + WORDS.format(word, dashes) + notes[1] + notes[2] + stop + notes[3]
    assert line(document(text), tmp_path) == f"| 1 e8 2 e5{more} 3 B8{more} 4 B5"


def test_a_tremolo_between_two_notes_is_no_tremolo_picking(tmp_path: Path) -> None:
    marks = "<notations><ornaments><tremolo type={}>3</tremolo></ornaments></notations></note>"
    notes = [
        xnote(place, 8).replace("</note>", marks.format(kind))
        for place, kind in (("1/8", '"start"'), ("1/5", '"stop"'))
    ]
    found = read(document("".join(notes)), tmp_path)
    assert "bar 1: tremolo" in found.told
    assert not any(note.marks for stroke in found.phrase.strokes() for note in stroke.notes)


def test_standard_tuning_in_either_octave(tmp_path: Path) -> None:
    for steps in (("E2", "A2", "D3", "G3", "B3", "E4"), ("E3", "A3", "D4", "G4", "B4", "E5")):
        assert read(document(xnote("1/8", 16), first=tuned(*steps)), tmp_path)


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        (document(xnote("1/8", 16), first=tuned("E1", "A1", "D2", "G2")), ChoiceError,
         "the part has 4 strings; a phrase is for a guitar with 6"),
        (document(xnote("1/8", 16), first="<clef><sign>TAB</sign></clef><staff-details>"
                  "<staff-lines>4</staff-lines></staff-details>"), ChoiceError, "has 4 strings"),
        (document(xnote("7/3", 16)), RangeError, "string 7: a guitar has strings 1 to 6"),
        (document(xnote("1/8", 12)).replace(attributes(), attributes(time="3/4")),
         RangeError, "bar 1: meter 3/4: a phrase is in 4/4 or 12/8"),
        (document(xnote("1/8", 20)), RangeError, "bar 1: it is longer than its meter, 4/4"),
        (document(xnote("r", 16)), ChoiceError, "no part has strings and frets"),
        ("<html/>", TextFileError, "expected MusicXML"),
        ("nothing", TextFileError, "not XML, or not all of it; export"),
        ("", TextFileError, "not XML, or not all of it; export"),
        (document(xnote("1/8", 16))[:-30], TextFileError, r"in.musicxml:\d+:\d+: not XML"),
        (document(xnote("1/8", 16)).replace("<divisions>4", "<divisions>0"), RangeError,
         "must be a number more than 0"),
        (document(xnote("1/8", 16).replace(">16<", ">15.987<") + xnote("1/5", 0)), RangeError,
         "it makes no phrase"),
        (document(*[xnote("1/8", 16)] * 65), RangeError, "65 bars: a part has at most 64"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told(
    text: str, error: type[BluesError], message: str, tmp_path: Path
) -> None:
    with pytest.raises(error, match=message):
        read(text, tmp_path)


LAUGHS = '<!DOCTYPE score-partwise [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]><score-partwise>&b;'
OUTSIDE = (
    '<!DOCTYPE score-partwise [<!ENTITY a SYSTEM "file:///etc/hostname">]><score-partwise>&a;'
)


@pytest.mark.parametrize("text", [LAUGHS, OUTSIDE, '<!DOCTYPE s [<!ENTITY % a "b">]><s>'])
def test_entities_are_refused(text: str, tmp_path: Path) -> None:
    with pytest.raises(TextFileError, match="declares entities"):
        read(text + "</score-partwise>", tmp_path)


def test_deep_and_large_files_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(TextFileError, match="nested deeper than 64"):
        read("<a>" * 100_000, tmp_path)
    monkeypatch.setattr(xmlfile, "LARGEST", 500)
    with pytest.raises(TextFileError, match="the file is over"):
        read(document(xnote("1/8", 16)), tmp_path)


def zipped(folder: Path, files: dict[str, str]) -> Path:
    path = folder / "in.mxl"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return path


CONTAINER = '<container><rootfiles><rootfile full-path="{}"/></rootfiles></container>'


def test_a_zipped_file_is_read(tmp_path: Path) -> None:
    files = {
        "META-INF/container.xml": CONTAINER.format("music/score.xml"),
        "other.xml": "<nonsense/>",
        "music/score.xml": document(xnote("1/8", 16)),
    }
    assert import_musicxml(zipped(tmp_path, files)).phrase.strokes()[0].end == Fraction(4)


def test_a_zip_bomb_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = zipped(
        tmp_path,
        {"META-INF/container.xml": CONTAINER.format("s.xml"), "s.xml": "<a>" + " " * 300_000},
    )
    monkeypatch.setattr(xmlfile, "LARGEST", 100_000)
    assert path.stat().st_size < 2000
    with pytest.raises(TextFileError, match="too large"):
        import_musicxml(path)


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"picture.png": "x"}, "the zip holds no MusicXML"),
        ({"META-INF/container.xml": CONTAINER.format("../../etc/passwd")}, "holds no MusicXML"),
        ({"META-INF/container.xml": "<container>"}, "not XML"),
    ],
)
def test_a_zip_without_music_is_told(files: dict[str, str], message: str, tmp_path: Path) -> None:
    with pytest.raises(TextFileError, match=message):
        import_musicxml(zipped(tmp_path, files))


def test_a_damaged_zip_is_told_or_read(tmp_path: Path) -> None:
    chance = random.Random(5)
    for packing in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        path = tmp_path / "whole.mxl"
        with zipfile.ZipFile(path, "w", packing) as archive:
            archive.writestr("META-INF/container.xml", CONTAINER.format("süß\u202e.xml"))
            archive.writestr("süß\u202e.xml", document(xnote("1/8", 16)))
        data = path.read_bytes()
        broken = tmp_path / "in.mxl"
        said = []
        for _ in range(60):
            damaged = bytearray(data)
            for _ in range(chance.choice((1, 3))):
                damaged[chance.randrange(4, len(data))] = chance.randrange(256)
            broken.write_bytes(damaged[: chance.choice((len(data), chance.randrange(9, 999)))])
            try:
                import_musicxml(broken)
            except BluesError as error:
                said.append(str(error))
        assert len(said) > 20
        assert all(text.startswith(str(broken)) for text in said)
        assert all(text.replace("\n", "").isprintable() for text in said)


def test_a_broken_zip_is_told(tmp_path: Path) -> None:
    path = tmp_path / "in.mxl"
    path.write_bytes(b"PK\x03\x04 and so on")
    with pytest.raises(TextFileError, match="not a zip that can be read"):
        import_musicxml(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(TextFileError, match=r"no\.musicxml: there is no such file"):
        import_musicxml(tmp_path / "no.musicxml")


def test_the_strings_of_a_chord_are_dealt_by_pitch(tmp_path: Path) -> None:
    # G7+B5 is D4+E4; music21 writes both strings and frets at the first of the two notes.
    score = m21.converter.parseData(musicxml(over_form(one("| 1 G7+B5 2 D5+G5+B6 3 e5"))))
    path = Path(score.write("musicxml", tmp_path / "between.musicxml"))
    found = import_musicxml(path)
    assert [[(n.string, n.fret) for n in s.notes] for s in found.phrase.strokes()] == [
        [("G", 7), ("B", 5)],
        [("D", 5), ("G", 5), ("B", 6)],
        [("e", 5)],
    ]
    assert not any("string" in line for line in found.told)


def test_the_bends_of_a_chord_are_dealt_with_its_strings(tmp_path: Path) -> None:
    notes = "| 1 G7b(full)+B8 2 . 3 D5+G7b(full)+B5 | 1 G7+B8b(1/2) 2 . 3 G7b(full)+B8b(1/2) 4 r+r"
    score = m21.converter.parseData(musicxml(over_form(one(notes)), staves="tab"))
    found = import_musicxml(Path(score.write("musicxml", tmp_path / "between.musicxml")))
    (only,) = found.phrase.parts
    assert write_line(only.strokes, only.bars) == notes


def test_a_vibrato_that_is_written_anew_under_a_tie_is_one(tmp_path: Path) -> None:
    both = '<ornaments><wavy-line type="stop"/><wavy-line type="start"/></ornaments>'
    bars = (
        xnote("1/8", 16, WAVY.format("start"), extra=TIE.format("start")),
        xnote("1/8", 16, both, extra=TIE.format("stop") + TIE.format("start")),
        xnote("1/8", 16, WAVY.format("stop"), extra=TIE.format("stop")),
    )
    assert line(document(*bars), tmp_path) == "| 1 e8~ | 1 - | 1 -"
    # A picked note has its own.
    picked = (bars[0].replace(TIE.format("start"), ""), xnote("1/8", 16, both))
    assert line(document(*picked), tmp_path) == "| 1 e8~ | 1 e8~"


CONTRADICTS = "fret that gives another note than its pitch; the fret was believed"


@pytest.mark.parametrize(
    ("notes", "first", "told"),
    [
        # The pitch of every note is a C; the eighth fret of the high string is one, too.
        (xnote("1/8", 16), "", 0),
        (xnote("1/7", 8) + xnote("2/5", 8), "", 2),
        (xnote("1/6", 8) + xnote("1/8", 8), "<staff-details><capo>2</capo></staff-details>", 0),
        # Some write the pitch that a bend reaches.
        (xnote("1/6", 16, "", "<bend><bend-alter>2</bend-alter></bend>"), "", 0),
        (xnote("1/6", 16, "", "<bend><bend-alter>1</bend-alter></bend>"), "", 1),
    ],
)
def test_a_fret_is_believed_and_not_its_pitch(
    notes: str, first: str, told: int, tmp_path: Path
) -> None:
    found = read(document(notes, first=first), tmp_path)
    assert [line for line in found.told if CONTRADICTS in line] == (
        [f"bar 1: {CONTRADICTS}"] if told else []
    )
    played_frets = [n.fret for s in found.phrase.strokes() for n in s.notes]
    assert played_frets == [int(fret) for fret in re.findall(r"<fret>(\d+)", notes)]
