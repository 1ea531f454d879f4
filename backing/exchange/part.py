"""One part of a MusicXML file, from its first bar to its last: meter, key, tempo and voices.

Conventions: positions are felt beats from bar one, so a short first bar lies below zero; within a
`XmlBar` they count from its own beginning.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from fractions import Fraction
from xml.etree import ElementTree as ET

from backing.exchange.losses import Losses, bars_said
from backing.exchange.merging import merged
from backing.exchange.notes import LONGEST, XmlNote, length_of, number, read_xml_note
from backing.exchange.order import Signs, playing_order, read_signs
from backing.exchange.tuning import STANDARD_TUNING, Tuning, read_tuning
from backing.exchange.unwriting import XmlEvent
from phrases.counting import METERS, Meter
from phrases.errors import BluesError, ChoiceError, Problem, RangeError, TextFileError
from phrases.pitch import MAJOR_KEYS, MINOR_KEYS, Key
from phrases.words import expected

__all__ = ["PartReader"]

MOST_BARS = 256  # far more than a phrase has, read in a moment
MOST_IN_BAR = 1000  # notes, rests and whatever else stands in one bar
# Meters that are read as another, and how many of their bars make one of it.
LIKE: dict[str, tuple[str, int]] = {"2/2": ("4/4", 1), "2/4": ("4/4", 2), "6/8": ("12/8", 2)}
SHORT = "bar shorter than its meter, filled up with rests"
READ = {
    "words", "rehearsal", "metronome", "dashes", "bracket", "octave-shift", "bar-style", "repeat",
    "ending", "segno", "coda", "wedge",
}  # fmt: skip
_SLOWER = re.compile(r"\b(rit|ritard|ritardando|riten|ritenuto|rall|rallentando)\b", re.I)
_IN_TIME = re.compile(r"\b(a tempo|tempo primo|tempo i)\b", re.I)
# What words over a staff say of the hands, until a dashed line ends.
_HANDS: dict[str, re.Pattern[str]] = {
    "pm": re.compile(r"(p\. ?m\.|pm|palm[ -]?mut(e|ed|ing))[ .\-–—_]*", re.I),
    "ring": re.compile(r"let ring[ .\-–—_]*", re.I),
    "rake": re.compile(r"rake[ .\-–—_]*", re.I),
    "tremolo": re.compile(r"trem(olo|\.)?[ -]?pick(ing|ed|\.)?[ .\-–—_]*", re.I),
    "~~": re.compile(r"(wide|w\.) vib(rato|\.)?[ .\-–—_]*", re.I),
    "~": re.compile(r"(w/ ?)?vib(rato|\.)?[ .\-–—_]*", re.I),
    "d": re.compile(r"down-?stroke", re.I),
    "u": re.compile(r"up-?stroke", re.I),
}
_WEDGES = {"crescendo": "cresc.", "diminuendo": "dim."}
_LOUDER = re.compile(r"(cresc|dim|decresc)\.?(endo|inuendo)?", re.I)
_SWING = re.compile(r"\b(swing|swung|shuffle)\b", re.I)


@dataclass(slots=True, kw_only=True)
class Content:
    """The notes, marks and words of a bar, or of several joined end to end."""

    # By staff and voice.
    events: dict[tuple[str, str], list[XmlEvent]] = field(default_factory=dict)
    # Beats at which something is said, what, and its words or the number of its line: a `label`
    # (a rehearsal mark), `slower` and `in time`, where it begins to slow down and ends to,
    # `louder`; of the hands until a beat a key of `phrases.techniques.MARKS`, or a vibrato's sign,
    # and nothing where that ends.
    said: list[tuple[Fraction, str, str]] = field(default_factory=list)


@dataclass(slots=True)
class XmlBar(Content):
    """One measure element: its number in the file, the felt beats that it is filled, its signs."""

    number: str
    length: Fraction = Fraction(0)
    signs: Signs = field(default_factory=Signs)


@dataclass(slots=True)
class PartReader(Content):
    """Reader of one MusicXML part element.

    Raises `ChoiceError` in another tuning, or for a bass; `RangeError` where a bar is longer than
    its meter, or in a meter that neither 4/4 nor 12/8 can hold; `TextFileError` without bars.
    """

    element: ET.Element  # and `path`: what to read, and the file's name for messages
    path: str
    # `meter`, `key`, `tempo`, `swing`: the first of each; tempo in felt beats a minute, swing long
    # to short.
    meter: Meter | None = None
    # `written` and `shared`: the meter as the file has it, and how many of its bars make one.
    written: str = ""
    shared: int | None = None
    key: Key | None = None
    tempo: Fraction | None = None
    swing: Fraction | None = None
    bars: int = 0  # how many there are, a short first bar not counted
    told: Losses = field(default_factory=Losses)  # what cannot be carried over
    tabs: set[str] = field(default_factory=set)  # staves with a tablature clef
    divisions: Fraction = Fraction(1)
    capo: int = 0  # and `tuning`: the fret it is at, 0 for none; how the strings are tuned
    tuning: Tuning = STANDARD_TUNING
    transposed: int = 0  # semitones from written pitches to sounding ones
    # Where each bar begins, and its number.
    laid: list[tuple[Fraction, str]] = field(default_factory=list)
    # Numbers of the dashed lines that are open over such words.
    dashed: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        measures = self.element.findall("measure")
        if not measures:
            raise TextFileError(self.path, (Problem("the part has no bars"),))
        if len(measures) > MOST_BARS:
            raise RangeError(
                f"{self.path}: {len(measures)} bars: at most {MOST_BARS} are read; export those "
                "of the phrase alone"
            )
        read: list[XmlBar] = []
        for place, measure in enumerate(measures):
            meters = [_meter(time) for time in measure.iterfind("attributes/time")]
            if read and any(meter != self.written for meter in meters):
                for left in measures[place:]:
                    what = f"left out, since the meter changes to {meters[-1]:.20}"
                    self.told.add(what, left.get("number", "?")[:LONGEST])
                break
            self.written = meters[-1] if meters else self.written
            read.append(self._measure(measure))
        order = playing_order([bar.signs for bar in read], MOST_BARS)
        if len(order) > MOST_BARS:
            raise RangeError(
                f"{self.path}: with its repeats it has more than {MOST_BARS} bars; export those "
                "of the phrase alone"
            )
        if order != [*range(len(read))]:
            played = bars_said([read[number].number for number in order])
            self.told.add(f"repeats and jumps are played out: {played}")
        self._lay([read[number] for number in order])

    def _wrong(self, measure: ET.Element, message: str) -> RangeError:
        return RangeError(f"{self.path}: bar {measure.get('number', '?')}: {message}")

    def _measure(self, measure: ET.Element) -> XmlBar:
        if len(measure) > MOST_IN_BAR:
            raise self._wrong(measure, f"it holds {len(measure)} elements, at most {MOST_IN_BAR}")
        for attributes in measure.findall("attributes"):
            self._attributes(attributes, measure)
        if self.meter is None:
            self.meter = METERS["4/4"]
            self.told.add("no time signature; taken as 4/4")
        bar = XmlBar(measure.get("number", "?")[:LONGEST])
        self._contents(measure, bar)
        if bar.length * (self.shared or 1) > self.meter.beats:
            raise self._wrong(measure, f"it is longer than its meter, {self.meter}")
        return bar

    def _lay(self, played: Sequence[XmlBar]) -> None:
        """Put bars after one another; a short first bar is a pickup, two short ones may be one."""
        assert self.meter is not None
        full = Fraction(self.meter.beats)
        own = full / (self.shared or 1)
        at = filled = Fraction(0)
        first = played[0]
        pickup = 0 < first.length < own or first.number == "0"
        for order, bar in enumerate(played):
            if pickup and not order:
                self._put(bar, -bar.length)
                continue
            if filled and filled + bar.length > full:
                self.told.add(SHORT, played[order - 1].number)
                at, filled = at + full, Fraction(0)
            self._put(bar, at + filled)
            filled += bar.length if bar.length and own == full else own
            if filled >= full:
                at, filled = at + full, Fraction(0)
        if filled and own < full:
            at += full
        elif filled:
            # A last bar without the beats of the pickup is as usual.
            if not pickup or filled + first.length != full:
                self.told.add(SHORT, played[-1].number)
            at += full
        self.bars = int(at // full)

    def lose(self, what: str, beat: Fraction) -> None:
        """Note a loss in the bar of a beat."""
        bars = [bar for start, bar in self.laid if start <= beat]
        self.told.add(what, bars[-1] if bars else self.laid[0][1])

    def _put(self, bar: XmlBar, at: Fraction) -> None:
        self.laid.append((at, bar.number))
        for voice, events in deepcopy(bar.events).items():
            for event in events:
                event.at, event.end = event.at + at, event.end + at
            self.events.setdefault(voice, []).extend(events)
        self.said += [(when + at, what, words) for when, what, words in bar.said]

    def _contents(self, measure: ET.Element, bar: XmlBar) -> None:
        assert self.meter is not None
        quarters = self.meter.quarters
        now = Fraction(0)
        graces: list[list[XmlNote]] = []
        for child in measure:
            tag = child.tag
            if tag in ("backup", "forward"):
                length = number(child.findtext("duration") or "0") / self.divisions / quarters
                now += length if tag == "forward" else -length
            elif tag == "note":
                now = self._note(child, now, graces, bar)
            elif tag in ("direction", "sound", "barline"):
                self._direction(child, now, bar)
            elif tag == "harmony":
                self.told.add("chord symbol (the form gives the chords)", bar.number)
            elif tag == "figured-bass":
                self.told.add(tag, bar.number)
            bar.length = max(bar.length, now)
        if graces:
            self.told.add("grace note after the last note of a bar", bar.number)

    def _note(
        self, child: ET.Element, now: Fraction, graces: list[list[XmlNote]], bar: XmlBar
    ) -> Fraction:
        assert self.meter is not None
        staff, voice = (child.findtext("staff") or "1").strip(), child.findtext("voice") or "1"
        events = bar.events.setdefault((staff, voice.strip()), [])
        length = length_of(child, self.divisions) / self.meter.quarters
        if child.find("cue") is not None:
            self.told.add("cue note", bar.number)
            return now + length
        if child.find("rest") is not None:
            events.append(XmlEvent(now, now + length, bar=bar.number))
            return now + length
        if child.find("unpitched") is not None:
            self.told.add("note without a pitch", bar.number)
            return now + length * (child.find("chord") is None)
        note = read_xml_note(child, bar.number)
        for what in note.unknown:
            self.told.add(what, bar.number)
        if note.pitch is not None:
            note.pitch += self.transposed
        if note.line not in self.tuning.open and note.line:
            raise RangeError(
                f"{self.path}: bar {bar.number}: string {note.line}: a guitar has strings 1 to "
                f"{len(self.tuning.open)}"
            )
        if note.grace:
            if note.chord and graces:
                graces[-1].append(note)
            else:
                graces.append([note])
        elif note.chord and events and events[-1].notes:
            events[-1].notes.append(note)
        elif length > 0:
            events.append(XmlEvent(now, now + length, [note], list(graces), bar.number))
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
            self._key(key, measure.get("number", "?")[:LONGEST])
        for details in attributes.findall("staff-details"):
            self._tuning(details)
        for style in attributes.iterfind("measure-style/*"):
            if style.tag != "multiple-rest":
                self.told.add(style.tag, measure.get("number", "?")[:LONGEST])
        for moved in attributes.findall("transpose"):
            self.transposed = int(number(moved.findtext("chromatic") or "0")) + 12 * int(
                number(moved.findtext("octave-change") or "0")
            )
        capo = int(number(attributes.findtext("staff-details/capo") or "0"))
        if capo:
            self.told.add(f"capo at fret {capo}: frets count from it")
            self.capo = capo

    def _time(self, time: ET.Element, measure: ET.Element) -> None:
        text = _meter(time)
        name, bars = LIKE.get(text, (text, 1))
        if name not in METERS:
            raise self._wrong(measure, f"meter {text:.20}: a phrase is in {' or '.join(METERS)}")
        self.meter, self.shared = METERS[name], bars
        if name != text:
            self.told.add(
                f"meter {text}: {'two bars are' if bars > 1 else 'it is'} read as {name}"
            )

    def _key(self, key: ET.Element, bar: str) -> None:
        fifths = int(number(key.findtext("fifths") or "0"))
        minor = (key.findtext("mode") or "").strip() == "minor"
        if not -7 <= fifths <= 7:
            self.told.add(f"key signature of {abs(fifths)} accidentals", bar)
            return
        found = Key(
            (MINOR_KEYS if minor else MAJOR_KEYS)[fifths + 7], "minor" if minor else "major"
        )
        if self.key not in (None, found):
            self.told.add("change of key", bar)
            return
        self.key = found

    def _tuning(self, details: ET.Element) -> None:
        tab = details.get("number", "1") in self.tabs
        found = read_tuning(details, self.path, tab=tab)
        if found is None or found == self.tuning:
            return
        self.tuning = found

    def _direction(self, child: ET.Element, now: Fraction, bar: XmlBar) -> None:
        assert self.meter is not None
        sound = child if child.tag == "sound" else child.find("sound")
        if sound is not None:
            self._sound(sound, bar)
        offset = number(child.findtext("offset") or "0") / self.divisions / self.meter.quarters
        at = now + offset
        for words in child.iterfind("direction-type/rehearsal"):
            bar.said.append((at, "label", (words.text or "").strip()))
        if self.tempo is None:
            self._metronome(child)
        ordered = read_signs(child, bar.signs)
        lines = [
            *child.iterfind("direction-type/dashes"),
            *child.iterfind("direction-type/bracket[@line-type='dashed']"),
        ]
        kinds = {(line.get("type", ""), line.get("number", "1")) for line in lines}
        for words in () if ordered else child.iter("words"):
            text = " ".join((words.text or "").split())
            hand = next((what for what, said in _HANDS.items() if said.fullmatch(text)), "")
            if hand:
                number_ = next((number for kind, number in kinds if kind == "start"), "")
                bar.said.append((at, hand, number_))
                self.dashed |= {number_}
            elif _SWING.search(text):
                self.swing = self.swing or Fraction(2)
            elif _SLOWER.search(text):
                bar.said.append((at, "slower", ""))
            elif _LOUDER.fullmatch(text):
                bar.said.append((at, "louder", "cresc." if text[0] in "cC" else "dim."))
            elif _IN_TIME.search(text):
                bar.said.append((at, "in time", ""))
            elif text:
                self.told.add(f'words "{text[:40]}"', bar.number)
        for kind, number_ in kinds:
            if kind == "stop" and number_ in self.dashed:
                bar.said.append((at, "", number_))
                self.dashed.discard(number_)
            elif kind == "stop":
                bar.said.append((at, "in time", ""))
        for wedge in child.iterfind("direction-type/wedge"):
            if word := _WEDGES.get(wedge.get("type", "")):
                bar.said.append((at, "louder", word))
        signs = child if child.tag == "barline" else child.iterfind("direction-type/*")
        for sign in signs:
            if sign.tag not in READ:
                self.told.add(sign.tag, bar.number)

    def _sound(self, sound: ET.Element, bar: XmlBar) -> None:
        tempo = number(sound.get("tempo", "0"))
        if tempo and self.meter is not None:
            felt = tempo / self.meter.quarters
            if self.tempo not in (None, felt):
                self.told.add("change of tempo", bar.number)
            self.tempo = self.tempo or felt
        swing = sound.find("swing")
        if swing is None or self.swing is not None:
            return
        if (swing.findtext("swing-type") or "eighth").strip() != "eighth":
            self.told.add("swing of sixteenths; a phrase swings its eighths", bar.number)
            return
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

    @property
    def played_key(self) -> Key | None:
        """The key as it sounds: another than the file's where it is written as it is fretted."""
        shift = self.tuning.shift
        if self.key is None or not shift:
            return self.key
        notes = [n for events in self.events.values() for e in events for n in e.notes]
        sounding = fretted = 0
        for note in notes:
            pitch = self.tuning.pitch(note.line, note.fret)
            if pitch is not None and note.pitch is not None:
                sounding += not (note.pitch - pitch) % 12
                fretted += not (note.pitch - pitch + shift) % 12
        if fretted <= sounding:
            return self.key
        names = MINOR_KEYS if self.key.mode == "minor" else MAJOR_KEYS
        keys = [Key(name, self.key.mode) for name in names]
        wanted = (self.key.pitch_class + shift) % 12
        return min((k for k in keys if k.pitch_class == wanted), key=lambda k: abs(k.signature))

    def voices(self) -> list[tuple[str, str, int, int]]:
        """Return staff, voice, notes and notes with a fret of each voice that has notes."""
        found = []
        for (staff, voice), events in self.events.items():
            notes = [note for event in events for note in event.notes]
            if notes:
                fretted = sum(note.fret is not None for note in notes)
                found.append((staff, voice, len(notes), fretted))
        return found

    def voice(self, wanted: str = "") -> list[XmlEvent]:
        """Return the events of the voice to take, with what other staves say of its notes.

        A voice that is not named is that of a tablature with the most frets. Raises `ChoiceError`
        where there is no such voice, or there are no notes.
        """
        every = self.voices()
        if not every:
            raise ChoiceError(f"{self.path}: the part has no notes")
        able = [row for row in every if wanted in ("", row[1])]
        if not able:
            known = list(dict.fromkeys(row[1] for row in every))
            raise ChoiceError(f"{self.path}: {expected('a voice', wanted, known)}")
        staff, voice, _, _ = max(able, key=lambda row: (row[0] in self.tabs, row[3], row[2]))
        found = sorted(self.events[staff, voice], key=lambda event: event.at)
        for other, name, _, _ in every:
            if (other, name) == (staff, voice):
                continue
            events = self.events[other, name]
            if other != staff:
                left = merged(found, events)
                what = f"note on staff {other} that staff {staff} has not"
            elif not wanted and _apart(found, events):
                found = _together(found, events)
                continue
            else:
                left = [note for event in events for note in event.notes]
                what = f"note in voice {name}; one voice is read (--voice {name})"
            for note in left:
                self.told.add(what, note.bar)
        self._said(found)
        return found

    def joined(self, other: ET.Element) -> bool:
        """Read another part if it has the same notes on a staff of another kind; tell if so."""
        if other.find(".//technical/fret") is not None:
            return False
        try:
            reader = PartReader(other, self.path)
        except BluesError:
            return False
        places = [self._places(self.events), self._places(reader.events)]
        if not places[0] or places[0] != places[1]:
            return False
        self.events |= {(f"{other.get('id')}/{s}", v): e for (s, v), e in reader.events.items()}
        return True

    def _places(self, events: dict[tuple[str, str], list[XmlEvent]]) -> set[tuple[Fraction, int]]:
        """Return when which notes begin, in whichever octave."""
        found = set()
        for event in (event for row in events.values() for event in row):
            for note in event.notes:
                pitch = self.tuning.pitch(note.line, note.fret)
                pitch = note.pitch if note.pitch is not None else pitch
                if pitch is not None and not note.tied:
                    found.add((event.at, pitch % 12))
        return found

    def _said(self, events: Sequence[XmlEvent]) -> None:
        """Add what words over the staff say to the notes under them."""
        stops: dict[str, Fraction] = {}
        starts = [event.at for event in events]
        for start, what, number_ in reversed(self.said):
            if not what:
                stops[number_] = start
            if what not in _HANDS:
                continue
            first = bisect_left(starts, start)
            ends = stops.get(number_)
            until = bisect_right(starts, start) if ends is None else bisect_left(starts, ends)
            for note in (note for event in events[first:until] for note in event.heads):
                if what.startswith("~"):
                    note.sways = True
                    note.wide |= what == "~~"
                elif not note.tied and what not in note.marks:
                    note.marks.append(what)


def _meter(time: ET.Element) -> str:
    return f"{time.findtext('beats')}/{time.findtext('beat-type')}"


def _apart(events: Sequence[XmlEvent], others: Sequence[XmlEvent]) -> bool:
    """Tell whether one voice rests wherever another plays."""
    ends = [Fraction(-MOST_BARS), Fraction(-MOST_BARS)]
    for at, end, who in sorted(
        (event.at, event.end, who)
        for who, row in enumerate((events, others))
        for event in row
        if event.notes
    ):
        if at < ends[1 - who]:
            return False
        ends[who] = max(ends[who], end)
    return True


def _together(events: Sequence[XmlEvent], others: Sequence[XmlEvent]) -> list[XmlEvent]:
    """Return two voices that take turns as one, in which no rest of the other stops a note."""
    every = sorted((*events, *others), key=lambda event: (event.at, not event.notes))
    found: list[XmlEvent] = []
    until = Fraction(-MOST_BARS)
    for event in every:
        if event.notes:
            until = event.end
        elif event.at < until:
            continue
        found.append(event)
    return found
