"""The phrase as six lines of tab, and which note of it sounds now.

Conventions: places are beats from the phrase's first bar, unswung, so a pickup lies below 0.
The signs after a fret are those of the phrase language.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from backing.live.index import StreamIndex
from phrases.counting import evenly, swung
from phrases.fretboard import STRINGS
from phrases.phrase import Phrase, StringNote

__all__ = ["Follower", "Tab", "lay_out"]

ORDER = tuple(reversed([*STRINGS]))  # the high e on top, as tab is read
LONGEST_GAP = 4


@dataclass(frozen=True, slots=True)
class _Column:
    """What is picked at once, or a bar line where there are no texts."""

    at: Fraction
    end: Fraction
    texts: dict[str, str]

    @property
    def width(self) -> int:
        if not self.texts:
            return 1
        gap = min(LONGEST_GAP, max(1, int(2 * (self.end - self.at))))
        return 1 + max(map(len, self.texts.values())) + gap


@dataclass(frozen=True, slots=True)
class Tab:
    """One system of tab."""

    lines: tuple[str, ...]  # six, the high e on top
    lit: tuple[tuple[int, int, int], ...] = ()  # row, first column and end of what sounds now


def _text(note: StringNote) -> str:
    fret = "x" if note.fret is None else str(note.fret)
    return note.into + fret + "".join(map(str, note.moves))


def _columns(phrase: Phrase) -> list[_Column]:
    beats = phrase.meter.beats
    columns = [
        _Column(stroke.at, stroke.end, {note.string: _text(note) for note in stroke.notes})
        for stroke in phrase.strokes()
    ]
    lines = [Fraction(bar * beats) for bar in range(phrase.bars + 1)]
    picked = {column.at // beats for column in columns}
    columns += [
        _Column(line, line + beats, {ORDER[0]: ""})  # a bar without a pick
        for line in lines[:-1]
        if line // beats not in picked
    ]
    columns += [_Column(line, line, {}) for line in lines]
    return sorted(columns, key=lambda column: (column.at, bool(column.texts)))


def lay_out(phrase: Phrase, width: int) -> list[list[_Column]]:
    """Return the phrase's columns in systems that fit a width; each starts at a bar if it can."""
    room = width - 3  # the string's name, its edge and the end
    systems: list[list[_Column]] = []
    system: list[_Column] = []
    used = 0
    for column in _columns(phrase):
        if system and used + column.width > room:
            lines = [n for n, one in enumerate(system) if n and not one.texts]
            cut = lines[-1] if lines else len(system)
            systems.append(system[:cut] if cut == len(system) else [*system[:cut], system[cut]])
            system = system[cut:]
            used = sum(one.width for one in system)
        system.append(column)
        used += column.width
    if any(column.texts for column in system):
        systems.append(system)
    return systems


class Follower:
    """Finds a phrase in a stream by the labels of its parts.

    The labels are the score's; the phrase is as it is played, in its key.
    """

    def __init__(self, score: StreamIndex, phrase: Phrase) -> None:
        self.score = score
        self.phrase = phrase
        self._starts: dict[int, list[tuple[Fraction, Fraction]]] = {}
        self._systems: dict[int, list[list[_Column]]] = {}
        self._even = phrase.even
        self._pickup = {bar * phrase.meter.beats: part.pickup for bar, part in phrase.placed()}

    def starts(self, number: int) -> list[tuple[Fraction, Fraction]]:
        """Return where parts start in a section, and where each starts in the phrase, in beats."""
        if number not in self._starts:
            section = self.score.sections[number]
            placed = self.phrase.placed()
            found = []
            latest = -1
            for label in (one for one in section.labels if one.kind == "part"):
                order = [(latest + 1 + n) % len(placed) for n in range(len(placed))]
                role = label.text.casefold()
                fits = [n for n in order if placed[n][1].role == role]
                if not fits:
                    continue
                latest = fits[0]
                second = section.start + Fraction(label.seconds)
                beat = Fraction(round(self.score.beat_at(number, second)[0]))
                found.append((beat, Fraction(placed[latest][0] * self.phrase.meter.beats)))
            self._starts[number] = found
        return self._starts[number]

    def place(self, number: int, beat: float) -> float | None:
        """Return the beat of the phrase at a beat of a section; None where it is not played."""
        sections = self.score.sections
        starts = [(float(at), own) for at, own in self.starts(number)]
        if number + 1 < len(sections):
            length = float(sections[number].beats)
            starts += [(length + float(at), own) for at, own in self.starts(number + 1)]
        found: float | None = None
        for at, own in starts:
            if beat >= at - float(self._pickup.get(int(own), Fraction(0))):
                found = beat - at + float(own)
        if found is None or found > self.phrase.bars * self.phrase.meter.beats:
            return None
        return found

    def tab(self, number: int, beat: float, width: int) -> Tab:
        """Return the system that is played, with what sounds now, or else the first one."""
        if width not in self._systems:
            self._systems[width] = lay_out(self.phrase, width)
        systems = self._systems[width]
        if not systems:
            return Tab(())
        swing = self.score.sections[number].swing
        sounds = evenly(lambda beat: swung(beat, swing), self._even)
        place = self.place(number, beat)
        if place is None:
            return _drawn(systems[0], None, width)
        now: _Column | None = None
        shown = systems[0]
        for system in systems:
            for column in system:
                if column.texts and sounds(column.at) <= place + 1e-6:
                    now, shown = column, system
        if now is not None and sounds(now.end) <= place:
            now = None
        return _drawn(shown, now, width)


def _drawn(system: list[_Column], now: _Column | None, width: int) -> Tab:
    rows = [f"{string}|" for string in ORDER]
    lit = []
    for number, column in enumerate(system):
        if not column.texts:
            rows = [row if number == 0 else row + "|" for row in rows]
            continue
        for row, string in enumerate(ORDER):
            text = column.texts.get(string, "")
            on = bool(text) and column is now
            if on:
                start = len(rows[row])
                lit.append((row, start, start + len(text) + 2))
            cell = (">" if on else "-") + text + ("<" if on else "-" * bool(text))
            rows[row] += cell.ljust(column.width, "-")
    cut = tuple(row[:width] for row in rows)
    return Tab(cut, tuple((r, a, min(b, width)) for r, a, b in lit if a < width))
