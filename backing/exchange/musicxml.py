"""MusicXML 4.0 from written music: bars, keys, tempos, chords and the values of notes.

Conventions: pitches are as they sound, with a clef that reads an octave lower; a bent string has
its fretted pitch. What the hands do is in `backing.exchange.techniques`. What a phrase says of
itself and no element does stands in ``miscellaneous-field`` elements: its groove, its tips, over
how many beats exactly each part slows down where a ``rit.`` with dashes shows it.

References: MusicXML 4.0, W3C Community Group Final Report; its XML Schema says what is valid.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from xml.etree import ElementTree as ET

from backing.exchange.techniques import add, slide_ends, sway_ends, write_techniques
from backing.sheet.score import EVEN, Hairpin, Head, Measure, Score, ScoreEvent, Word
from phrases.fretboard import STANDARD, STRINGS, parse_tuning
from phrases.pitch import FLAT_NAMES

__all__ = ["KINDS", "SLOWING", "STAVES", "musicxml"]

STAVES = ("tab", "notation", "both")
SLOWING = "rit."
DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)

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


def musicxml(score: Score, *, staves: str = "tab") -> str:
    """Return written music as a MusicXML 4.0 document, the same for the same score.

    `staves` is one of `STAVES`: a tablature staff, a staff of notation, or one above the other
    with every note on both. Each has everything that the other has.
    """
    text = ET.tostring(_Writer(score, staves).document(), encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{DOCTYPE}{text}\n'


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a note is written."""

    staff: int
    event: ScoreEvent
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
        self.ends = sway_ends(score.measures)
        self.slides = slide_ends(score.measures)

    def document(self) -> ET.Element:
        root = ET.Element("score-partwise", version="4.0")
        add(add(root, "work"), "work-title", self.score.title)
        about = add(root, "identification")
        credits = self.score.credits
        if credits.author:
            add(about, "creator", credits.author, type="composer")
        if credits.rights:
            add(about, "rights", credits.rights)
        encoding = add(about, "encoding")
        if len(credits.date) == len("2026-05-01"):
            add(encoding, "encoding-date", credits.date)
        add(encoding, "software", "porchband")
        for element in ("accidental", "beam", "stem"):
            add(encoding, "supports", element=element, type="no")
        if credits.link:
            add(about, "source", credits.link)
        fields = add(about, "miscellaneous")
        for name, text in self._fields():
            add(fields, "miscellaneous-field", text, name=name)
        listed = add(add(root, "part-list"), "score-part", id="P1")
        add(listed, "part-name", "Guitar")
        part = add(root, "part", id="P1")
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
        yield from score.asides
        if score.parts:
            yield "parts", ", ".join(f"{role} {bars}" for role, bars in score.parts)
            if any(score.drags):
                yield "drag", ", ".join(f"{float(drag):.15g}" for drag in score.drags)
            if any(score.dynamics):
                yield "dynamics", ", ".join(word or "-" for word in score.dynamics)
        for remark in score.remarks:
            yield "tip", f"{remark.place}: {remark.text}" if remark.place else remark.text

    def _measure(self, part: ET.Element, measure: Measure, number: int) -> None:
        element = add(part, "measure", number=str(measure.number))
        if measure.number == 0:
            element.set("implicit", "yes")
        if number == 0:
            self._attributes(element)
            self._tempo(element)
        for staff in range(1, len(self.staves) + 1):
            if staff > 1:
                add(add(element, "backup"), "duration", self._duration(measure.beats))
            for event in measure.events:
                if staff == 1:
                    self._words(element, measure, event)
                self._event(element, event, staff)
            if staff == 1:
                self._spans(element, measure, measure.events[-1].end, None)
        if number + 1 == len(self.score.measures):
            add(add(element, "barline", location="right"), "bar-style", "light-heavy")

    def _attributes(self, measure: ET.Element) -> None:
        score = self.score
        attributes = add(measure, "attributes")
        add(attributes, "divisions", self.divisions)
        key = add(attributes, "key")
        add(key, "fifths", score.key.signature)
        add(key, "mode", score.key.mode)
        time = add(attributes, "time")
        add(time, "beats", score.meter.numerator)
        add(time, "beat-type", score.meter.denominator)
        two = len(self.staves) > 1
        if two:
            add(attributes, "staves", len(self.staves))
        for number, staff in enumerate(self.staves, 1):
            clef = add(attributes, "clef", **({"number": str(number)} if two else {}))
            tab = staff == "tab"
            add(clef, "sign", "TAB" if tab else "G")
            add(clef, "line", 5 if tab else 2)
            if not tab:
                add(clef, "clef-octave-change", -1)
        if "tab" in self.staves:
            number = self.staves.index("tab") + 1
            details = add(attributes, "staff-details", **({"number": str(number)} if two else {}))
            add(details, "staff-lines", len(STRINGS))
            tuned = parse_tuning(score.tuning or "standard")
            for line, string in enumerate(STRINGS, 1):
                tuning = add(details, "staff-tuning", line=str(line))
                pitch = STANDARD[string] + tuned[string]
                name = FLAT_NAMES[pitch % 12]
                add(tuning, "tuning-step", name[0])
                if name[1:]:
                    add(tuning, "tuning-alter", -1)
                add(tuning, "tuning-octave", pitch // 12 - 1)

    def _tempo(self, measure: ET.Element) -> None:
        score = self.score
        direction = add(measure, "direction", placement="above")
        metronome = add(add(direction, "direction-type"), "metronome")
        add(metronome, "beat-unit", "quarter")
        if score.meter.quarters != 1:
            add(metronome, "beat-unit-dot")
        add(metronome, "per-minute", f"{float(score.tempo):g}")
        if score.swung:
            add(add(direction, "direction-type"), "words", "Swing")
        sound = add(direction, "sound", tempo=f"{float(score.tempo * score.meter.quarters):g}")
        swing = add(sound, "swing")
        if score.meter.quarters == 1 and score.swing > EVEN:
            ratio = Fraction(score.swing).limit_denominator(20)
            add(swing, "first", ratio.numerator)
            add(swing, "second", ratio.denominator)
            add(swing, "swing-type", "eighth")
        else:
            add(swing, "straight")

    def _words(self, element: ET.Element, measure: Measure, event: ScoreEvent) -> None:
        """Write the part names and chords that stand at an event or, by an offset, within it."""
        for label in measure.labels:
            if event.at <= label.at < event.end:
                direction = add(element, "direction", placement="above")
                add(add(direction, "direction-type"), "rehearsal", label.text)
                self._offset(direction, label.at - event.at)
        self._spans(element, measure, event.at, event.end)
        for label in measure.chords:
            if event.at <= max(label.at, measure.start) < event.end:
                self._harmony(element, label, event)

    def _spans(
        self, element: ET.Element, measure: Measure, at: Fraction, until: Fraction | None
    ) -> None:
        """Write where slowing ends and hairpins begin and end, from a place until another one."""
        score = self.score
        every = (*score.within(score.slowings, measure), *score.within(score.hairpins, measure))
        ends = [
            (place, kind, one)
            for one in every
            for kind, wanted, place in (("stop", one.ends, one.end), ("start", one.begins, one.at))
            if wanted and place >= at and (until is None or place < until)
        ]
        # What stops at a place stops before something else begins there.
        for place, kind, one in sorted(ends, key=lambda end: (end[0], end[1] == "start")):
            direction = add(element, "direction", placement="above")
            if isinstance(one, Hairpin):
                way = "crescendo" if one.text == "cresc." else "diminuendo"
                sort = way if kind == "start" else "stop"
                add(add(direction, "direction-type"), "wedge", type=sort)
            else:
                if kind == "start":
                    add(add(direction, "direction-type"), "words", SLOWING)
                add(add(direction, "direction-type"), "dashes", type=kind, number="1")
            self._offset(direction, place - at)

    def _offset(self, element: ET.Element, beats: Fraction) -> None:
        if beats > 0:
            add(element, "offset", self._duration(beats))

    def _harmony(self, element: ET.Element, label: Word, event: ScoreEvent) -> None:
        name, _, bass = label.text.partition("/")
        root = name[: 1 + len(name[1:]) - len(name[1:].lstrip("b#"))]
        quality = name[len(root) :]
        harmony = add(element, "harmony")
        _note_name(add(harmony, "root"), "root", root)
        kind, degrees = KINDS[quality]
        shown = {"text": quality} if quality else {}
        add(harmony, "kind", kind, **shown)
        if bass:
            _note_name(add(harmony, "bass"), "bass", bass)
        for value, alter in degrees:
            degree = add(harmony, "degree", **{"print-object": "no"})
            add(degree, "degree-value", value)
            add(degree, "degree-alter", alter)
            add(degree, "degree-type", "add")
        self._offset(harmony, label.at - event.at)

    def _duration(self, beats: Fraction) -> str:
        value = beats * self.score.meter.quarters * self.divisions
        return str(value.numerator) if value.denominator == 1 else f"{float(value):.6f}"

    def _event(self, element: ET.Element, event: ScoreEvent, staff: int) -> None:
        if event.rest:
            note = add(element, "note")
            rest = add(note, "rest")
            if self._whole_bar(event):
                rest.set("measure", "yes")
            add(note, "duration", self._duration(event.beats))
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
        note = add(element, "note")
        if place.grace:
            add(note, "grace", slash="yes")
        if place.chord:
            add(note, "chord")
        pitch = add(note, "pitch")
        add(pitch, "step", head.spelling.step)
        if head.spelling.alter:
            add(pitch, "alter", head.spelling.alter)
        add(pitch, "octave", head.spelling.octave)
        if not place.grace:
            add(note, "duration", self._duration(place.event.beats))
        for kind, wanted in (("stop", head.tied), ("start", head.ties)):
            if wanted:
                add(note, "tie", type=kind)
        self._value(note, place, head)
        self._notations(note, head, place)
        if "pm" in head.marks:
            add(add(note, "play"), "mute", "palm")

    def _value(self, note: ET.Element, place: _Place, head: Head | None = None) -> None:
        event = place.event
        add(note, "voice", place.staff)
        if place.grace:
            add(note, "type", "16th")
        elif not self._whole_bar(event):
            add(note, "type", event.value)
            for _ in range(event.dots):
                add(note, "dot")
            if event.tuplet:
                change = add(note, "time-modification")
                add(change, "actual-notes", event.tuplet.actual)
                add(change, "normal-notes", event.tuplet.normal)
                add(change, "normal-type", event.tuplet.value)
        if head is not None and (head.fret is None or "ghost" in head.marks):
            shape = "x" if head.fret is None else "normal"
            notehead = add(note, "notehead", shape)
            if "ghost" in head.marks:
                notehead.set("parentheses", "yes")
        if len(self.staves) > 1:
            add(note, "staff", place.staff)

    def _whole_bar(self, event: ScoreEvent) -> bool:
        """Tell whether an event is the rest of a whole bar, which has no value."""
        full = event.beats == self.score.meter.beats
        return event.rest and full and event.value == "whole" and not event.dots

    def _notations(self, note: ET.Element, head: Head | None, place: _Place) -> None:
        notations = ET.Element("notations")
        tuplet = place.event.tuplet
        if tuplet and not place.chord and not place.grace:
            for kind, wanted in (("start", tuplet.start), ("stop", tuplet.stop)):
                if wanted:
                    add(notations, "tuplet", type=kind, number="1")
        if head is not None:
            half = Fraction(0) if place.grace else place.event.beats / 2
            ends = place.grace or id(head) in self.ends
            slides = self.slides.get(id(head), ())
            write_techniques(notations, head, self._duration(half), ends=ends, slides=slides)
        if len(notations):
            note.append(notations)


def _note_name(element: ET.Element, prefix: str, name: str) -> None:
    add(element, f"{prefix}-step", name[0])
    alter = name.count("#") - name[1:].count("b")
    if alter:
        add(element, f"{prefix}-alter", alter)
