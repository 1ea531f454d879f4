r"""Plain-text tablature in: six lines of dashes and frets, as everybody types them.

Conventions: the high string is the top line; ``|`` parts the bars. A line of counts over or under
the six (``1 & 2 &``, ``1 e & a``, ``1 trip let``, in 12/8 also ``1`` to ``12``) tells when each
column sounds; where there is none the spacing is taken for it, and that is said. Lines ``title:``,
``key:``, ``tempo:``, ``meter:`` and ``swing`` before the first staff are read, and so are the
heading and the names of parts of a sheet that `backing.sheet.text` wrote; its variations and tips
are told as left out. Notes ring until the next, or until a count in brackets over no note.

References: common practice, from memory: ``h p`` and ``/ \`` or ``s`` join frets, ``b`` bends, to
a fret where one follows, ``r`` releases, ``~`` is vibrato, ``x`` muted, brackets a ghost note.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise, product, takewhile, zip_longest
from pathlib import Path

from backing.exchange.losses import Losses
from backing.exchange.notes import XmlBend, XmlNote
from backing.exchange.tuning import OPEN, STANDARD_TUNING, Tuning
from backing.exchange.unwriting import XmlEvent
from backing.exchange.xmlfile import STEERING
from phrases.counting import METERS, Meter
from phrases.errors import BluesError, Problem, TextFileError
from phrases.fretboard import LAST_FRET, STRINGS
from phrases.phrase import ROLES
from phrases.pitch import Key, parse_key, pitch_class
from phrases.textfile import read_bytes
from phrases.words import expected

__all__ = ["SUFFIXES", "TabReader"]

SUFFIXES = (".txt", ".tab")
MOST_BARS = 256
BEATS = 4
GRIDS = (4, 8, 16, 12, 32, 24, 48)  # divisions of a bar that spacing may mean
PICKUP = Fraction(7, 10)  # a first bar narrower than this share of the others

_LINE = re.compile(r"^\s*([A-Ga-g][#b]?)?\s*[|:\[]*[-–—=|:\dhpbrstvxX/\\~()<>^*.\s½¼ful]*$")
_LABEL = re.compile(r"^\s*([A-Ga-g][#b]?)?\s*(?=[|:\[-])")
_COUNT = r"\(?(?=[1-9&+eatl])(1[0-2]|[1-9])?(\+\d/\d{1,2}|[&+ea]|trip|let)?\)?"
_COUNTS = re.compile(rf"(?<!\S){_COUNT}(?!\S)")
_COUNT_LINE = re.compile(rf"^[\s|]*(?:{_COUNT}(?:[\s|]+|$))+$")
_WORDS = re.compile(r"^\s*(title|key|tempo|meter|time)\s*[:=]\s*(.*\S)\s*$", re.I)
_OURS = re.compile(
    r"(?<!=)=+ (?:key of )?(?P<key>[A-G][#b]?(?: minor(?=, ))?),? ?(?:(?P<scale>[a-z ]+) scale)?, "
    rf"(?P<meter>{'|'.join(METERS)}), (?P<tempo>\d\d?\d?(?:\.\d+)?) beats a minute"
    r"(?P<swung>, swung)? ?(?P<groove>[^,]*)(?:, (?P<rest>.*))?$"
)
_APART = re.compile(r"(Variation: .*|Tips)")
_CHORDS = re.compile(r"(\s*[A-G][#b]?(m|maj|dim|[\d°ø+])*(/[A-G][#b]?)?)+\s*|\s*\d+\s*")
_MANNER = re.compile(r"(?<=[~v])\([^()]*\)|\((?:([^\s()]+) )?over [^()]*\)|\([^()]*/s[^()]*\)")
_ROLE = re.compile(rf"\b({'|'.join(ROLES)})\b", re.I)
_ROLES = re.compile(rf"(\s*{_ROLE.pattern}( \d)?)+\s*", re.I)
_FRET = re.compile(
    r"(?P<into>[/\\])?(?P<open>[(<])?(?P<fret>2[0-4]|1\d|\d|[xX])[)>]?"
    r"(?P<bend>(?:-*(?:p?b|r)\(?(?:full|1/2|1/4|3/2|½|¼|2[0-4]|1\d|\d)?\)?)*)"
    r"(?P<sway>~+|v+)?(?:(?:-*(?=[hp]))?(?P<way>tr|[hpst/\\])-*(?=\(?[\dxX]))?(?P<out>[/\\](?![\d-]*\d))?"
)
# In a sheet of our own a sign at a fret leads out of it, one that is led to has its fret at once.
_OWN_FRET = re.compile(
    _FRET.pattern.replace(r"-*(?=\(?[\dxX])", r"(?=\(?[\dxX])").replace(r"(?![\d-]*\d)", "")
)
_BEND = re.compile(r"(p?b|r)\(?(full|1/2|1/4|3/2|½|¼|\d+)?\)?")
SIZES = {"full": 200, "1/2": 100, "½": 100, "1/4": 50, "¼": 50, "3/2": 300, "": 200}
PLACES = {"&": Fraction(1, 2), "+": Fraction(1, 2), "e": Fraction(1, 4), "a": Fraction(3, 4),
          "trip": Fraction(1, 3), "let": Fraction(2, 3)}  # fmt: skip


@dataclass(slots=True)
class _Staff:
    """Six lines, the high string first, and the counts that stand with them."""

    line: int
    rows: list[str]
    counts: str = ""
    roles: str = ""  # the names of parts, where they begin


@dataclass(slots=True)
class _Bar:
    """One bar of typed tablature: notes and counts by column."""

    width: int
    columns: dict[int, list[XmlNote]] = field(default_factory=dict)
    counts: list[tuple[int, Fraction]] = field(default_factory=list)
    rests: list[int] = field(default_factory=list)  # columns of counts in brackets
    roles: list[tuple[int, str]] = field(default_factory=list)


@dataclass(slots=True)
class TabReader:
    """A text file with tablature, read as `backing.exchange.part.PartReader` reads a part.

    Raises `TextFileError` if it cannot be read, or there are no six lines of tablature in it.
    """

    path: Path
    told: Losses = field(default_factory=Losses)
    title: str = ""
    key: Key | None = None
    tempo: Fraction | None = None
    swing: Fraction | None = None
    meter: Meter = METERS["4/4"]
    bars: int = 0
    eighths: bool = False
    capo: int = 0
    tuning: Tuning = STANDARD_TUNING
    said: tuple[tuple[Fraction, str, str], ...] = ()
    found: list[XmlEvent] = field(default_factory=list)
    fields: dict[str, str] = field(default_factory=dict)  # what a sheet of our own tells besides

    def __post_init__(self) -> None:
        text = read_bytes(self.path).decode("utf-8-sig", errors="replace")
        lines = STEERING.sub("", text).expandtabs().splitlines()
        headed = self._heading(lines)
        if headed:
            lines = [self._bare(line) for line in lines]
        apart = [n for n, line in enumerate(lines) if headed and _APART.fullmatch(line)]
        for n in apart:
            self.told.add(f"{lines[n].strip()}, left out")
        lines = lines[: apart[0]] if apart else lines
        staves = list(self._staves(lines))
        if not staves:
            raise self._wrong("there are no six lines of tablature, such as e|--5--8--|", 0)
        if not headed:
            self._head(lines[: staves[0].line])
        last = staves[-1].line + len(STRINGS)
        around = [*lines[headed:last], *takewhile(str.strip, lines[last:])]
        if headed and any(map(_is_mark, around)):
            self.told.add("marks and words over and under the staves, left out")
        numbers = [int(n) for one in staves for n, _ in _COUNTS.findall(one.counts) if n]
        self.eighths = max(numbers, default=0) > BEATS  # 12/8, counted to twelve
        if self.eighths and self.meter != METERS["12/8"]:
            self.meter = METERS["12/8"]
            self.told.add("counted beyond four, so read as 12/8")
        bars = [bar for staff in staves for bar in self._bars(staff)]
        if len(bars) > MOST_BARS:
            raise self._wrong(f"{len(bars)} bars: at most {MOST_BARS} are read", 0)
        self._lay(bars)

    @property
    def played_key(self) -> Key | None:
        """The key."""
        return self.key

    def voice(self, wanted: str = "") -> list[XmlEvent]:
        """Return the notes; there is one voice, whichever is wanted."""
        return self.found

    def lose(self, what: str, beat: Fraction) -> None:
        """Note a loss in the bar of a beat."""
        self.told.add(what, str(int(beat // BEATS) + 1))

    def _wrong(self, message: str, line: int) -> TextFileError:
        return TextFileError(str(self.path), (Problem(message, line, 1 if line else 0),))

    def _staves(self, lines: Sequence[str]) -> Iterator[_Staff]:
        """Yield each six lines in a row, with the counts above or below them."""
        at = 0
        while at < len(lines):
            if not _is_row(lines[at]):
                at += 1
                continue
            rows = 0
            while at + rows < len(lines) and _is_row(lines[at + rows]):
                rows += 1
            if rows % len(STRINGS):
                raise self._wrong(
                    f"{rows} lines of tablature in a row; a guitar has {len(STRINGS)} strings",
                    at + 1,
                )
            for first in range(at, at + rows, len(STRINGS)):
                last = first + len(STRINGS)
                around = [lines[n] for n in (first - 1, last) if 0 <= n < len(lines)]
                counts = next((text for text in around if _COUNT_LINE.match(text)), "")
                over = lines[max(0, first - len(STRINGS)) : first] if self.fields else []
                roles = next((text for text in over if _ROLES.fullmatch(text)), "")
                yield _Staff(first, list(lines[first:last]), counts, roles)
            at += rows

    def _heading(self, lines: Sequence[str]) -> int:
        """Read the heading of a sheet of our own; return the line after it, 0 if there is none."""
        first = next((n for n, line in enumerate(lines) if line.strip()), 0)
        told = list(takewhile(str.strip, lines[first:]))
        paragraph = " ".join(map(str.strip, told))
        if found := _OURS.search(paragraph):
            try:
                self.key = parse_key(found["key"])
            except BluesError as error:
                raise self._wrong(str(error), 1) from None
            self.title = paragraph[: found.start()].strip()
            self.meter, self.tempo = METERS[found["meter"]], Fraction(found["tempo"])
            self.fields = {
                "scale": found["scale"] or "", "groove": found["groove"],
                "swung": "yes" if found["swung"] else "",
            }  # fmt: skip
            if found["rest"]:
                self.told.add(f"{found['rest']}, left out")
        return first + len(told) if found else 0

    def _bare(self, line: str) -> str:
        """Return a line of a sheet of our own without how fast or wide its moves are."""
        found = _MANNER.search(line) if "--" in line else None
        if not found:
            return line
        self.told.add("how fast or wide a move is, left out")
        return _MANNER.sub(
            lambda way: f"({way[1]})".ljust(len(way[0]), "-") if way[1] else "-" * len(way[0]),
            line,
        )

    def _head(self, lines: Sequence[str]) -> None:
        for number, line in enumerate(lines, 1):
            found = _WORDS.match(line)
            word = found[1].lower() if found else ""
            text = found[2] if found else ""
            if word == "title":
                self.title = text
            elif word == "key":
                try:
                    self.key = parse_key(text)
                except BluesError as error:
                    raise self._wrong(str(error), number) from None
            elif word == "tempo":
                told = re.search(r"\d{1,3}(?:\.\d{1,3})?", text)
                self.tempo = Fraction(told[0]) if told else None
            elif word:
                self.meter = self._meter(text, number)
            elif re.search(r"\b(swing|swung|shuffle)\b", line, re.I):
                self.swing = Fraction(2)
            elif line.strip() and not _COUNT_LINE.match(line):
                self.told.add(f'line {number} is no tablature: "{line.strip()[:40]}"')

    def _meter(self, text: str, line: int) -> Meter:
        name = "".join(text.split()).replace("C", "4/4", 1)
        if name not in METERS:
            raise self._wrong(expected("a meter", name, METERS), line)
        return METERS[name]

    def _bars(self, staff: _Staff) -> Iterator[_Bar]:
        """Yield the bars of a staff."""
        names = [(found := _LABEL.match(row)) and (found[1] or "") for row in staff.rows]
        rows = staff.rows
        if names[0] == "E" and names[-1] == "e":
            names, rows = names[::-1], rows[::-1]
        self._tuned([name or "" for name in names])
        begins = [found.end() if (found := _LABEL.match(row)) else 0 for row in rows]
        width = max(map(len, rows))
        rows = [
            " " * begin + row[begin:].ljust(width - begin)
            for row, begin in zip(rows, begins, strict=True)
        ]
        edges = [n for n in range(width) if sum(row[n] == "|" for row in rows) > len(rows) // 2]
        edges = [min(begins) - 1, *edges, width]
        if any(":" in row for row in rows):
            self.told.add("repeat signs, which are not played out")
        for left, right in pairwise(edges):
            bar = _Bar(right - left - 1)
            for line, row in enumerate(rows, 1):
                for column, note in self._notes(row[left + 1 : right], line):
                    bar.columns.setdefault(column, []).append(note)
            beat, thirds = Fraction(0), 3 if self.eighths else 1
            for found in _COUNTS.finditer(staff.counts.replace("|", " ")):
                if found[1]:
                    beat = Fraction(int(found[1]) - 1, thirds)
                word = found[2] or ""
                if left < found.start() < right:
                    place = PLACES[word] if word in PLACES else Fraction(word or 0)
                    bar.counts.append((found.start() - left - 1, beat + place / thirds))
                    if self.fields and found[0].startswith("("):
                        bar.rests.append(found.start() - left - 1)
            for named in _ROLE.finditer(staff.roles):
                if left < named.start() < right:
                    bar.roles.append((named.start() - left - 1, named[0]))
            if bar.columns or any("-" in row[left + 1 : right] for row in rows):
                for notes in bar.columns.values():
                    notes.reverse()  # a pick goes from the low string to the high one
                yield bar

    def _tuned(self, names: Sequence[str]) -> None:
        """Take the tuning that the letters before the lines tell."""
        if not all(names):
            return
        pitches = {}
        for line, (name, usual) in enumerate(zip(names, OPEN.values(), strict=True), 1):
            named = name[0].upper() + name[1:]
            pitches[line] = usual + (pitch_class(named) - usual + 6) % 12 - 6
        steps = {pitches[line] - usual for line, usual in OPEN.items()}
        self.tuning = Tuning(pitches, steps.pop() if len(steps) == 1 else 0)

    def _notes(self, row: str, line: int) -> Iterator[tuple[int, XmlNote]]:
        """Yield the notes of one string in one bar, each with its column."""
        way, at = "", 0
        pattern = _OWN_FRET if self.fields else _FRET
        while found := pattern.search(row, at):
            note = XmlNote(line=line)
            if found["fret"] in "xX":
                note.muted = True
            else:
                note.fret = int(found["fret"])
            if found["open"] == "(":
                note.marks.append("ghost")
            elif found["open"] == "<":
                note.marks.append("harmonic")
            _bend(note, found["bend"])
            if "-" in found["bend"]:
                note.unknown.append("bend or release that comes later, taken at once")
            sway = found["sway"] or ""
            note.sways, note.wide = bool(sway), len(sway) > (1 if self.fields else 2)
            if self.fields and "v" in sway:
                note.unknown.append("dip of the bar, read as vibrato")
            note.out = found["out"] or ""
            if told := {"t": "tapping", "tr": "trill"}.get(way):
                note.unknown.append(f"{told}, read as a hammer-on")
            note.joined = bool(way)
            note.slid = way in tuple("s/\\")
            if found["into"] and not way:
                note.into = found["into"]
                if self.fields and at:
                    note.unknown.append("slide that may be from the note before, read as picked")
            way = found["way"] or ""
            yield found.start("fret"), note
            at = found.end()

    def _lay(self, bars: Sequence[_Bar]) -> None:
        """Give each column its beat."""
        counted = any(bar.counts for bar in bars)
        usual = sorted(bar.width for bar in bars)[len(bars) // 2]
        pad = min((min(bar.columns) for bar in bars if bar.columns), default=0)
        silent: list[Fraction] = []
        pickup = len(bars) > 1 and (
            bars[0].counts[0][1] > 0 if bars[0].counts else bars[0].width < PICKUP * usual
        )
        for number, bar in enumerate(bars):
            name = str(number + 1 - pickup)
            start = Fraction(BEATS * (number - pickup))
            if bar.counts:
                times = self._counted(bar, name)
            else:
                if bar.columns:
                    self.told.add("rhythm guessed from the spacing", name)
                first = BEATS * (1 - Fraction(bar.width - pad, max(1, usual - pad)))
                times = self._spaced(bar, pad, first if pickup and not number else Fraction(0))
            self._events(bar, times, start, name)
            silent += [start + at for column, at in bar.counts if column in bar.rests
                       and at not in times.values()]  # fmt: skip
            for column, role in bar.roles:
                later = (beat for place, beat in bar.counts if place >= column - 1)
                self.said += ((start + next(later, Fraction(0)), "label", role),)
        if counted:
            self.told.add("rhythm read from the counts")
        self.bars = len(bars) - pickup
        if not self.found:
            raise self._wrong("there are no notes in the tablature", 0)
        if self.fields and any(event.at % 1 and event.at * 8 % 1 == 0 for event in self.found):
            self.fields["swung"] = self.fields["swung"] or "no"  # they would be called swung
        for one, until in zip_longest(self.found, [after.at for after in self.found[1:]]):
            end = Fraction(BEATS * self.bars) if until is None else until
            one.end = min((at for at in silent if one.at < at < end), default=end)

    def _counted(self, bar: _Bar, name: str) -> dict[int, Fraction | None]:
        """Return the beat of each column by the count that stands over it."""
        times: dict[int, Fraction | None] = {}
        for column in sorted(bar.columns):
            near = min(bar.counts, key=lambda count: abs(count[0] - column))
            times[column] = near[1] if abs(near[0] - column) <= 1 else None
            if times[column] is None and not all(note.joined for note in bar.columns[column]):
                before = [at for place, at in bar.counts if place < column]
                after = [(place, at) for place, at in bar.counts if place > column]
                low = before[-1] if before else Fraction(0)
                high = after[0][1] if after else min(low + 1, Fraction(BEATS))
                times[column] = (low + high) / 2
                self.told.add("note between two counts, put halfway", name)
        return times

    def _spaced(self, bar: _Bar, pad: int, first: Fraction) -> dict[int, Fraction | None]:
        """Return the beat of each column by where it stands in the bar."""
        room = max(1, bar.width - pad)
        exact = {n: first + (BEATS - first) * Fraction(n - pad, room) for n in bar.columns}
        column = (BEATS - first) / room
        grids = GRIDS if self.meter == METERS["4/4"] else (4, 12, 24, 48)
        for slack, grid in product((column / 5, column * 3 / 5), grids):
            step = Fraction(BEATS, grid)
            times = {n: step * round(at / step) for n, at in exact.items()}
            fits = all(abs(times[n] - at) <= slack for n, at in exact.items())
            inside = all(0 <= at < BEATS for at in times.values())
            if fits and inside and len(set(times.values())) == len(times):
                return dict(times)
        return dict(exact)

    def _events(
        self, bar: _Bar, times: dict[int, Fraction | None], start: Fraction, name: str
    ) -> None:
        """Make events of the columns of a bar; what has no beat of its own follows at once."""
        for column in sorted(bar.columns):
            at = times[column]
            for note in bar.columns[column]:
                note.bar = name
                for what in note.unknown:
                    self.told.add(what, name)
            if at is None and self.found:
                last = self.found[-1]
                for note in bar.columns[column]:
                    own = [one for one in last.notes if one.line == note.line]
                    last.notes = [one for one in last.notes if one.line != note.line]
                    last.graces += [[one] for one in own]
                    last.notes.append(note)
            else:
                at = start + (at or 0)
                if self.found and self.found[-1].at >= at:
                    self.found[-1].notes += bar.columns[column]
                    self.told.add("notes that stand at one count, played at once", name)
                else:
                    self.found.append(XmlEvent(at, at, list(bar.columns[column]), bar=name))


def _is_row(line: str) -> bool:
    return line.count("-") + line.count("–") + line.count("—") >= 3 and bool(_LINE.match(line))


def _is_mark(line: str) -> bool:
    """Tell a line of marks beside a staff from rows, counts, names of parts and chords."""
    known = (_COUNT_LINE, _ROLES, _CHORDS)
    return bool(line.strip()) and not (_is_row(line) or any(one.fullmatch(line) for one in known))


def _bend(note: XmlNote, text: str) -> None:
    """Take the bends behind a fret: by a size, to a fret, or a whole step where none is told."""
    now = 0
    for kind, size in _BEND.findall(text or ""):
        if kind == "r":
            if size in SIZES and size:
                note.unknown.append("release to a smaller bend, taken as the whole")
            note.bends.append(XmlBend(-now, release=True))
            now = 0
            continue
        cents = SIZES.get(size)
        if cents is None:
            cents = 100 * (min(int(size), LAST_FRET) - (note.fret or 0))
        if not size:
            note.unknown.append("bend whose size is not told, taken as full")
        note.bends.append(XmlBend(max(0, cents - now), pre=kind == "pb"))
        now = max(cents, now)
