"""One part of a MusicXML file, from its first bar to its last: meter, key, tempo and voices.

Conventions: positions are felt beats from bar one, so a short first bar lies below zero.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from xml.etree import ElementTree as ET

from backing.exchange.notes import LONGEST, NATURALS, XmlNote, length_of, number, read_note
from backing.exchange.unwriting import XmlEvent
from phrases.counting import METERS, Meter
from phrases.errors import ChoiceError, Problem, RangeError, TextFileError
from phrases.fretboard import STANDARD, STRINGS
from phrases.pitch import FLAT_NAMES, MAJOR_KEYS, MINOR_KEYS, Key

__all__ = ["PartReader"]

MOST_BARS = 256  # far more than a phrase has, read in a moment
MOST_IN_BAR = 1000  # notes, rests and whatever else stands in one bar
UNSAID = ("repeat", "ending", "dynamics", "wedge", "segno", "coda", "octave-shift")
_SLOWER = re.compile(r"\b(rit|ritard|ritardando|riten|ritenuto|rall|rallentando)\b", re.I)
_IN_TIME = re.compile(r"\b(a tempo|tempo primo|tempo i)\b", re.I)
_SWING = re.compile(r"\b(swing|swung|shuffle)\b", re.I)


@dataclass(slots=True)
class PartReader:
    """What a part element says.

    Attributes
    ----------
    element, path
        What to read, and the file's name for messages.
    meter, key, tempo, swing
        The first of each; tempo in felt beats a minute, swing long to short.
    bars
        How many there are, a short first bar not counted.
    events
        By staff and voice.
    labels
        Rehearsal marks with their beats.
    slower, in_time
        The beats at which it begins to slow down, and those at which a mark says that it ends.
    capo
        The fret it is at, 0 for none.
    tabs
        Staves with a tablature clef.
    told
        What cannot be carried over, counted by a few words.

    Raises
    ------
    ChoiceError
        If it is in another tuning.
    RangeError
        If a bar is longer than its meter, or in another than 4/4 and 12/8.
    TextFileError
        If there are no bars.
    """

    element: ET.Element
    path: str
    meter: Meter | None = None
    key: Key | None = None
    tempo: Fraction | None = None
    swing: Fraction | None = None
    bars: int = 0
    events: dict[tuple[str, str], list[XmlEvent]] = field(default_factory=dict)
    labels: list[tuple[Fraction, str]] = field(default_factory=list)
    slower: list[Fraction] = field(default_factory=list)
    in_time: list[Fraction] = field(default_factory=list)
    told: Counter[str] = field(default_factory=Counter)
    tabs: set[str] = field(default_factory=set)
    divisions: Fraction = Fraction(1)
    capo: int = 0
    farthest: Fraction = Fraction(0)

    def __post_init__(self) -> None:
        measures = self.element.findall("measure")
        if not measures:
            raise TextFileError(self.path, (Problem("the part has no bars"),))
        if len(measures) > MOST_BARS:
            raise RangeError(
                f"{self.path}: {len(measures)} bars: at most {MOST_BARS} are read; export those "
                "of the phrase alone"
            )
        at = Fraction(0)
        for order, measure in enumerate(measures):
            at = self._measure(measure, at, order)
        assert self.meter is not None
        self.bars = int(at // self.meter.beats)

    def _wrong(self, measure: ET.Element, message: str) -> RangeError:
        return RangeError(f"{self.path}: bar {measure.get('number', '?')}: {message}")

    def _measure(self, measure: ET.Element, at: Fraction, order: int) -> Fraction:
        """Read one bar that starts at a beat; return where the next one does."""
        if len(measure) > MOST_IN_BAR:
            raise self._wrong(measure, f"it holds {len(measure)} elements, at most {MOST_IN_BAR}")
        for attributes in measure.findall("attributes"):
            self._attributes(attributes, measure)
        if self.meter is None:
            self.meter = METERS["4/4"]
            self.told["no time signature; taken as 4/4"] += 1
        begun = {voice: len(events) for voice, events in self.events.items()}
        labelled = len(self.labels)
        slowed = [(found, len(found)) for found in (self.slower, self.in_time)]
        self._contents(measure, at)
        full = Fraction(self.meter.beats)
        length = self.farthest - at
        if length > full:
            raise self._wrong(measure, f"it is longer than its meter, {self.meter}")
        pickup = order == 0 and (0 < length < full or measure.get("number") == "0")
        if not pickup:
            self.told["bar shorter than its meter, filled up with rests"] += 0 < length < full
            return at + full
        for voice, events in self.events.items():
            for event in events[begun.get(voice, 0) :]:
                event.at, event.end = event.at - length, event.end - length
        self.labels[labelled:] = [(when - length, text) for when, text in self.labels[labelled:]]
        for found, before in slowed:
            found[before:] = [when - length for when in found[before:]]
        return at

    def _contents(self, measure: ET.Element, at: Fraction) -> None:
        assert self.meter is not None
        quarters = self.meter.quarters
        now = self.farthest = at
        graces: list[list[XmlNote]] = []
        for child in measure:
            tag = child.tag
            if tag in ("backup", "forward"):
                length = number(child.findtext("duration") or "0") / self.divisions / quarters
                now += length if tag == "forward" else -length
            elif tag == "note":
                now = self._note(child, now, graces, measure)
            elif tag in ("direction", "sound", "barline"):
                self._direction(child, now, measure)
            elif tag == "harmony":
                self.told["chord symbol (the form gives the chords)"] += 1
            self.farthest = max(self.farthest, now)
        self.told["grace note after the last note of a bar"] += len(graces)

    def _note(
        self, child: ET.Element, now: Fraction, graces: list[list[XmlNote]], measure: ET.Element
    ) -> Fraction:
        assert self.meter is not None
        staff, voice = (child.findtext("staff") or "1").strip(), child.findtext("voice") or "1"
        events = self.events.setdefault((staff, voice.strip()), [])
        length = length_of(child, self.divisions) / self.meter.quarters
        if child.find("cue") is not None:
            self.told["cue note"] += 1
            return now + length
        if child.find("rest") is not None:
            events.append(XmlEvent(now, now + length))
            return now + length
        if child.find("unpitched") is not None:
            self.told["note without a pitch"] += 1
            return now + length * (child.find("chord") is None)
        note = read_note(child)
        self.told += note.unknown
        if note.string.startswith("string "):
            raise self._wrong(
                measure, f"{note.string:.20}: a guitar has strings 1 to {len(STRINGS)}"
            )
        if note.grace:
            if note.chord and graces:
                graces[-1].append(note)
            else:
                graces.append([note])
        elif note.chord and events and events[-1].notes:
            events[-1].notes.append(note)
        elif length > 0:
            events.append(XmlEvent(now, now + length, [note], list(graces)))
            graces.clear()
            return now + length
        return now

    def _attributes(self, attributes: ET.Element, measure: ET.Element) -> None:
        raw = attributes.findtext("divisions")
        if raw is not None:
            self.divisions = number(raw)
            if self.divisions <= 0:
                what = f'divisions "{raw:.20}" must be a number more than 0'
                raise self._wrong(measure, f"{what}, of fewer than {LONGEST} digits")
        time = attributes.find("time")
        if time is not None:
            self._time(time, measure)
        for clef in attributes.findall("clef"):
            if (clef.findtext("sign") or "").strip() == "TAB":
                self.tabs.add(clef.get("number", "1"))
        key = attributes.find("key")
        if key is not None:
            self._key(key)
        for details in attributes.findall("staff-details"):
            self._tuning(details)
        capo = int(number(attributes.findtext("staff-details/capo") or "0"))
        self.told["capo: frets count from it"] += bool(capo)
        self.capo = capo or self.capo

    def _time(self, time: ET.Element, measure: ET.Element) -> None:
        text = f"{time.findtext('beats')}/{time.findtext('beat-type')}"
        if text not in METERS:
            raise self._wrong(measure, f"meter {text:.20}: a phrase is in {' or '.join(METERS)}")
        if self.meter not in (None, METERS[text]):
            raise self._wrong(measure, "the meter changes; a phrase keeps one")
        self.meter = METERS[text]

    def _key(self, key: ET.Element) -> None:
        fifths = int(number(key.findtext("fifths") or "0"))
        minor = (key.findtext("mode") or "").strip() == "minor"
        if not -7 <= fifths <= 7:
            self.told[f"key signature of {abs(fifths)} accidentals"] += 1
            return
        found = Key(
            (MINOR_KEYS if minor else MAJOR_KEYS)[fifths + 7], "minor" if minor else "major"
        )
        if self.key not in (None, found):
            self.told["change of key"] += 1
            return
        self.key = found

    def _tuning(self, details: ET.Element) -> None:
        """Refuse any tuning but the standard one, in whichever octave it is written."""
        found = {}
        for tuning in details.findall("staff-tuning"):
            step = (tuning.findtext("tuning-step") or "E").strip()
            alter = int(number(tuning.findtext("tuning-alter") or "0"))
            octave = int(number(tuning.findtext("tuning-octave") or "0"))
            line = int(number(tuning.get("line", "0")))
            found[line] = 12 * (octave + 1) + NATURALS.get(step, 0) + alter
        if not found:
            return
        standard = {line: STANDARD[string] for line, string in enumerate(STRINGS, 1)}
        shifts = {found[line] - standard.get(line, 0) for line in found}
        if set(found) - set(standard) or len(shifts) > 1 or min(shifts) % 12:
            told = " ".join(FLAT_NAMES[found[line] % 12] for line in sorted(found))
            raise ChoiceError(
                f"{self.path}: tuned {told} from low to high; phrases are in standard tuning, "
                "E A D G B E"
            )

    def _direction(self, child: ET.Element, now: Fraction, measure: ET.Element) -> None:
        assert self.meter is not None
        sound = child if child.tag == "sound" else child.find("sound")
        if sound is not None:
            self._sound(sound)
        offset = number(child.findtext("offset") or "0") / self.divisions / self.meter.quarters
        for words in child.iterfind("direction-type/rehearsal"):
            self.labels.append((now + offset, (words.text or "").strip()))
        if self.tempo is None:
            self._metronome(child)
        for words in child.iter("words"):
            text = " ".join((words.text or "").split())
            if _SWING.search(text):
                self.swing = self.swing or Fraction(2)
            elif _SLOWER.search(text):
                self.slower.append(now + offset)
            elif _IN_TIME.search(text):
                self.in_time.append(now + offset)
            elif text:
                self.told[f'words "{text[:40]}"'] += 1
        lines = [
            *child.iterfind("direction-type/dashes"),
            *child.iterfind("direction-type/bracket[@line-type='dashed']"),
        ]
        if any(line.get("type") == "stop" for line in lines):
            self.in_time.append(now + offset)
        for tag in UNSAID:
            self.told[tag] += sum(1 for _ in child.iter(tag))

    def _sound(self, sound: ET.Element) -> None:
        tempo = number(sound.get("tempo", "0"))
        if tempo and self.meter is not None:
            felt = tempo / self.meter.quarters
            self.told["change of tempo"] += self.tempo not in (None, felt)
            self.tempo = self.tempo or felt
        swing = sound.find("swing")
        if swing is not None and self.swing is None:
            second = number(swing.findtext("second") or "1")
            first = number(swing.findtext("first") or "1")
            self.swing = first / second if second > 0 else Fraction(1)

    def _metronome(self, child: ET.Element) -> None:
        mark = child.find("direction-type/metronome")
        if mark is None or self.meter is None:
            return
        found = re.search(r"\d+(?:\.\d+)?", mark.findtext("per-minute") or "")
        lengths = {"eighth": Fraction(1, 2), "quarter": Fraction(1), "half": Fraction(2)}
        unit = lengths.get((mark.findtext("beat-unit") or "").strip())
        if found and unit:
            dotted = Fraction(3, 2) if mark.find("beat-unit-dot") is not None else 1
            self.tempo = number(found[0]) * unit * dotted / self.meter.quarters

    def voice(self) -> list[XmlEvent]:
        """Return the events of the voice to take; the others are told."""

        def fretted(events: Sequence[XmlEvent]) -> int:
            return sum(note.fret is not None for event in events for note in event.notes)

        def notes(events: Sequence[XmlEvent]) -> int:
            return sum(len(event.notes) for event in events)

        sizes = {
            place: (place[0] in self.tabs, fretted(events), notes(events))
            for place, events in self.events.items()
            if notes(events)
        }
        if not sizes:
            raise ChoiceError(f"{self.path}: the part has no notes")
        best = max(sizes, key=lambda place: sizes[place])
        for place in sizes:
            same = place[0] == best[0]
            copies = not same and notes(self.events[place]) == notes(self.events[best])
            if place != best and not copies:
                where = f"voice {place[1]}" if same else f"staff {place[0]}"
                self.told[f"note in {where}; one voice is read"] += notes(self.events[place])
        return sorted(self.events[best], key=lambda event: event.at)
