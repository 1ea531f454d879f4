"""What each note of a phrase is: its name, its degree, its role against the chord, where it leads.

Conventions: a row is one pitch that is aimed at, picked or not; vibrato and slides to nowhere aim
at none. Pitches are MIDI numbers, and a quarter-tone curl lies half a semitone above one. Bars
count from 1 in each part, bar 0 is the pickup; beats count from the phrase's first bar.

References: common practice.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from phrases.counting import count_word
from phrases.hands import positions
from phrases.phrase import Move, Phrase, StringNote, Stroke, bend_cents, part_names
from phrases.pitch import (
    DEGREES,
    SCALES,
    Key,
    degree_name,
    degree_semitones,
    pitch_name,
    scale_pitch_classes,
)
from phrases.techniques import MARKS, SIZE_NAMES, SLIDES, TECHNIQUES

__all__ = ["Aim", "Chords", "PlacedStroke", "Row", "aims", "chord_roles", "hits", "rows"]

# From a beat on: the root's pitch class and the role of each pitch class of the chord.
Chords = Sequence[tuple[Fraction, int, Mapping[int, str]]]

MEMBERS = {"1": "root", "2": "ninth", "3": "third", "4": "fourth", "5": "fifth", "6": "sixth",
           "7": "seventh", "9": "ninth", "11": "fourth", "13": "sixth"}  # fmt: skip
# What a pitch is that the chord does not hold, by its semitones above the root.
OUTSIDE = {2: "ninth", 3: "blue note", 5: "fourth", 6: "blue note", 9: "sixth", 10: "seventh"}
BLUE = (3, 6)  # semitones above the tonic
RESTLESS = ("fourth", "blue note", "tension")
TRILLS = tuple(one.name for one in TECHNIQUES.values() if one.motion == "flutter")


@dataclass(frozen=True, slots=True)
class Row:
    """One pitch of a phrase."""

    # `part` to `count`: the part's name, its bar (0 is the pickup), the count: ``3&``.
    part: str
    bar: int
    count: str
    at: Fraction  # the beat, from the phrase's first bar
    string: str  # and `fret`: where the string is pressed; the fret is None for a muted string
    fret: int | None
    stroke: int  # the number of its stroke in the phrase, from 0
    how: str  # ``pick``, or the technique that leads there
    pitch: float | None  # a MIDI number, with its fraction for a curl; None for a muted string
    name: str  # and `degree`: as in the key, ``Eb4`` and ``b3``; with a ``+`` for a curl
    degree: str
    # Against the chord under it: root, third, fifth, seventh, ninth, fourth, sixth, blue note or
    # tension; empty without chords.
    role: str
    # Of a fourth, a blue note or a tension: by ``step`` or by ``bend`` to a tone of the chord, by
    # ``curl`` upward; ``passes`` by step to another such note, or ``hangs``.
    resolves: str
    # `position` and `stretch`: the fret where the first finger stands, and how many frets above it
    # this one is: 0 to 3 lie under the hand. 0 for an open string.
    position: int
    stretch: int
    also: tuple[str, ...] = ()  # as in an `Aim`

    @property
    def place(self) -> str:
        """Where it is, as tips are written: ``call 1 3&``."""
        return f"{self.part} {self.bar} {self.count}"

    @property
    def trilled(self) -> bool:
        """Whether it is the other note of a trill."""
        return self.how.startswith(TRILLS)


@dataclass(frozen=True, slots=True)
class Aim:
    """A pitch that the hand goes to under one note: picked, slid, bent."""

    at: Fraction  # the beat, from the phrase's first bar
    # `fret` to `how`: as in a `Row`.
    fret: int | None
    pitch: float | None
    how: str
    slid: int = 0  # frets that the hand has slid since the pick
    bent: int = 0  # cents to which a bend pushes here; 0 for what is no bend
    # Names of what the hands do there besides, that aims at no pitch: ``vibrato``.
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlacedStroke:
    """A stroke in its part."""

    part: str  # the part's name, with a number where there are several of its role
    # `beat` and `beats`: on which beat the part's first bar starts, and how many a bar has.
    beat: Fraction
    beats: int
    stroke: Stroke  # in beats from the phrase's first bar
    position: int  # the hand's, at the pick

    def counted(self, at: Fraction) -> tuple[int, str]:
        """Return the bar and the count of a beat."""
        bar, beat = divmod(at - self.beat, self.beats)
        return int(bar) + 1, count_word(int(beat) + 1, beat % 1, 0)

    def place(self, at: Fraction) -> str:
        """Return where a beat is, as tips are written: ``call 1 3&``."""
        bar, count = self.counted(at)
        return f"{self.part} {bar} {count}"


def chord_roles(root: int, members: Sequence[str]) -> dict[int, str]:
    """Return the role of each pitch class of a chord on a root, of degrees as ``1 3 5 b7``."""
    return {
        (root + degree_semitones(member)) % 12: MEMBERS[member.lstrip("b#")]
        for member in reversed(members)
    }


def hits(phrase: Phrase) -> list[PlacedStroke]:
    """Return every stroke of a phrase in order, each with its part and its position."""
    beats = phrase.meter.beats
    names = part_names([part.role for part in phrase.parts])
    line = [
        (name, Fraction(first := bar * beats), stroke.moved(first))
        for name, (bar, part) in zip(names, phrase.placed(), strict=True)
        for stroke in part.strokes
    ]
    where = positions([stroke for _, _, stroke in line])
    return [
        PlacedStroke(name, first, beats, stroke, position)
        for (name, first, stroke), position in zip(line, where, strict=True)
    ]


def aims(note: StringNote, at: Fraction) -> list[Aim]:
    """Return the degrees that a note picked on a beat aims at, in order."""
    fret = note.fret
    if fret is None:
        return [Aim(at, None, None, "muted")]
    found: list[Aim] = []
    slid, moves = 0, note.moves
    also = tuple(MARKS[name].name for name in note.marks if name in ("harmonic", "pinch"))
    if not (moves and moves[0].technique.motion == "preset"):
        how = SLIDES.get(note.into, "pick")
        found.append(Aim(at, fret, float(note.pitch(fret) + note.raised), how, also=also))
    for move in moves:
        at = at if move.at is None else move.at
        kind = move.technique
        if kind.bending:
            bent = bend_cents(move, fret)
            # Its size as it is written, also where it was written as a fret.
            size = SIZE_NAMES.get(bent, f"{bent} cents")
            how = _how(move, f"{kind.name} {size}" if bent else kind.name)
            pitch = note.pitch(fret) + note.raised + bent / 100
            bent = bent if kind.takes == "bend" else 0
            found.append(Aim(at, fret, pitch, how, slid, bent))
            continue
        if move.fret is None:
            name = f"{kind.name} to nowhere" if kind.takes == "slide" else kind.name
            found[-1] = replace(found[-1], also=(*found[-1].also, _how(move, name)))
            continue
        slid += move.fret - fret if kind.takes == "slide" else 0
        pitch = float(note.pitch(move.fret) + note.raised)
        found.append(Aim(at, move.fret, pitch, _how(move, kind.name), slid))
        fret = move.fret if kind.lands else fret
    return found


def _how(move: Move, name: str) -> str:
    return f"{name} {move.words}" if move.words else name


def rows(phrase: Phrase, line: Sequence[PlacedStroke], chords: Chords = ()) -> list[Row]:
    """Return a row for each pitch of a phrase, in order.

    `line` are its `hits`; what comes before the first of the `chords` is heard against that.
    """
    found = [
        _row(phrase.key, number, hit, note, aim, chords)
        for number, hit in enumerate(line)
        for note in hit.stroke.notes
        for aim in aims(note, hit.stroke.at)
    ]
    found.sort(key=lambda row: row.at)
    return [replace(row, resolves=_resolves(row, found, phrase, chords)) for row in found]


def _row(
    key: Key, number: int, hit: PlacedStroke, note: StringNote, aim: Aim, chords: Chords
) -> Row:
    bar, count = hit.counted(aim.at)
    position = hit.position + aim.slid
    name, degree = _named(aim.pitch, key)
    return Row(
        part=hit.part,
        bar=bar,
        count=count,
        at=aim.at,
        string=note.string,
        fret=aim.fret,
        stroke=number,
        how=aim.how,
        pitch=aim.pitch,
        name=name,
        degree=degree,
        role=_role(aim.pitch, key, _under(chords, aim.at)),
        resolves="",
        position=position,
        stretch=aim.fret - position if aim.fret else 0,
        also=aim.also,
    )


def _named(pitch: float | None, key: Key) -> tuple[str, str]:
    """Return a pitch's name with its octave, and its degree of the key."""
    if pitch is None:
        return "", ""
    near = math.floor(pitch)
    curl = "+" if pitch != near else ""
    degree = DEGREES[(near - key.pitch_class) % 12]
    letter = degree_name(key.tonic, degree)
    if letter.endswith(("bb", "##")):
        return pitch_name(near) + curl, degree + curl
    natural = near + letter.count("b") - letter.count("#")
    return f"{letter}{natural // 12 - 1}{curl}", degree + curl


def _under(chords: Chords, at: Fraction) -> tuple[int, Mapping[int, str]] | None:
    if not chords:
        return None
    _, root, roles = next((one for one in reversed(chords) if one[0] <= at), chords[0])
    return root, roles


def _role(pitch: float | None, key: Key, chord: tuple[int, Mapping[int, str]] | None) -> str:
    if chord is None or pitch is None:
        return ""
    root, roles = chord
    if pitch % 1:
        return "blue note"
    pc = int(pitch) % 12
    if pc in roles:
        return roles[pc]
    if (pc - key.pitch_class) % 12 in BLUE:
        return "blue note"
    return OUTSIDE.get((pc - root) % 12, "tension")


def _resolves(row: Row, every: Sequence[Row], phrase: Phrase, chords: Chords) -> str:
    """Tell how a restless pitch comes to rest: by what its part aims at next."""
    pitch = row.pitch
    if pitch is None or row.role not in RESTLESS or pitch % 1 or row.trilled:
        return ""
    for group in _following(row, every):
        for later in group:
            there = later.pitch
            assert there is not None
            if 0 < there - pitch < 1:
                return "curl"
            chord = _under(chords, later.at)
            if chord and there % 12 in chord[1] and _is_step(pitch, there, phrase):
                return "bend" if "bend" in later.how else "step"
        pitches = [later.pitch for later in group if later.pitch is not None]
        if pitch not in pitches:
            return "passes" if any(_is_step(pitch, p, phrase) for p in pitches) else "hangs"
    return "hangs"


def _following(row: Row, every: Sequence[Row]) -> Iterator[list[Row]]:
    """Yield what comes after a row: the rest of its note, then the strokes of its part."""
    heard = [one for one in every if one.pitch is not None and not one.trilled]
    own = [one for one in heard if (one.stroke, one.string) == (row.stroke, row.string)]
    yield from ([later] for later in own[own.index(row) + 1 :])
    after = [one for one in heard if one.stroke > row.stroke and one.part == row.part]
    for stroke in dict.fromkeys(one.stroke for one in after):
        first = {one.string: one for one in reversed(after) if one.stroke == stroke}
        yield list(first.values())


def _is_step(one: float, other: float, phrase: Phrase) -> bool:
    """Tell one or two semitones, or neighbours in the pentatonic or the phrase's scale."""
    low, high = sorted((one, other))
    if high - low <= 2:
        return True
    scales = {"minor pentatonic", phrase.scale} & set(SCALES)
    return high - low == 3 and any(
        _neighbours(int(low), scale_pitch_classes(phrase.key.tonic, scale)) for scale in scales
    )


def _neighbours(low: int, scale: Collection[int]) -> bool:
    """Tell whether a pitch and the one three semitones above follow each other in a scale."""
    return [pitch % 12 in scale for pitch in range(low, low + 4)] == [True, False, False, True]
