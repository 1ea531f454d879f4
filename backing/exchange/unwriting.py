"""From written notes back to strokes: who is picked, and what the hand does without a pick.

Conventions: positions are felt beats from bar one. A note goes on from the one before on its
string where a tie, a slide, a hammer-on, a pull-off or a slur leads to it; grace notes come at
once. A stroke ends where something else is picked or a rest begins.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import accumulate, chain

from backing.exchange.losses import Losses
from backing.exchange.notes import XmlNote
from backing.exchange.tuning import STANDARD_TUNING, Tuning
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.phrase import Move, StringNote, Stroke, bend_cents
from phrases.spelling import spelled_moves
from phrases.techniques import BEND_SIZES, HARMONICS, MARKS, PICKLESS, TECHNIQUES, mark

__all__ = ["XmlEvent", "strokes"]

TRILL = 2  # frets, where a file does not say


@dataclass(slots=True)
class XmlEvent:
    """A note, chord or rest of one voice in a MusicXML file."""

    at: Fraction  # and `end`: felt beats from bar one
    end: Fraction
    notes: list[XmlNote] = field(default_factory=list)  # those that have a length; none for a rest
    graces: list[list[XmlNote]] = field(default_factory=list)  # those before it, in columns
    bar: str = ""  # the number of its bar in the file

    @property
    def heads(self) -> Iterator[XmlNote]:
        """All its notes, the grace notes first."""
        yield from chain.from_iterable(self.graces)
        yield from self.notes


@dataclass(slots=True)
class _Open:
    """A string that rings."""

    note: StringNote
    fret: int | None
    bent: int = 0
    leaves: bool = False  # by a slide that has not arrived
    joins: bool = False  # by a hammer-on or pull-off that has not

    @property
    def left(self) -> bool:
        """Whether it has slid away to nowhere."""
        last = self.note.moves[-1] if self.note.moves else None
        return last is not None and last.technique.slide != "" and last.fret is None


def strokes(
    events: Sequence[XmlEvent], told: Losses, capo: int = 0, tuning: Tuning = STANDARD_TUNING
) -> tuple[Stroke, ...]:
    """Return the strokes that events of one voice write.

    The events are in order of time, also rests; `told` gets what could not be carried over; `capo`
    is the fret from which frets count, 0 without one.
    """
    player = _Player(told, capo, tuning)
    for event in events:
        player.find_strings(event)
    _sway(events, told)
    return player.play(events)


def _sway(events: Iterable[XmlEvent], told: Losses) -> None:
    """Give each note its vibrato, also where a line goes over several of them."""
    open_: dict[str, list[XmlNote]] = {}  # by the line's number: what it has passed so far
    ended: dict[str, XmlNote] = {}  # by string
    for event in events:
        begun = set()
        for note in event.heads:
            kinds = [kind for kind, _ in note.waves]
            before = ended.pop(note.string, None)
            still = note.tied and not (kinds or note.bends or note.ways or note.others)
            if before is not None and still:
                told.add("vibrato that ends before its note does", before.bar)
            for kind, number in note.waves:
                if kind == "start":
                    open_[number] = [note]
                    begun.add(number)
                elif kind == "stop" and number in open_:
                    ended[note.string] = note
                    _sway_each([*open_.pop(number), note], told)
            # One that goes on under a tie may be written anew at every note.
            note.sways |= "start" in kinds and not (note.tied and kinds[0] == "stop")
        for number in open_.keys() - begun:
            own = [note for note in event.heads if note.string == open_[number][0].string]
            open_[number] += own or event.heads


def _sway_each(notes: Sequence[XmlNote], told: Losses) -> None:
    """Give a vibrato that several picked notes have in common to each of them."""
    for note in notes[1:]:
        if not note.tied and note is not notes[0] and not note.sways:
            note.sways = True
            told.add("vibrato over several notes, given to each", note.bar)


def _deal(notes: Sequence[XmlNote], tuning: Tuning) -> None:
    """Give the notes of a chord the strings, frets and bends that one of them has for all.

    Each gets those of its pitch; where there are none it is left without.
    """
    if all(len(note.places) < 2 for note in notes):
        return
    places = [place for note in notes for place in note.places]
    for note in notes:
        note.line, note.fret, note.bends = 0, None, []
        for place in places:
            if tuning.pitch(place.line, place.fret) == note.pitch is not None:
                note.line, note.fret, note.bends = place.line, place.fret, place.bends
                places.remove(place)
                break


def _contradicts(note: XmlNote, capo: int, tuning: Tuning) -> bool:
    """Tell whether a fret gives another note than the pitch beside it, in whichever octave.

    A pitch may be written as it is bent, or as it sounds with a capo.
    """
    fretted = tuning.pitch(note.line, note.fret)
    if fretted is None or note.pitch is None or note.tied:
        return False
    steps = accumulate((bend.cents for bend in note.bends), initial=0)
    ups = {0, 100 * capo, -100 * tuning.shift}
    known = {(up + cents) % 1200 for cents in steps for up in ups}
    return 100 * (note.pitch - fretted) % 1200 not in known


class _Player:
    def __init__(self, told: Losses, capo: int, tuning: Tuning) -> None:
        self.told = told
        self.tuning = tuning
        self.capo = capo
        self.bar = ""
        self.done: list[Stroke] = []
        self.open: dict[str, _Open] = {}
        self.begun = self.until = Fraction(0)
        self.last = 5  # the fret played last
        self.slurs: dict[str, str] = {}

    def play(self, events: Iterable[XmlEvent]) -> tuple[Stroke, ...]:
        for event in events:
            self.bar = event.bar
            if not event.notes:
                self._close(event.at)
                continue
            if self.open and event.at > self.until:
                self._close(self.until)
            self._event(event)
            self.until = event.end
        self._close(self.until)
        return tuple(self.done)

    def _lose(self, what: str) -> None:
        self.told.add(what, self.bar)

    def _close(self, at: Fraction) -> None:
        for string in self.open.values():
            if string.joins:
                self._lose("hammer-on or pull-off that leads to no note of its string; left out")
            if string.leaves and string.fret and string.fret > 1 and not string.left:
                self._lose("slide that leads to no note, taken as one down to nowhere")
                self._add(string, Move("\\"))
        if self.open:
            notes = tuple(string.note for string in self.open.values())
            self.done.append(Stroke(self.begun, max(at, self.begun), notes))
        self.open = {}

    def find_strings(self, event: XmlEvent) -> None:
        """Give each note of an event its string, each string one note."""
        self.bar = event.bar
        if len(event.notes) > len(STRINGS):
            self._lose("note of a chord for which no string is left")
            del event.notes[len(STRINGS) :]
        _deal(event.notes, self.tuning)
        taken: set[str] = set()
        for note in event.notes:
            self._find_string(note, taken)
            taken.add(note.string)
        for column in event.graces:
            for note in column:
                self._find_string(note, set())

    def _event(self, event: XmlEvent) -> None:
        rows: dict[str, list[XmlNote]] = {note.string: [] for note in event.notes}
        for column in event.graces:
            for note in column:
                if note.string in rows:
                    rows[note.string].append(note)
                else:
                    self._lose("grace note on another string")
        for note in event.notes:
            rows[note.string].append(note)
        for string, row in rows.items():
            self._follow_slurs(row)
            # Some files tell only where a hammer-on or a pull-off begins.
            before = self.open.get(string)
            joins = before is not None and before.joins and not row[0].tied
            if before is not None and joins and event.at == self.until:
                row[0].joined = True
                before.joins = False
        going = [string for string, row in rows.items() if self._goes_on(row[0])]
        if len(going) == len(rows):
            self._stops_short(rows)
            for string, row in rows.items():
                self._extend(self.open[string], row, event.at)
            return
        rung = [string for string in going if rows[string][0].tied]
        for string in rung:
            self._let_ring(self.open[string])
        for string, row in rows.items():
            if string not in rung:
                self._led_to(string, row[0])
        self._close(event.at)
        self.begun = event.at
        for string, row in rows.items():
            if string not in rung:
                self._pick(row)

    def _led_to(self, string: str, note: XmlNote) -> None:
        """Let the string slide to a note that is picked; say where another join is lost."""
        before = self.open.get(string)
        if before is not None:
            before.leaves &= not note.slid
        if note.joined:
            self._lose("hammer-on or pull-off that does not come from its own string; picked")
        if not note.slid:
            return
        if before is None or before.fret is None or not before.fret or not note.fret:
            self._lose("slide that does not come from its own string; left out")
        elif before.fret == note.fret:
            self._lose("slide to its own fret; left out")
        elif not before.left:
            if before.bent:
                self._lose("bend that was let down before another fret")
                self._add(before, Move("r"))
                before.bent = 0
            self._add(before, Move("/" if note.fret > before.fret else "\\"))

    def _find_string(self, note: XmlNote, taken: set[str]) -> None:
        """Give a note that has only a pitch, or no place, a string and a fret near the others."""
        pitch = self.tuning.pitch(note.line, note.fret)
        known = bool(note.line) and (pitch is not None or note.muted)
        if known and _contradicts(note, self.capo, self.tuning):
            self._lose("fret that gives another note than its pitch; the fret was believed")
        string = STRINGS[-note.line] if known and note.line <= len(STRINGS) else ""
        if string and pitch is not None:
            note.fret = pitch - self.tuning.of(string)
        if string and string not in taken and 0 <= (note.fret or 0) <= LAST_FRET:
            note.string = string
            self.last = note.fret or self.last
            return
        if not known:
            self._lose("note without a string and a fret, given both")
        elif (note.fret or 0) > LAST_FRET:
            self._lose(f"fret {note.fret}; the neck has {LAST_FRET}, played elsewhere")
        elif not string or (note.fret or 0) < 0:
            self._lose("note on a string that a guitar has not, played elsewhere")
        else:
            self._lose("second note on one string, moved to another")
        if pitch is None:
            pitch = note.pitch if note.pitch is not None else STANDARD["G"] + self.last
        for octave in (0, -12, 12, -24, 24, -36, 36):
            free = [
                (abs(pitch + octave - self.tuning.of(string) - self.last), string)
                for string in STRINGS
                if string not in taken
                and 0 <= pitch + octave - self.tuning.of(string) <= LAST_FRET
            ]
            if free:
                if octave:
                    self._lose("note that the neck has not, put an octave or more away")
                _, note.string = min(free)
                note.fret = None if note.muted else pitch + octave - self.tuning.of(note.string)
                self.last = note.fret or self.last
                return
        self._lose("note that has no place on the neck, muted")
        note.string = next(string for string in STRINGS if string not in taken)
        note.fret, note.muted = None, True

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
        # A slide without a slur leads to a note that is picked (common practice).
        return note.joined or note.slurred

    def _stops_short(self, rows: Iterable[str]) -> None:
        gone = [string for string in self.open if string not in set(rows)]
        if any(self.open[string].fret is not None for string in gone):
            self._lose("string of a double stop that ends before the other")

    def _let_ring(self, string: _Open) -> None:
        self._lose("note that rings on under the next, marked {ring}")
        string.note = replace(string.note, marks=_ordered([*string.note.marks, "ring"]))

    def _pick(self, row: Sequence[XmlNote]) -> None:
        first = row[0]
        marks = _ordered([mark for note in row for mark in note.marks])
        string = _Open(
            StringNote(first.string, first.fret, marks=marks, into=self._into(first)), first.fret
        )
        self.open[first.string] = string
        if first.fret not in HARMONICS:
            self._pressed(string)
        if first.fret is not None:
            self._moves(string, first, None)
        self._at_once(string, row[1:])

    def _into(self, note: XmlNote) -> str:
        """Return the slide from nowhere that leads to a note, where there is room for one."""
        fret = note.fret or 0
        up = note.into == "/"
        if note.into and not up < fret < LAST_FRET + up:
            self._lose("slide from nowhere for which the neck has no room; left out")
            return ""
        return note.into

    def _extend(self, string: _Open, row: Sequence[XmlNote], at: Fraction) -> None:
        first = row[0]
        wanted: Fraction | None = at
        if first.fret != string.fret:
            self._step(string, first, at)
            wanted = None
        self._moves(string, first, wanted)
        self._at_once(string, row[1:])
        for word in sorted({word for note in row for word in note.marks} - {"accent", "ring"}):
            said = mark(word)
            self._lose(f"{said.name if said else word} on a note that is not picked")

    def _at_once(self, string: _Open, row: Sequence[XmlNote]) -> None:
        for note in row:
            if note.fret != string.fret:
                if not (note.slid or note.joined or note.slurred):
                    self._lose("grace note that is picked on its own, joined to the next")
                self._step(string, note, None)
            self._moves(string, note, None)

    def _step(self, string: _Open, note: XmlNote, at: Fraction | None) -> None:
        """Add the slide, hammer-on or pull-off that leads to another fret."""
        if note.fret is None or string.fret is None or string.left:
            return
        way = 1 if note.fret > string.fret else -1
        if string.bent:
            self._add(string, Move("r", at=at))
            string.bent, at = 0, None
            self._lose("bend that was let down before another fret")
        motion = "frets" if note.slid and note.fret and string.fret else "step"
        fit = [s for s, one in TECHNIQUES.items() if (one.motion, one.way) == (motion, way)]
        sign = next((sign for sign in fit if note.by in TECHNIQUES[sign].element), fit[0])
        self._add(string, Move(sign, note.fret, at=at))
        string.fret = self.last = note.fret
        string.leaves = string.joins = False

    def _moves(self, string: _Open, note: XmlNote, at: Fraction | None) -> None:
        """Add what happens at one head; the first of it is counted where `at` is given."""
        if string.fret is None or string.left:
            return
        self.last = string.fret
        string.leaves, string.joins = note.leaves, note.joins
        moves = spelled_moves(note.ways) if note.ways else self._standard(string, note)
        for number, move in enumerate(moves):
            self._add(string, replace(move, at=at if number == 0 else None))
            if move.technique.bending:
                string.bent = bend_cents(move, string.fret)
        if note.out and not note.ways:
            self._add(string, Move(note.out))

    def _standard(self, string: _Open, note: XmlNote) -> list[Move]:
        assert string.fret is not None
        moves: list[Move] = []
        bent = string.bent
        for bend in note.bends:
            down = bend.release or (bend.cents < 0 and not bend.pre)
            if down:
                bent = max(0, bent - abs(bend.cents)) if bend.cents else 0
                moves.append(Move("r", size=_size(bent) if bent else None))
                continue
            first = bend.pre and not string.note.moves and not moves
            bent = abs(bend.cents) if bend.pre else bent + bend.cents
            size = _size(bent)
            if BEND_SIZES[size] != bent:
                self._lose(f"bend of {bent / 100:g} half steps, written {size}")
            bent = BEND_SIZES[size]
            moves.append(Move("pb" if first else "b", size=size))
        if note.trill and string.fret + TRILL <= LAST_FRET:
            self._lose("trill whose fret is not told, taken as two frets")
            moves.append(Move("tr", string.fret + TRILL))
        elif note.sways:
            moves.append(Move("~~" if note.wide else "~"))
        return moves + [Move(sign) for sign in note.others]

    def _add(self, string: _Open, move: Move) -> None:
        string.note = replace(string.note, moves=(*string.note.moves, move))
        if move.fret is not None or move.technique.takes:
            self._pressed(string)

    def _pressed(self, string: _Open) -> None:
        """Lose a natural harmonic where there is none: a string that is pressed has none."""
        marks = tuple(name for name in string.note.marks if name != "harmonic")
        if marks != string.note.marks:
            self._lose("harmonic")
            string.note = replace(string.note, marks=marks)


def _size(cents: int) -> str:
    return min(BEND_SIZES, key=lambda size: abs(BEND_SIZES[size] - cents))


def _ordered(words: Iterable[str]) -> tuple[str, ...]:
    """Return marks in their order, one of each kind."""
    kinds: dict[str, str] = {}
    for word in words:
        found = mark(word)
        if found is not None:
            kinds.setdefault(found.kind, word)
    if set(PICKLESS) & set(kinds.values()):
        kinds.pop("stroke", None)
    order = [*MARKS]
    return tuple(sorted(kinds.values(), key=lambda w: order.index(w) if w in order else 99))
