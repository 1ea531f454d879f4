"""Moves that change how the hands play the notes; conventions as in `phrases.moves.notes`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from random import Random

from phrases.fretboard import STRINGS
from phrases.moves.subject import PartStroke, Subject, any_of, tonic_chord
from phrases.phrase import Move, Phrase, StringNote, Stroke, bend_cents
from phrases.techniques import PICKLESS, STEPS, mark
from phrases.transpose import HIGHEST, bend_fault

__all__ = [
    "accented", "bent_before", "bent_for_slides", "bent_up", "curled", "doubled", "joined",
    "marked", "picked", "slid", "slid_for_bends", "slid_into", "slow_bends", "swaying", "trilled",
    "unison_bend",
]  # fmt: skip

LONG = Fraction(1)  # beats from which on a note is long
UNDER = (3, 4, 5, 8, 9)  # semitones to a second string: thirds, a fourth, sixths


def _each(
    line: Subject, make: Callable[[PartStroke], StringNote | tuple[StringNote, ...] | None]
) -> Phrase:
    """Change the notes of every spot for which there are others."""
    edits: dict[tuple[int, int], list[Stroke]] = {}
    for spot in line.spots:
        new = make(spot) if spot.pitch is not None else None
        if new is not None:
            notes = new if isinstance(new, tuple) else (new,)
            edits[spot.place] = [replace(spot.stroke, notes=notes)]
    return line.changed(edits)


def _one(
    line: Subject,
    choose: Random,
    make: Callable[[PartStroke], StringNote | tuple[StringNote, ...] | None],
) -> Phrase:
    """Change one spot for which there are other notes, and those that are like it."""
    made = {s.place: new for s in line.spots if s.pitch is not None and (new := make(s))}
    spot = any_of(choose, [s for s in line.spots if s.place in made])
    alike = {one.place for one in line.alike(spot)} & made.keys()
    return _each(line, lambda s: made[s.place] if s.place in alike else None)


def bent_for_slides(line: Subject, choose: Random) -> Phrase:
    """Bend where it was slid or hammered up to one or two frets."""

    def make(spot: PartStroke) -> StringNote | None:
        note = spot.note
        if not spot.single or note.into or len(note.moves) not in (1, 2):
            return None
        move, *more = note.moves
        up = move.technique.lands and move.technique.way > 0
        if not up or move.fret is None or note.fret is None:
            return None
        fault = bend_fault(note.string, note.fret, 100 * (move.fret - note.fret))
        if move.fret - note.fret > 2 or fault or any(m.technique.motion != "sway" for m in more):
            return None
        return replace(note, moves=(Move("b", move.fret, at=move.at), *more))

    return _each(line, make)


def slid_for_bends(line: Subject, choose: Random) -> Phrase:
    """Slide where it was bent, and back where it was let down."""

    def make(spot: PartStroke) -> tuple[StringNote, ...] | None:
        if not any(m.technique.bending for n in spot.stroke.notes for m in n.moves):
            return None
        notes = tuple(map(slid, spot.stroke.notes))
        return notes if notes != spot.stroke.notes else None

    return _each(line, make)


def slid(note: StringNote) -> StringNote:
    """Return a note whose bends by frets are slides; curls and what is half let down stay."""
    if note.fret is None or any(_halved(m, note.fret) for m in note.moves):
        return note
    fret, home, new = note.fret, note.fret, []
    first = note.fret
    for move in note.moves:
        if move.technique.bending in ("bend", "pre"):
            home, there = fret, fret + bend_cents(move, fret) // 100
            if move.technique.motion == "preset":
                first = there
            else:
                new.append(Move("/", there, at=move.at))
            fret = there
        elif move.technique.bending:
            new.append(Move("\\", home, at=move.at))
            fret = home
        else:
            new.append(move)
            fret = move.fret if move.fret is not None and move.technique.lands else fret
    marks = tuple(m for m in note.marks if m not in ("slow", "supported", "1", "2", "3", "4"))
    return replace(note, fret=first, moves=tuple(new), marks=marks)


def _halved(move: Move, fret: int) -> bool:
    """Tell a bend that ends between two frets, and a release that does not end where it began."""
    partly = move.technique.bending == "release" and move.size is not None
    return bool(move.technique.bending) and (partly or bend_cents(move, fret) % 100 != 0)


def bent_up(line: Subject, choose: Random) -> Phrase:
    """Bend up to a note that was picked, from the step of the scale below."""

    def make(spot: PartStroke) -> StringNote | None:
        if not spot.plain or spot.beats < line.unit or spot.note.fret is None:
            return None
        assert spot.pitch is not None
        below = spot.pitch - line.step(spot.pitch, -1)
        fret = spot.note.fret - below
        if not 1 <= below <= 2 or fret < 1 or bend_fault(spot.note.string, fret, 100 * below):
            return None
        marks = tuple(m for m in spot.note.marks if m not in ("1", "2", "3", "4"))
        bend = Move("b", spot.note.fret)
        return replace(spot.note, fret=fret, moves=(bend, *spot.note.moves), marks=marks)

    return _one(line, choose, make)


def slow_bends(line: Subject, choose: Random) -> Phrase:
    """Let a bend take its time, a beat at most."""

    def make(spot: PartStroke) -> StringNote | None:
        for n, move in enumerate(spot.note.moves):
            bends = move.technique.bending == "bend" and move.over is None
            if len(spot.stroke.notes) == 1 and bends:
                start = move.at if move.at is not None else spot.at
                until = next((m.at for m in spot.note.moves[n + 1 :] if m.at), spot.stroke.end)
                over = min(Fraction(1), (until - start) / 2)
                if over >= Fraction(1, 2) and over.denominator <= 4:
                    moves = list(spot.note.moves)
                    moves[n] = replace(move, over=over)
                    marks = tuple(m for m in spot.note.marks if m != "slow")
                    return replace(spot.note, moves=tuple(moves), marks=marks)
        return None

    return _each(line, make)


def bent_before(line: Subject, choose: Random) -> Phrase:
    """Bend before the pick, and let the string down while the note rings."""

    def make(spot: PartStroke) -> StringNote | None:
        note = spot.note
        bends = any(move.technique.bending == "bend" for move in note.moves[:1])
        if not (spot.single and bends) or note.into:
            return None
        bend, *more = note.moves
        if bend.at is not None or bend_cents(bend, note.fret or 0) % 100:
            return None
        first = replace(bend, sign="pb", over=None)
        marks = tuple(m for m in note.marks if m != "slow")
        if any(m.technique.bending == "release" for m in more):
            return replace(note, moves=(first, *more), marks=marks)
        if spot.beats < LONG or spot.last or any(m.technique.motion != "sway" for m in more):
            return None
        down = Move("r", at=spot.at + line.off)
        return replace(note, moves=(first, down, *more), marks=marks)

    return _one(line, choose, make)


def curled(line: Subject, choose: Random) -> Phrase:
    """Curl the minor third up by a quarter tone."""

    def make(spot: PartStroke) -> StringNote | None:
        assert spot.pitch is not None
        if not spot.plain or (spot.pitch - line.root) % 12 != 3 or spot.beats < line.unit:
            return None
        return replace(spot.note, moves=(Move("b", size="1/4"), *spot.note.moves))

    return _each(line, make)


def joined(line: Subject, choose: Random) -> Phrase:
    """Hammer on or pull off where the next note of a string was picked."""
    edits: dict[tuple[int, int], list[Stroke]] = {}
    for spot in line.body:
        after = line.after(spot)
        if after is None or spot.place in edits or not spot.plain or not after.plain:
            continue
        frets = (after.note.fret or 0) - (spot.note.fret or 0)
        same = spot.note.string == after.note.string and spot.stroke.end == after.at
        marks = {*spot.note.marks, *after.note.marks}
        free = not spot.note.moves and not {"short", "ring"} & marks
        if same and free and 1 <= abs(frets) <= 4:
            step = Move("h" if frets > 0 else "p", after.note.fret, at=after.at)
            note = replace(spot.note, moves=(step, *after.note.moves))
            edits[spot.place] = [replace(spot.stroke, end=after.stroke.end, notes=(note,))]
            edits[after.place] = []
    return line.changed(edits)


def picked(line: Subject, choose: Random) -> Phrase:
    """Pick what was hammered on or pulled off on a count of its own."""
    edits: dict[tuple[int, int], list[Stroke]] = {}
    for spot in line.spots:
        if len(spot.stroke.notes) > 1:
            continue
        note, strokes = spot.note, []
        at, fret, moves = spot.at, note.fret, list[Move]()
        marks = note.marks
        for move in note.moves:
            if move.sign in STEPS and move.at is not None:
                if any(m.technique.bending for m in moves):
                    break
                own = replace(note, fret=fret, moves=tuple(moves))
                strokes.append(Stroke(at, move.at, (own,)))
                at, fret, moves, marks = move.at, move.fret, [], ()
                continue
            moves.append(move)
        else:
            if strokes:
                last = StringNote(note.string, fret, tuple(moves), marks)
                edits[spot.place] = [*strokes, Stroke(at, spot.stroke.end, (last,))]
    return line.changed(edits)


def slid_into(line: Subject, choose: Random) -> Phrase:
    """Slide into strong notes from a half step below, which is only touched."""

    def make(spot: PartStroke) -> StringNote | None:
        fret = spot.note.fret
        if not spot.plain or spot.at % 1 or spot.beats < LONG or fret is None or fret < 2:
            return None
        return replace(spot.note, fret=fret - 1, moves=(Move("/", fret), *spot.note.moves))

    return _one(line, choose, make)


def doubled(line: Subject, choose: Random) -> Phrase:
    """Put a second string under long notes: a tone of the chord if there is one."""
    chord = tonic_chord(line.phrase)

    def make(spot: PartStroke) -> tuple[StringNote, ...] | None:
        if not spot.plain or spot.beats < LONG or spot.note.string == "E":
            return None
        assert spot.pitch is not None
        assert spot.note.fret is not None
        lower = STRINGS[STRINGS.index(spot.note.string) - 1]
        under = [spot.pitch - gap for gap in UNDER if (spot.pitch - gap) % 12 in line.scale]
        for pitch in sorted(under, key=lambda p: p % 12 not in chord):
            fret = pitch - line.open_pitch(lower)
            if max(1, spot.note.fret - 3) <= fret <= spot.note.fret + 2:
                return StringNote(lower, fret), replace(spot.note, moves=())
        return None

    return _one(line, choose, make)


def unison_bend(line: Subject, choose: Random) -> Phrase:
    """Bend the string below up to a long note while that sounds too."""

    def make(spot: PartStroke) -> tuple[StringNote, ...] | None:
        moves = spot.note.moves
        bent = any(m.technique.bending for m in moves) and all(m.at is None for m in moves)
        if not (spot.plain or (spot.single and bent)) or spot.beats < LONG or spot.pitch is None:
            return None
        for low, high in (("G", "B"), ("B", "e")):
            top = spot.pitch - line.open_pitch(high)
            under = spot.pitch - 2 - line.open_pitch(low)
            near = 1 <= top <= HIGHEST and abs(top - line.hand(spot)) <= 3
            if near and not bend_fault(low, under, 200) and (spot.pitch - 2) % 12 in line.scale:
                return StringNote(low, under, (Move("b", size="full"),)), StringNote(high, top)
        return None

    return _one(line, choose, make)


def swaying(line: Subject, choose: Random) -> Phrase:
    """Let long notes tremble, or tremble more."""

    def make(spot: PartStroke) -> StringNote | None:
        note = spot.note
        if not spot.single or spot.beats < LONG or "tremolo" in note.marks:
            return None
        if not note.moves or (note.moves[-1].fret is not None or note.moves[-1].size):
            last = note.moves[-1] if note.moves else None
            if last is not None and last.technique.motion == "flutter":
                return None
            return replace(note, moves=(*note.moves, Move("~~", grows=spot.beats >= 2)))
        if note.moves[-1] == Move("~"):
            return replace(note, moves=(*note.moves[:-1], Move("~~")))
        return None

    return _each(line, make)


def trilled(line: Subject, choose: Random) -> Phrase:
    """Trill with the next note of the scale above."""

    def make(spot: PartStroke) -> StringNote | None:
        assert spot.pitch is not None
        above = line.step(spot.pitch, 1) - spot.pitch
        if not spot.plain or spot.beats < LONG or not 1 <= above <= 3 or spot.last:
            return None
        trill = Move("tr", (spot.note.fret or 0) + above)
        return replace(spot.note, moves=(trill,)) if (trill.fret or 0) <= HIGHEST else None

    return _one(line, choose, make)


def marked(line: Subject, choose: Random, name: str, may: Callable[[PartStroke], bool]) -> Phrase:
    """Give a mark to every note that may have it and has none of its kind."""
    kind = mark(name)
    assert kind is not None

    def make(spot: PartStroke) -> tuple[StringNote, ...] | None:
        taken = {found.kind for n in spot.stroke.notes for m in n.marks if (found := mark(m))}
        clash = name in PICKLESS and "stroke" in taken
        if kind.kind in taken or clash or not may(spot):
            return None
        notes = spot.stroke.notes
        return tuple(replace(n, marks=(*n.marks, name)) for n in notes)

    return _each(line, make)


def accented(line: Subject, choose: Random) -> Phrase:
    """Lean on what comes off the beat."""
    return marked(line, choose, "accent", lambda spot: bool(spot.at % 1))
