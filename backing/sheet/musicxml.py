"""MusicXML 4.0 from written music: one guitar with strings, frets and techniques.

Conventions: pitches are as they sound, with a clef that reads an octave lower; a bent string has
its fretted pitch, and its bends and releases tell by how many semitones they differ from what was
before (a pre-bend and a release are negative, as the standard says). A trill's fret and whatever
else standard elements would not bring back stands in ``other-technical`` elements, in the words of
`OTHER` or, after ``moves:``, in the phrase language.

References: MusicXML 4.0, W3C Community Group Final Report; its XML Schema says what is valid.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import chain
from xml.etree import ElementTree as ET

from backing.sheet.score import EVEN, Event, Head, Label, Measure, Score
from phrases.fretboard import STANDARD, STRINGS
from phrases.phrase import Move, Phrase, bend_cents
from phrases.pitch import FLAT_NAMES

__all__ = ["KINDS", "LOST", "MOVES", "OTHER", "STAVES", "lost", "musicxml"]

STAVES = ("tab", "notation", "both")
DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)

# What stands in other-technical, since no element of the standard says it.
OTHER: dict[str, str] = {
    "rake": "rake",
    "slow": "slow bend",
    "supported": "supported bend",
    "late": "late",
}
LATE = " ms late"
MOVES = "moves: "  # and then techniques in the phrase language, in their order
# What a phrase file says that MusicXML has no place for.
LOST: dict[str, str] = {
    "lines": "over which lines of a form it is played",
    "behind": "how far behind the beat it lies",
    "tone": "the guitar's tone",
    "pick": "where it is picked",
    "drag": "the slowing end of a part",
    "muted": "how long a muted string is held, which nobody hears",
    "variations": "variations (write each on its own)",
}

KINDS: dict[str, tuple[str, tuple[tuple[int, int], ...]]] = {
    "": ("major", ()),
    "6": ("major-sixth", ()),
    "7": ("dominant", ()),
    "9": ("dominant-ninth", ()),
    "13": ("dominant-13th", ()),
    "7#9": ("dominant", ((9, 1),)),
    "7b9": ("dominant", ((9, -1),)),
    "maj7": ("major-seventh", ()),
    "m": ("minor", ()),
    "m6": ("minor-sixth", ()),
    "m7": ("minor-seventh", ()),
    "m9": ("minor-ninth", ()),
    "m7b5": ("half-diminished", ()),
    "dim7": ("diminished-seventh", ()),
}
JOINS = {"h": "hammer-on", "p": "pull-off"}
INTO = {"/": "scoop", "\\": "plop"}
OUT = {"/": "doit", "\\": "falloff"}


def lost(phrase: Phrase) -> list[str]:
    """Return what a phrase says that MusicXML has no place for, in the words of `LOST`."""
    plain = Phrase(phrase.title, phrase.key, phrase.groove, phrase.tempo, phrase.parts)
    found = [
        what
        for name, what in LOST.items()
        if hasattr(phrase, name) and getattr(phrase, name) != getattr(plain, name)
    ]
    return found + [LOST["drag"]] * any(part.drag for part in phrase.parts)


def musicxml(score: Score, *, staves: str = "tab") -> str:
    """Return written music as a MusicXML 4.0 document.

    Parameters
    ----------
    score
        What to write.
    staves
        One of `STAVES`: a tablature staff, a staff of notation, or one above the other with every
        note on both. Each has everything that the other has.

    Returns
    -------
    str
        The document, the same for the same score.
    """
    text = ET.tostring(_Writer(score, staves).document(), encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{DOCTYPE}{text}\n'


def moves_text(moves: Sequence[Move]) -> str:
    """Return techniques as the phrase language writes them, one after the other."""
    return "".join(
        f"{move.sign}({move.size})"
        if move.size is not None
        else move.sign + ("" if move.fret is None else str(move.fret))
        for move in moves
    )


def standard_moves(head: Head) -> tuple[Move, ...]:
    """Return the moves of a head as a reader of the standard elements alone finds them."""
    bends = [move for move in head.moves if move.sign in ("b", "pb", "r")]
    found = []
    for move in bends:
        cents = bend_cents(move, head.fret or 0)
        size = SIZES.get(cents) if cents else None
        found.append(Move(move.sign, size=size))
    if head.sway and any(move.sign == head.sway for move in head.moves):
        found.append(Move("~"))
    out = [move for move in head.moves if move.fret is None and move.sign in OUT]
    return (*found, *(Move(move.sign) for move in out if move.at is None))


SIZES = {50: "1/4", 100: "1/2", 200: "full", 300: "3/2"}


def _add(parent: ET.Element, tag: str, content: object = None, **attributes: str) -> ET.Element:
    element = ET.SubElement(parent, tag, attributes)
    if content is not None:
        element.text = str(content)
    return element


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a note is written."""

    staff: int
    event: Event
    chord: bool
    grace: bool = False


class _Writer:
    def __init__(self, score: Score, staves: str) -> None:
        self.score = score
        self.staves = ("notation", "tab") if staves == "both" else (staves,)
        lengths = [
            event.beats * score.meter.quarters
            for measure in score.measures
            for event in measure.events
        ]
        self.divisions = math.lcm(*(length.denominator for length in lengths), 2)
        self.ends = _sway_ends(score.measures)

    def document(self) -> ET.Element:
        root = ET.Element("score-partwise", version="4.0")
        _add(_add(root, "work"), "work-title", self.score.title)
        about = _add(root, "identification")
        encoding = _add(about, "encoding")
        _add(encoding, "software", "porchband")
        for element in ("accidental", "beam", "stem"):
            _add(encoding, "supports", element=element, type="no")
        fields = _add(about, "miscellaneous")
        for name, text in self._fields():
            _add(fields, "miscellaneous-field", text, name=name)
        listed = _add(_add(root, "part-list"), "score-part", id="P1")
        _add(listed, "part-name", "Guitar")
        part = _add(root, "part", id="P1")
        for number, measure in enumerate(self.score.measures):
            self._measure(part, measure, number)
        ET.indent(root, " ")
        return root

    def _fields(self) -> Iterator[tuple[str, str]]:
        score = self.score
        if score.groove:
            yield "groove", score.groove
        if score.scale:
            yield "scale", score.scale
        if score.level:
            yield "level", score.level
        if score.tags:
            yield "tags", ", ".join(score.tags)
        if score.parts:
            yield "parts", ", ".join(f"{role} {bars}" for role, bars in score.parts)
        for remark in score.remarks:
            yield "tip", f"{remark.place}: {remark.text}" if remark.place else remark.text

    def _measure(self, part: ET.Element, measure: Measure, number: int) -> None:
        element = _add(part, "measure", number=str(measure.number))
        if measure.number == 0:
            element.set("implicit", "yes")
        if number == 0:
            self._attributes(element)
            self._tempo(element)
        for staff in range(1, len(self.staves) + 1):
            if staff > 1:
                _add(_add(element, "backup"), "duration", self._duration(measure.beats))
            for event in measure.events:
                if staff == 1:
                    self._words(element, measure, event)
                self._event(element, event, staff)
        if number + 1 == len(self.score.measures):
            _add(_add(element, "barline", location="right"), "bar-style", "light-heavy")

    def _attributes(self, measure: ET.Element) -> None:
        score = self.score
        attributes = _add(measure, "attributes")
        _add(attributes, "divisions", self.divisions)
        key = _add(attributes, "key")
        _add(key, "fifths", score.key.signature)
        _add(key, "mode", score.key.mode)
        time = _add(attributes, "time")
        _add(time, "beats", score.meter.numerator)
        _add(time, "beat-type", score.meter.denominator)
        two = len(self.staves) > 1
        if two:
            _add(attributes, "staves", len(self.staves))
        for number, staff in enumerate(self.staves, 1):
            clef = _add(attributes, "clef", **({"number": str(number)} if two else {}))
            tab = staff == "tab"
            _add(clef, "sign", "TAB" if tab else "G")
            _add(clef, "line", 5 if tab else 2)
            if not tab:
                _add(clef, "clef-octave-change", -1)
        if "tab" in self.staves:
            number = self.staves.index("tab") + 1
            details = _add(attributes, "staff-details", **({"number": str(number)} if two else {}))
            _add(details, "staff-lines", len(STRINGS))
            for line, string in enumerate(STRINGS, 1):
                tuning = _add(details, "staff-tuning", line=str(line))
                pitch = STANDARD[string]
                _add(tuning, "tuning-step", FLAT_NAMES[pitch % 12])
                _add(tuning, "tuning-octave", pitch // 12 - 1)

    def _tempo(self, measure: ET.Element) -> None:
        score = self.score
        direction = _add(measure, "direction", placement="above")
        metronome = _add(_add(direction, "direction-type"), "metronome")
        _add(metronome, "beat-unit", "quarter")
        if score.meter.quarters != 1:
            _add(metronome, "beat-unit-dot")
        _add(metronome, "per-minute", f"{float(score.tempo):g}")
        if score.swung:
            _add(_add(direction, "direction-type"), "words", "Swing")
        sound = _add(direction, "sound", tempo=f"{float(score.tempo * score.meter.quarters):g}")
        swing = _add(sound, "swing")
        if score.meter.quarters == 1 and score.swing > EVEN:
            ratio = Fraction(score.swing).limit_denominator(20)
            _add(swing, "first", ratio.numerator)
            _add(swing, "second", ratio.denominator)
            _add(swing, "swing-type", "eighth")
        else:
            _add(swing, "straight")

    def _words(self, element: ET.Element, measure: Measure, event: Event) -> None:
        """Write the part names and chords that stand at an event or, by an offset, within it."""
        for label in measure.labels:
            if event.at <= label.at < event.end:
                direction = _add(element, "direction", placement="above")
                _add(_add(direction, "direction-type"), "rehearsal", label.text)
                self._offset(direction, label, event)
        for label in measure.chords:
            if event.at <= max(label.at, measure.start) < event.end:
                self._harmony(element, label, event)

    def _offset(self, element: ET.Element, label: Label, event: Event) -> None:
        if label.at > event.at:
            _add(element, "offset", self._duration(label.at - event.at))

    def _harmony(self, element: ET.Element, label: Label, event: Event) -> None:
        name, _, bass = label.text.partition("/")
        root = name[: 1 + len(name[1:]) - len(name[1:].lstrip("b#"))]
        quality = name[len(root) :]
        harmony = _add(element, "harmony")
        _note_name(_add(harmony, "root"), "root", root)
        kind, degrees = KINDS[quality]
        shown = {"text": quality} if quality else {}
        _add(harmony, "kind", kind, **shown)
        if bass:
            _note_name(_add(harmony, "bass"), "bass", bass)
        for value, alter in degrees:
            degree = _add(harmony, "degree", **{"print-object": "no"})
            _add(degree, "degree-value", value)
            _add(degree, "degree-alter", alter)
            _add(degree, "degree-type", "add")
        self._offset(harmony, label, event)

    def _duration(self, beats: Fraction) -> str:
        value = beats * self.score.meter.quarters * self.divisions
        return str(value.numerator) if value.denominator == 1 else f"{float(value):g}"

    def _event(self, element: ET.Element, event: Event, staff: int) -> None:
        if event.rest:
            note = _add(element, "note")
            rest = _add(note, "rest")
            if self._whole_bar(event):
                rest.set("measure", "yes")
            _add(note, "duration", self._duration(event.beats))
            self._value(note, _Place(staff, event, chord=False))
            self._notations(note, None, _Place(staff, event, chord=False))
            return
        columns = max(len(head.graces) for head in event.heads)
        for column in range(-columns, 0):
            first = True
            for head in event.heads:
                if len(head.graces) >= -column:
                    place = _Place(staff, event, chord=not first, grace=True)
                    self._note(element, head.graces[column], place)
                    first = False
        for number, head in enumerate(event.heads):
            self._note(element, head, _Place(staff, event, chord=number > 0))

    def _note(self, element: ET.Element, head: Head, place: _Place) -> None:
        note = _add(element, "note")
        if place.grace:
            _add(note, "grace", slash="yes")
        if place.chord:
            _add(note, "chord")
        pitch = _add(note, "pitch")
        _add(pitch, "step", head.spelling.step)
        if head.spelling.alter:
            _add(pitch, "alter", head.spelling.alter)
        _add(pitch, "octave", head.spelling.octave)
        if not place.grace:
            _add(note, "duration", self._duration(place.event.beats))
        for kind, wanted in (("stop", head.tied), ("start", head.ties)):
            if wanted:
                _add(note, "tie", type=kind)
        self._value(note, place, head)
        self._notations(note, head, place)
        if "pm" in head.marks:
            _add(_add(note, "play"), "mute", "palm")

    def _value(self, note: ET.Element, place: _Place, head: Head | None = None) -> None:
        event = place.event
        _add(note, "voice", place.staff)
        if place.grace:
            _add(note, "type", "16th")
        elif not self._whole_bar(event):
            _add(note, "type", event.value)
            for _ in range(event.dots):
                _add(note, "dot")
            if event.tuplet:
                change = _add(note, "time-modification")
                _add(change, "actual-notes", event.tuplet.actual)
                _add(change, "normal-notes", event.tuplet.normal)
                _add(change, "normal-type", event.tuplet.value)
        if head is not None and (head.fret is None or "ghost" in head.marks):
            shape = "x" if head.fret is None else "normal"
            notehead = _add(note, "notehead", shape)
            if "ghost" in head.marks:
                notehead.set("parentheses", "yes")
        if len(self.staves) > 1:
            _add(note, "staff", place.staff)

    def _whole_bar(self, event: Event) -> bool:
        """Tell whether an event is the rest of a whole bar, which has no value."""
        full = event.beats == self.score.meter.beats
        return event.rest and full and event.value == "whole" and not event.dots

    def _notations(self, note: ET.Element, head: Head | None, place: _Place) -> None:
        notations = ET.Element("notations")
        tuplet = place.event.tuplet
        if tuplet and not place.chord and not place.grace:
            for kind, wanted in (("start", tuplet.start), ("stop", tuplet.stop)):
                if wanted:
                    _add(notations, "tuplet", type=kind, number="1")
        if head is not None:
            self._marks(notations, head, place)
        if len(notations):
            note.append(notations)

    def _marks(self, notations: ET.Element, head: Head, place: _Place) -> None:
        number = str(len(STRINGS) - STRINGS.index(head.string))
        links = (("stop", head.link), ("start", head.leads))
        for kind, wanted in (("stop", head.tied), ("start", head.ties)):
            if wanted:
                _add(notations, "tied", type=kind)
        if "ring" in head.marks:
            _add(notations, "tied", type="let-ring")
        for kind, sign in links:
            if sign:
                _add(notations, "slur", type=kind, number=number)
        for kind, sign in links:
            if sign in ("/", "\\"):
                _add(notations, "slide", type=kind, number=number, **{"line-type": "solid"})
        self._ornaments(notations, head, place)
        technical = _add(notations, "technical")
        for mark in head.marks:
            if mark in ("d", "u"):
                _add(technical, "down-bow" if mark == "d" else "up-bow")
            elif mark in ("1", "2", "3", "4"):
                _add(technical, "fingering", mark)
        _add(technical, "string", number)
        _add(technical, "fret", head.fret or 0)
        for kind, sign in links:
            if sign in JOINS:
                text = sign.upper() if kind == "start" else None
                _add(technical, JOINS[sign], text, type=kind, number=number)
        self._bends(technical, head, place)
        for mark in head.marks:
            if mark in OTHER:
                _add(technical, "other-technical", OTHER[mark])
            elif mark.endswith("ms"):
                _add(technical, "other-technical", mark.removesuffix("ms") + LATE)
        if tuple(replace(move, at=None) for move in head.moves) != standard_moves(head):
            _add(technical, "other-technical", MOVES + moves_text(head.moves))
        articulations = ET.Element("articulations")
        for mark, tag in (("accent", "accent"), ("short", "staccato")):
            if mark in head.marks:
                _add(articulations, tag)
        if head.into:
            _add(articulations, INTO[head.into])
        if head.out:
            _add(articulations, OUT[head.out])
        if len(articulations):
            notations.append(articulations)

    def _ornaments(self, notations: ET.Element, head: Head, place: _Place) -> None:
        ornaments = ET.Element("ornaments")
        if any(move.sign == "tr" for move in head.moves):
            _add(ornaments, "trill-mark")
        number = str(len(STRINGS) - STRINGS.index(head.string))
        if head.sway and any(move.sign == head.sway for move in head.moves):
            _add(ornaments, "wavy-line", type="start", number=number)
        if head.sway and (place.grace or id(head) in self.ends):
            _add(ornaments, "wavy-line", type="stop", number=number)
        if "tremolo" in head.marks:
            _add(ornaments, "tremolo", 3, type="single")
        if len(ornaments):
            notations.append(ornaments)

    def _bends(self, technical: ET.Element, head: Head, place: _Place) -> None:
        before = head.bent
        for number, move in enumerate(head.moves):
            if move.sign not in ("b", "pb", "r"):
                continue
            after = bend_cents(move, head.fret or 0)
            bend = _add(technical, "bend")
            change = after - before if move.sign != "pb" else -after
            _add(bend, "bend-alter", f"{change / 100:g}")
            if move.sign == "pb":
                _add(bend, "pre-bend")
            if move.sign == "r":
                late = place.event.beats / 2 if number and not place.grace else Fraction(0)
                _add(bend, "release", offset=self._duration(late))
            before = after


def _note_name(element: ET.Element, prefix: str, name: str) -> None:
    _add(element, f"{prefix}-step", name[0])
    alter = name.count("#") - name[1:].count("b")
    if alter:
        _add(element, f"{prefix}-alter", alter)


def _sway_ends(measures: Sequence[Measure]) -> set[int]:
    """Return the ids of the heads in which a vibrato ends."""
    events = list(chain.from_iterable(measure.events for measure in measures))
    ends = set()
    for number, event in enumerate(events):
        following = events[number + 1].heads if number + 1 < len(events) else ()
        for head in event.heads:
            after = next((one.chain[0] for one in following if one.string == head.string), None)
            on = after is not None and after.tied and after.sway == head.sway and not after.moves
            if head.sway and not on:
                ends.add(id(head))
    return ends
