"""The same phrase with other fingers: in another position or on other strings.

Conventions: a fingering is searched for anew, keeping every pitch, technique and count. A position
is the fret under the first finger, as in `phrases.hands`.

References: no slide and, where it was none, no vibrato on an open string: common practice, from
memory. The costs are this project's own.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product

from phrases.counting import count_word
from phrases.errors import ChoiceError, RangeError
from phrases.fingering import FINGER_MARKS, REACH
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.hands import Grip, grips, move_cost
from phrases.phrase import Part, Phrase, StringNote, Stroke, bend_cents
from phrases.pitch import Key, pitch_name
from phrases.transpose import HIGHEST, all_frets, bend_fault, each_part, moved_note, ways
from phrases.words import expected

__all__ = ["POSITIONS", "parse_strings", "possible_positions", "refinger"]

POSITIONS = (1, 17)
OPEN_POSITION = 1

# What hands would rather not do, beside what `phrases.hands` counts.
SKIPPED = 0.3  # for each string between one stroke and the next
ELSEWHERE = 0.2  # for each string away from where it was
SILENCED = 3.0  # a string that was to ring on
SHORT_OF_NECK = 0.5  # a slide from or to nowhere, for each fret that it lacks
NOWHERE = 3  # frets that such a slide wants
SPLIT = 0.4  # a double stop, for each string between
OPEN = "; open strings are played in position 1, or where the phrase has some"
RAKED = 2  # lower strings that a rake wants


def parse_strings(text: str) -> str:
    """Return a set of strings such as ``GBe`` in order from low to high.

    Raises `ChoiceError` if a letter is not one of ``E A D G B e``, comes twice, or there is none.
    """
    for letter in text:
        if letter not in STRINGS:
            hint = expected("a string", letter, STRINGS)
            raise ChoiceError(f"strings {text}: {hint}; write them together, as GBe")
        if text.count(letter) > 1:
            raise ChoiceError(f'strings {text}: "{letter}" comes twice; write it once')
    if not text:
        raise ChoiceError("name at least one string: some of E A D G B e, as GBe")
    return "".join(string for string in STRINGS if string in text)


def refinger(
    phrase: Phrase,
    position: int | None = None,
    strings: str | None = None,
    *,
    key: Key | None = None,
) -> Phrase:
    """Return a phrase with other fingers: the same pitches, techniques and counts.

    Open strings are used where the phrase has some, or in position 1. Fingers that are written go
    where the fingering changes, unless it is the same shape elsewhere. `position` is the fret
    under the first finger, 1 to 17, which stays there but for slides; left out, the hand goes
    where it likes. `strings` are those to use, such as ``GBe``; all if left out. `key` is another
    one, up or down by less than an octave, the shorter way first.

    Raises `ChoiceError` for what are not strings; `RangeError` if the position is none, or naming
    the first part, bar and count that cannot be played.
    """
    low, high = POSITIONS
    if position is not None and not low <= position <= high:
        raise RangeError(f"position {position}: it must lie from {low} to {high}")
    allowed = parse_strings(strings) if strings is not None else "".join(STRINGS)
    has_open = 0 in all_frets(phrase)
    key = key or phrase.key
    failed: RangeError | None = None
    for move in ways(phrase.key, key):
        search = _Search(position, allowed, move, phrase, has_open)
        try:
            return each_part(phrase, key, search.part)
        except RangeError as error:
            failed = failed or error
    assert failed is not None
    raise failed


def possible_positions(
    phrase: Phrase, strings: str | None = None, *, key: Key | None = None
) -> list[int]:
    """Return the positions in which all of a phrase can be played; the rest is as for `refinger`.

    Raises `ChoiceError` for what are not strings.
    """
    low, high = POSITIONS
    found = []
    for position in range(low, high + 1):
        with contextlib.suppress(RangeError):
            refinger(phrase, position, strings, key=key)
            found.append(position)
    return found


@dataclass(frozen=True, slots=True)
class _Hold:
    """One fingering of a stroke in one grip."""

    stroke: Stroke
    grip: Grip
    cost: float


class _Search:
    """A search over the fingerings of a part, by dynamic programming over its strokes.

    `move` are the semitones by which everything is moved, `has_open` says whether open strings may
    be used in any position.
    """

    def __init__(
        self, position: int | None, strings: str, move: int, phrase: Phrase, has_open: bool
    ) -> None:
        self.position = position
        self.strings = strings
        self.move = move
        self.beats, self.tuned = phrase.meter.beats, phrase.tuned
        self.open = has_open or position == OPEN_POSITION

    def part(self, part: Part, where: str) -> Part:
        """Return a part fingered anew; raises `RangeError` if a stroke of it has no fingering."""
        layers: list[list[tuple[float, _Hold, int]]] = []
        for number, stroke in enumerate(part.strokes):
            rest = max(Fraction(0), stroke.at - part.strokes[number - 1].end) if number else 0
            layer = []
            for hold in self._holds(stroke):
                cost, origin = min(
                    (
                        (cost + _going(other, hold, Fraction(rest)), index)
                        for index, (cost, other, _) in enumerate(layers[-1] if layers else ())
                    ),
                    default=(0.0, 0),
                )
                layer.append((cost + hold.cost, hold, origin))
            if not layer:
                raise RangeError(f"{where}, {self._place(stroke.at)}: {self._why(stroke)}")
            layers.append(layer)
        index = min(range(len(layers[-1])), key=lambda n: layers[-1][n][0]) if layers else 0
        strokes = []
        for layer in reversed(layers):
            _, hold, index = layer[index]
            strokes.append(hold.stroke)
        return _fingers_dropped(part, replace(part, strokes=tuple(reversed(strokes))))

    def _place(self, at: Fraction) -> str:
        bar, beat = divmod(at, self.beats)
        where = f"bar {bar + 1}" if bar >= 0 else "bar 0 (the pickup)"
        return f"{where}, count {count_word(int(beat) + 1, at % 1, 0)}"

    def _holds(self, stroke: Stroke) -> Iterator[_Hold]:
        ways = [[new for new, why in self._ways(note) if not why] for note in stroke.notes]
        for notes in product(*ways):
            if len({note.string for note in notes}) < len(notes):
                continue
            held = replace(stroke, notes=notes)
            cost = sum(_liking(a, b) for a, b in zip(stroke.notes, notes, strict=True))
            cost += SPLIT * (_width(notes) - len(notes) + 1)
            for grip in grips(held):
                if self.position in (None, grip.position, grip.leaves):
                    yield _Hold(held, grip, cost + grip.cost)

    def _ways(self, note: StringNote) -> Iterator[tuple[StringNote, str]]:
        """Return a note on every string that is allowed, each with why it cannot be there."""
        bare = replace(note, marks=tuple(m for m in note.marks if m not in FINGER_MARKS))
        for string in self.strings:
            if note.fret is None:
                yield replace(note, string=string, tuned=self.tuned[string]), ""
                continue
            move = self.move + note.pitch(0) - STANDARD[string] - self.tuned[string]
            # A fret below the nut is kept for its message only.
            new = replace(moved_note(bare, move), string=string, tuned=self.tuned[string])
            yield new, self._fault(new, note)

    def _fault(self, note: StringNote, written: StringNote) -> str:
        """Return why a note cannot be played where it is; empty where it can."""
        assert note.fret is not None
        fret, elsewhere = note.fret, note.fret != written.fret
        frets = [fret, *(m.fret for m in note.moves if m.fret is not None)]
        on = f"on {note.string}"
        if min(frets) < 0:
            return f"{on} it is too low"
        if max(frets) > LAST_FRET or fret > HIGHEST:
            return f"{on} it is too high"
        if 0 in frets and not self.open:
            return f"{on} it would be open"
        if "harmonic" in note.marks and elsewhere:
            return f"{on} it is no harmonic"
        if note.into and fret < (2 if note.into == "/" else 1):
            return f"{on} there is nowhere to slide from"
        for move, fret in note.walked():
            technique = move.technique
            why = ""
            if technique.motion == "frets" and (not fret or move.fret == 0):
                why = "no slide has an open string"
            elif technique.slide == "\\" and move.fret is None and fret < 2:
                why = "there is nowhere to slide to"
            elif technique.motion == "sway" and not fret and elsewhere:
                why = "an open string has no vibrato"
            elif technique.takes == "bend":
                fault = bend_fault(note.string, fret, bend_cents(move, fret))
                why = f"{fault} is too hard" if fault else ""
            elif move.fret is not None and move.fret > HIGHEST:
                why = "it is too high"
            if why:
                return f"{on} {why}"
        return ""

    def _why(self, stroke: Stroke) -> str:
        """Return why a stroke has no fingering."""
        here = f" in position {self.position}" if self.position else ""
        for note in stroke.notes:
            name = _described(note, self.move)
            fitting = [new for new, why in self._ways(note) if not why]
            if not fitting:
                reasons = [why for _, why in self._ways(note)]
                text = f"{name} has no place{self._on()} ({'; '.join(reasons)})"
                return text + (OPEN if any(why.endswith("open") for why in reasons) else "")
            alone = [replace(stroke, notes=(new,)) for new in fitting]
            if not any(
                self.position in (None, grip.position, grip.leaves)
                for one in alone
                for grip in grips(one)
            ):
                found = " or ".join(_spelt(new) for new in fitting)
                near = "".join(f"; {why}" for why in self._nearby(note))
                return f"{name} is out of reach{here}: it lies at {found}{near}"
        names = " and ".join(_described(note, self.move) for note in stroke.notes)
        return f"no hand reaches {names} at once{here}{self._on()}"

    def _nearby(self, note: StringNote) -> list[str]:
        """Return why a note cannot be on the strings where it lies under the hand."""
        if self.position is None:
            return []
        under = range(self.position - 1, self.position + REACH + 2)
        return [why for new, why in self._ways(note) if why and new.fret in under]

    def _on(self) -> str:
        if len(self.strings) == len(STRINGS):
            return ""
        word = "string" if len(self.strings) == 1 else "strings"
        return f" on {word} {' '.join(self.strings)}"


def _described(note: StringNote, move: int) -> str:
    if note.fret is None:
        return "the muted string"
    name = pitch_name(note.pitch(note.fret) + move)
    bends = [m for m in note.moves if m.technique.takes == "bend"]
    what = f"{bends[0].technique.name} from " if bends else ""
    moved = next((m for m in note.moves if m.technique.takes in ("fret", "slide")), None)
    if moved and not what:
        technique = moved.technique
        what = f"{'slide' if technique.motion == 'frets' else technique.name} from "
    return f"the {what}{name}" if what else name


def _spelt(note: StringNote) -> str:
    """Return a note with the frets it goes to: ``e8p3``."""
    return f"{note.string}{note.fret}" + "".join(
        f"{move.sign}{move.fret}" for move in note.moves if move.fret is not None
    )


def _liking(before: StringNote, after: StringNote) -> float:
    """Return the cost of another string than the one a note was written on."""
    cost = ELSEWHERE * abs(STRINGS.index(before.string) - STRINGS.index(after.string))
    if after.fret is None:
        return cost
    if after.into:
        room = after.fret - 1 if after.into == "/" else LAST_FRET - after.fret
        cost += SHORT_OF_NECK * max(0, NOWHERE - room)
    for move, fret in after.walked():
        if move.technique.slide and move.fret is None:
            room = fret - 1 if move.technique.way < 0 else LAST_FRET - fret
            cost += SHORT_OF_NECK * max(0, NOWHERE - room)
    if "rake" in after.marks:
        cost += max(0, RAKED - STRINGS.index(after.string))
    return cost


def _width(notes: Sequence[StringNote]) -> int:
    """Return over how many strings a stroke goes, without the first."""
    places = [STRINGS.index(note.string) for note in notes]
    return max(places) - min(places)


def _going(before: _Hold, after: _Hold, rest: Fraction) -> float:
    """Return the cost to both hands of going from one stroke to the next."""
    cost = move_cost(before.grip.leaves, after.grip.position, rest)
    here = [STRINGS.index(note.string) for note in before.stroke.notes]
    there = [STRINGS.index(note.string) for note in after.stroke.notes]
    cost += SKIPPED * max(0, min(abs(a - b) for a in here for b in there) - 1)
    ringing = {note.string for note in before.stroke.notes if "ring" in note.marks}
    return cost + SILENCED * len(ringing & {note.string for note in after.stroke.notes})


def _fingers_dropped(before: Part, after: Part) -> Part:
    """Return a part fingered anew; its fingers are kept where it is the same shape."""
    pairs = [
        (old, new)
        for a, b in zip(before.strokes, after.strokes, strict=True)
        for old, new in zip(a.notes, b.notes, strict=True)
    ]
    fretted = [(old.fret, new.fret) for old, new in pairs if None not in (old.fret, new.fret)]
    moved = {new - old for old, new in fretted if old is not None and new is not None}
    same = len(moved) <= 1 and all(old.string == new.string for old, new in pairs)
    still = not any(moved) or all(old and new for old, new in fretted)
    if not (same and still):
        return after
    marked = iter(old.marks for old, _ in pairs)
    return after.mapped(lambda note: replace(note, marks=next(marked)))
