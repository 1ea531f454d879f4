"""From written notes back to strokes: who is picked, and what the hand does without a pick.

Conventions: positions are felt beats from bar one. A note goes on from the one before on its
string where a tie, a slide, a hammer-on, a pull-off or a slur leads to it; grace notes come at
once. A stroke ends where something else is picked or a rest begins.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import accumulate

from backing.exchange.notes import XmlNote
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.phrase import Move, Note, Stroke
from phrases.techniques import BEND_SIZES, MARKS, SLIDES, TECHNIQUES, mark

__all__ = ["XmlEvent", "strokes"]

_MOVE = re.compile(r"(pb|tr|~~|[bhpr~/\\])(?:\(([^)]*)\)|(\d{1,2}))?")
TRILL = 2  # frets, where a file does not say


@dataclass(slots=True)
class XmlEvent:
    """What a file writes at one place of a voice.

    Attributes
    ----------
    at, end
        Felt beats from bar one.
    notes
        Those that have a length; none for a rest.
    graces
        Those before it, in columns.
    """

    at: Fraction
    end: Fraction
    notes: list[XmlNote] = field(default_factory=list)
    graces: list[list[XmlNote]] = field(default_factory=list)


@dataclass(slots=True)
class _Open:
    """A string that rings."""

    note: Note
    fret: int | None
    bent: int = 0

    @property
    def left(self) -> bool:
        """Whether it has slid away to nowhere."""
        last = self.note.moves[-1] if self.note.moves else None
        return last is not None and last.sign in SLIDES and last.fret is None


def strokes(events: Iterable[XmlEvent], told: Counter[str], capo: int = 0) -> tuple[Stroke, ...]:
    """Return the strokes that events of one voice write.

    Parameters
    ----------
    events
        In order of time, also rests.
    told
        Counts, by a few words, what could not be carried over; added to.
    capo
        The fret from which frets count, 0 without one.
    """
    return _Player(told, capo).play(events)


def _deal(notes: Sequence[XmlNote]) -> None:
    """Give the notes of a chord the strings, frets and bends that one of them has for all.

    Each gets those of its pitch; where there are none it is left without.
    """
    if all(len(note.places) < 2 for note in notes):
        return
    places = [place for note in notes for place in note.places]
    for note in notes:
        note.string, note.fret, note.bends = "", None, []
        for place in places:
            if _pitch(place.string, place.fret) == note.pitch is not None:
                note.string, note.fret, note.bends = place.string, place.fret, place.bends
                places.remove(place)
                break


def _pitch(string: str, fret: int | None) -> int | None:
    """Return the pitch of a fret; None where there is none."""
    return STANDARD[string] + fret if string in STANDARD and fret is not None else None


def _contradicts(note: XmlNote, capo: int) -> bool:
    """Tell whether a fret gives another note than the pitch beside it, in whichever octave.

    A pitch may be written as it is bent, or as it sounds with a capo.
    """
    fretted = _pitch(note.string, note.fret)
    if fretted is None or note.pitch is None or note.tied:
        return False
    steps = accumulate((bend.cents for bend in note.bends), initial=0)
    known = {(up + cents) % 1200 for cents in steps for up in (0, 100 * capo)}
    return 100 * (note.pitch - fretted) % 1200 not in known


class _Player:
    def __init__(self, told: Counter[str], capo: int) -> None:
        self.told = told
        self.capo = capo
        self.done: list[Stroke] = []
        self.open: dict[str, _Open] = {}
        self.begun = self.until = Fraction(0)
        self.last = 5  # the fret played last
        self.slurs: dict[str, str] = {}

    def play(self, events: Iterable[XmlEvent]) -> tuple[Stroke, ...]:
        for event in events:
            if not event.notes:
                self._close(event.at)
                continue
            if self.open and event.at > self.until:
                self._close(self.until)
            self._event(event)
            self.until = event.end
        self._close(self.until)
        return tuple(self.done)

    def _close(self, at: Fraction) -> None:
        if self.open:
            notes = tuple(string.note for string in self.open.values())
            self.done.append(Stroke(self.begun, max(at, self.begun), notes))
        self.open = {}

    def _event(self, event: XmlEvent) -> None:
        rows: dict[str, list[XmlNote]] = {}
        notes = event.notes[: len(STRINGS)]
        self.told["note of a chord for which no string is left"] += len(event.notes) - len(notes)
        _deal(notes)
        for note in notes:
            self._find_string(note, rows)
            rows.setdefault(note.string, [])
        for column in event.graces:
            for note in column:
                self._find_string(note, {})
                if note.string in rows:
                    rows[note.string].append(note)
                else:
                    self.told["grace note on another string"] += 1
        for note in notes:
            rows[note.string].append(note)
        for row in rows.values():
            self._follow_slurs(row)
        going = [string for string, row in rows.items() if self._goes_on(row[0])]
        if len(going) == len(rows):
            self._stops_short(rows)
            for string, row in rows.items():
                self._extend(self.open[string], row, event.at)
            return
        rung = [string for string in going if rows[string][0].tied]
        for string in rung:
            self._let_ring(self.open[string])
        self._close(event.at)
        self.begun = event.at
        for string, row in rows.items():
            if string not in rung:
                self._pick(row)

    def _find_string(self, note: XmlNote, taken: dict[str, list[XmlNote]]) -> None:
        """Give a note that has only a pitch a string and a fret near the ones before."""
        known = note.string in STRINGS and (note.fret is not None or note.muted)
        self.told["fret that gives another note than its pitch; the fret was believed"] += (
            known and _contradicts(note, self.capo)
        )
        if known and note.string not in taken:
            return
        self.told["note that was given a string and a fret" if not known else
                  "second note on one string"] += 1  # fmt: skip
        pitch = note.pitch if note.pitch is not None else STANDARD["G"] + self.last
        free = [
            (abs(pitch - STANDARD[string] - self.last), string)
            for string in STRINGS
            if string not in taken and 0 <= pitch - STANDARD[string] <= LAST_FRET
        ]
        if free:
            _, note.string = min(free)
            note.fret = None if note.muted else pitch - STANDARD[note.string]
        else:
            left = [string for string in STRINGS if string not in taken]
            note.string, note.fret, note.muted = left[0], None, True

    def _follow_slurs(self, row: Sequence[XmlNote]) -> None:
        """Mark the notes to which a slur that began on their string leads."""
        for note in row:
            note.slurred = note.string in self.slurs.values()
            for kind, number in note.slurs:
                if kind == "stop":
                    self.slurs.pop(number, None)
            for kind, number in note.slurs:
                if kind == "start":
                    self.slurs[number] = note.string

    def _goes_on(self, note: XmlNote) -> bool:
        before = self.open.get(note.string)
        if before is None or before.fret is None or note.muted:
            return False
        if note.fret == before.fret:
            return note.tied
        return note.slid or note.joined or note.slurred

    def _stops_short(self, rows: Iterable[str]) -> None:
        gone = [string for string in self.open if string not in set(rows)]
        self.told["string of a double stop that ends before the other"] += sum(
            self.open[string].fret is not None for string in gone
        )

    def _let_ring(self, string: _Open) -> None:
        self.told["note that rings on under the next, marked {ring}"] += 1
        string.note = replace(string.note, marks=_ordered([*string.note.marks, "ring"]))

    def _pick(self, row: Sequence[XmlNote]) -> None:
        first = row[0]
        marks = _ordered([mark for note in row for mark in note.marks])
        string = _Open(
            Note(first.string, first.fret, marks=marks, into=first.into if first.fret else ""),
            first.fret,
        )
        self.open[first.string] = string
        if first.fret is not None:
            self._moves(string, first, None)
        self._at_once(string, row[1:])

    def _extend(self, string: _Open, row: Sequence[XmlNote], at: Fraction) -> None:
        first = row[0]
        wanted: Fraction | None = at
        if first.fret != string.fret:
            self._step(string, first, at)
            wanted = None
        self._moves(string, first, wanted)
        self._at_once(string, row[1:])
        self.told["mark on a note that is not picked"] += sum(
            mark != "accent" for note in row for mark in note.marks
        )

    def _at_once(self, string: _Open, row: Sequence[XmlNote]) -> None:
        for note in row:
            if note.fret != string.fret:
                if not (note.slid or note.joined or note.slurred):
                    self.told["grace note that is picked on its own"] += 1
                self._step(string, note, None)
            self._moves(string, note, None)

    def _step(self, string: _Open, note: XmlNote, at: Fraction | None) -> None:
        """Add the slide, hammer-on or pull-off that leads to another fret."""
        if note.fret is None or string.fret is None or string.left:
            return
        up = note.fret > string.fret
        if string.bent:
            self._add(string, Move("r", at=at))
            string.bent, at = 0, None
            self.told["bend that was let down before another fret"] += 1
        slides = note.slid and note.fret and string.fret
        sign = ("/" if up else "\\") if slides else ("h" if up else "p")
        self._add(string, Move(sign, note.fret, at=at))
        string.fret = self.last = note.fret

    def _moves(self, string: _Open, note: XmlNote, at: Fraction | None) -> None:
        """Add what happens at one head; the first of it is counted where `at` is given."""
        if string.fret is None or string.left:
            return
        self.last = string.fret
        moves = _spelled(note.ways) if note.ways else self._standard(string, note)
        if note.out and not note.ways and not string.left:
            if moves:
                moves.append(Move(note.out))
            else:
                self._add(string, Move(note.out))
        for number, move in enumerate(moves):
            self._add(string, replace(move, at=at if number == 0 else None))
            if move.sign in ("b", "pb", "r"):
                string.bent = _cents(move, string.fret)

    def _standard(self, string: _Open, note: XmlNote) -> list[Move]:
        assert string.fret is not None
        moves: list[Move] = []
        bent = string.bent
        for bend in note.bends:
            down = bend.release or (bend.cents < 0 and not bend.pre)
            if down:
                bent = max(0, bent - abs(bend.cents)) if bend.cents else 0
                size = _size(bent)
                moves.append(Move("r", size=size) if bent else Move("r"))
                continue
            first = bend.pre and not string.note.moves and not moves
            bent = abs(bend.cents) if bend.pre else bent + bend.cents
            size = _size(bent)
            self.told[f"bend of {bent / 100:g} half steps, written {size}"] += (
                BEND_SIZES[size] != bent
            )
            bent = BEND_SIZES[size]
            moves.append(Move("pb" if first else "b", size=size))
        if note.trill and string.fret + TRILL <= LAST_FRET:
            self.told["trill whose fret is not told, taken as two frets"] += 1
            moves.append(Move("tr", string.fret + TRILL))
        elif note.sways:
            moves.append(Move("~"))
        return moves

    def _add(self, string: _Open, move: Move) -> None:
        string.note = replace(string.note, moves=(*string.note.moves, move))


def _spelled(text: str) -> list[Move]:
    """Read techniques that this project has written into a file; what is none is left out."""
    moves = []
    for sign, size, fret in _MOVE.findall(text):
        takes = TECHNIQUES[sign].takes
        known = size in BEND_SIZES if size else bool(fret) or takes in ("", "slide", "release")
        if known:
            moves.append(Move(sign, int(fret) if fret else None, size or None))
    return moves


def _size(cents: int) -> str:
    return min(BEND_SIZES, key=lambda size: abs(BEND_SIZES[size] - cents))


def _cents(move: Move, fret: int) -> int:
    if move.size is not None:
        return BEND_SIZES[move.size]
    return 100 * (move.fret - fret) if move.fret is not None else 0


def _ordered(words: Iterable[str]) -> tuple[str, ...]:
    """Return marks in their order, one of each kind."""
    kinds: dict[str, str] = {}
    for word in words:
        found = mark(word)
        if found is not None:
            kinds.setdefault(found.kind, word)
    order = [*MARKS]
    return tuple(sorted(kinds.values(), key=lambda w: order.index(w) if w in order else 99))
