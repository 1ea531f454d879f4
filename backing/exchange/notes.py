"""The notes of a MusicXML part: what each note element says of strings, frets and techniques.

Conventions: positions and lengths are exact quarter notes from the start of the measure; strings
are those of `phrases.fretboard`. Elements that mean nothing to a phrase are counted by name.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from xml.etree import ElementTree as ET

from backing.exchange.techniques import INTO, JOINS, LATE, MOVES, OTHER, OUT, of_element
from backing.sheet.values import VALUES
from phrases.pitch import NATURAL
from phrases.techniques import MARKS, mark

__all__ = ["LONGEST", "XmlBend", "XmlNote", "XmlPlace", "length_of", "read_xml_note"]

WORDS = {text: name for name, text in OTHER.items()}
SLID_IN = {tag: sign for sign, tag in INTO.items()}
SLID_OUT = {tag: sign for sign, tag in OUT.items()}
SAID = {"strong-accent": "accent", "staccatissimo": "short"} | {
    one.element[0]: name
    for name, one in MARKS.items()
    if len(one.element) == 1 and not one.element[0].startswith("tremolo")  # of one note, or two
}
TOUCHED = {one.element: name for name, one in MARKS.items() if len(one.element) > 1}
MOST_DOTS = 4
LONGEST = 20  # letters of a number; more are none
SILENT = {
    "string", "fret", "open-string", "tuplet", "tied", "slur", "wavy-line", "technical",
    "ornaments", "articulations", "accidental-mark",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class XmlBend:
    """One bend element: by how many cents, and what kind."""

    cents: int
    pre: bool = False
    release: bool = False


@dataclass(slots=True)
class XmlPlace:
    """A string and a fret, 0 and None where the file does not say, and how it is bent."""

    line: int
    fret: int | None = None
    bends: list[XmlBend] = field(default_factory=list)


@dataclass(slots=True)
class XmlNote:
    """One note element that is no rest."""

    bar: str = ""  # the number of its bar in the file
    # `line`, `fret`: the string as the file counts it, 1 the highest, and the fret; 0 and None
    # where the file does not say.
    line: int = 0
    string: str = ""  # one of `phrases.fretboard.STRINGS`; empty until it is found
    fret: int | None = None
    # All strings and frets at the note, each with the bends that follow it: one note may have
    # those of its whole chord.
    places: list[XmlPlace] = field(default_factory=list)
    pitch: int | None = None  # as it is written in the file, a MIDI number; None without one
    # `muted` to `chord`: its head is a cross; it has no length; it sounds with the note before.
    muted: bool = False
    grace: bool = False
    chord: bool = False
    tied: bool = False  # whether a tie ends here
    # `slid` to `slurred`: whether a slide, a hammer-on or its like, or a slur arrives here; a slur
    # may have come over several notes. `by` is the element of the first two.
    slid: bool = False
    joined: bool = False
    slurred: bool = False
    by: str = ""
    leaves: bool = False  # and `joins`: whether a slide begins here, or a hammer-on or a pull-off
    joins: bool = False
    # `slurs` and `waves`: kinds and numbers of slurs and of vibrato lines that begin and end here.
    slurs: list[tuple[str, str]] = field(default_factory=list)
    waves: list[tuple[str, str]] = field(default_factory=list)
    # `bends`, `ways`, `into`, `out`, `trill`, `sways`, `others`: what happens here: bends in
    # order; the text after ``moves:`` of our own files; slides from and to nowhere; whether there
    # is a trill, whether a vibrato begins, and signs of other techniques.
    bends: list[XmlBend] = field(default_factory=list)
    ways: str = ""
    into: str = ""
    out: str = ""
    trill: bool = False
    sways: bool = False
    wide: bool = False
    others: list[str] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)  # keys of `phrases.techniques.MARKS`
    unknown: list[str] = field(default_factory=list)  # names of what a phrase cannot say


def length_of(element: ET.Element, divisions: Fraction) -> Fraction:
    """Return the length of a note element in quarters, 0 for a grace note.

    Where a program has rounded its duration, the written value is taken.
    """
    raw = element.findtext("duration")
    if element.find("grace") is not None or raw is None:
        return Fraction(0)
    told = number(raw)
    value = VALUES.get((element.findtext("type") or "").strip())
    if value is None:
        return told / divisions
    dots = min(len(element.findall("dot")), MOST_DOTS)
    written = 4 * value * (2 - Fraction(1, 2**dots))
    change = element.find("time-modification")
    if change is not None:
        normal, actual = (
            number(change.findtext(tag) or "1") for tag in ("normal-notes", "actual-notes")
        )
        written *= normal / (actual or 1)
    return written if abs(written * divisions - told) <= 1 else told / divisions


def number(text: str) -> Fraction:
    """Return a number of a file; 0 where it is none."""
    text = text.strip()
    try:
        return Fraction(text) if len(text) < LONGEST and "e" not in text.lower() else Fraction(0)
    except (ValueError, ZeroDivisionError):
        return Fraction(0)


def read_xml_note(element: ET.Element, bar: str = "") -> XmlNote:
    """Read a note element that is no rest, from a bar of some number."""
    note = XmlNote(
        bar=bar,
        grace=element.find("grace") is not None,
        chord=element.find("chord") is not None,
        pitch=_pitch(element.find("pitch")),
    )
    head = element.find("notehead")
    if head is not None:
        shape = (head.text or "").strip()
        note.muted = shape == "x"
        if shape not in ("x", "normal", "none", ""):
            note.unknown.append(f"note head {shape:.20}")
        if head.get("parentheses") == "yes":
            note.marks.append("ghost")
    note.tied = any(tie.get("type") == "stop" for tie in element.findall("tie"))
    for mute in element.iterfind("play/mute"):
        if mute.text == "palm":
            note.marks.append("pm")
        elif mute.text not in ("off", None):
            note.unknown.append("mute")
    note.unknown += ["lyric"] * (element.find("lyric") is not None)
    for notations in element.findall("notations"):
        for child in notations:
            _take(note, child)
            if child.tag in ("technical", "ornaments", "articulations"):
                for inner in child:
                    _take(note, inner)
    if note.muted:
        note.fret = None
    return note


def _pitch(element: ET.Element | None) -> int | None:
    if element is None:
        return None
    step = (element.findtext("step") or "C").strip()
    alter = int(number(element.findtext("alter") or "0"))
    octave = int(number(element.findtext("octave") or "4"))
    return 12 * (octave + 1) + NATURAL.get(step, 0) + alter


def _take(note: XmlNote, child: ET.Element) -> None:
    sign = of_element(child)
    if sign:
        note.others.append(sign)
        return
    tag, kind = child.tag, child.get("type", "")
    text = (child.text or "").strip()
    if tag in JOINS.values() and kind != "start":
        note.by = tag
    if tag == "string":
        note.line = max(0, int(number(text)))
        note.places.append(XmlPlace(note.line))
    elif tag == "fret":
        note.fret = max(0, int(number(text)))
        if note.places and note.places[-1].fret is None:
            note.places[-1].fret = note.fret
    elif tag == "tied":
        note.tied |= kind == "stop"
        if kind == "let-ring":
            note.marks.append("ring")
    elif tag == "slur":
        note.slurs.append((kind, child.get("number", "1")))
    elif tag in ("slide", "glissando"):
        note.slid |= kind == "stop"
        note.leaves |= kind == "start"
    elif tag in JOINS.values():
        note.joined |= kind != "start"
        note.joins |= kind == "start"
    elif tag == "bend":
        _take_bend(note, child)
    elif tag == "trill-mark":
        note.trill = True
    elif tag == "wavy-line":
        note.waves.append((kind, child.get("number", "1")))
    elif tag == "tremolo" and kind in ("", "single", "unmeasured"):
        note.marks.append("tremolo")
    elif said := SAID.get(tag) or SAID.get(f"{tag}:{text}"):
        note.marks.append(said)
    elif any(tag == told[0] for told in TOUCHED):
        inside = {tag, *(one.tag for one in child)}
        known = [name for told, name in TOUCHED.items() if {*told} <= inside]
        note.marks += known[:1]
        note.unknown += [] if known else [tag]
    elif tag in SLID_IN:
        note.into = SLID_IN[tag]
    elif tag in SLID_OUT:
        note.out = SLID_OUT[tag]
    elif tag == "other-technical":
        _take_other(note, text)
    elif tag not in SILENT:
        note.unknown.append(f"{tag} {text:.20}" if tag == "fingering" else tag)


def _take_bend(note: XmlNote, child: ET.Element) -> None:
    cents = round(100 * number(child.findtext("bend-alter") or "0"))
    if child.find("with-bar") is not None:
        note.unknown.append("bend by the bar")
        return
    bend = XmlBend(cents, child.find("pre-bend") is not None, child.find("release") is not None)
    note.bends.append(bend)
    if note.places:
        note.places[-1].bends.append(bend)


def _take_other(note: XmlNote, text: str) -> None:
    late = text.removesuffix(LATE) + "ms"
    if text.startswith(MOVES):
        note.ways = text.removeprefix(MOVES)
    elif text in WORDS:
        note.marks.append(WORDS[text])
    elif text.endswith(LATE) and mark(late):
        note.marks.append(late)
    else:
        note.unknown.append(f'"{text[:40]}"')
