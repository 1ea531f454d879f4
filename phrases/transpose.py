"""The same phrase in another key: its shape moved along the neck, string by string.

References: common practice, from memory: bends of a full tone on G, B and e from the fourth fret
up, of a half also on D, curls anywhere; no bend on an open string.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from phrases.errors import RangeError
from phrases.fretboard import LAST_FRET
from phrases.phrase import Part, Phrase, StringNote, bend_cents, part_names
from phrases.pitch import KEYS, Key
from phrases.techniques import BEND_SIZES, HARMONICS, SIZE_NAMES

__all__ = [
    "HIGHEST", "all_frets", "bend_fault", "each_part", "moved", "moved_note", "transpose", "ways",
]  # fmt: skip

HIGHEST = min(LAST_FRET, 22)
FULL_BEND_FROM = 4  # fret
FULL_BENDS, HALF_BENDS = "GBe", "DGBe"


def transpose(phrase: Phrase, key: Key) -> Phrase:
    """Return a phrase in another key, moved up or down the neck, whichever stays nearer.

    A shape without open strings is not moved onto them. Variations move with the rest; where they
    cannot all, one that leaves the neck there goes the other way. Raises `RangeError` if the
    phrase or a variation fits on the neck in neither direction.
    """
    every = [phrase, *(other for _, other in phrase.variations)]
    # The nearer way goes first, but for one that makes a bend too heavy.
    found = sorted(ways(phrase.key, key), key=lambda move: _heavier(phrase, move))
    move = next((m for some in (every, [phrase]) for m in found if _fits(some, m)), None)
    if move is not None:
        return replace(
            each_part(replace(phrase, variations=()), key, partial(_part, move=move)),
            variations=tuple(
                (name, each_part(other, key, partial(_part, move=move)))
                if _fits([other], move)
                else (name, transpose(other, key))
                for name, other in phrase.variations
            ),
        )
    if _touched([phrase]):
        raise RangeError(
            f'"{phrase.title}" has natural harmonics, which lie at other frets in {key}; '
            "write them anew"
        )
    frets = _frets([phrase])
    raise RangeError(
        f'"{phrase.title}" lies on frets {min(frets)} to {max(frets)}: its shape does not fit '
        f"on the neck in {key} (frets {1 if min(frets) else 0} to {HIGHEST}); it does in "
        f"{_keys(phrase, key.mode)}; `backing transpose --position N` looks for another fingering"
    )


def _keys(phrase: Phrase, mode: str) -> str:
    """Return the keys to which a phrase's shape can be moved, each pitch by one name."""
    keys = {one.pitch_class: str(one) for one in KEYS if one.mode == mode}
    tonic = phrase.key.pitch_class
    return ", ".join(keys[(tonic + n) % 12] for n in range(-11, 12) if _fits([phrase], n))


def _fits(every: Sequence[Phrase], move: int) -> bool:
    """Tell whether phrases stay on the neck, moved by so many frets."""
    frets = _frets(every)
    # A shape that is all fretted stays so: open strings neither bend nor slide. A slide from or
    # to nowhere has a fret to come from or to go to.
    return move == 0 or (
        all((1 if min(frets) else 0) <= fret + move <= HIGHEST for fret in frets)
        and all(fret + move > 1 for one in every for fret in _nowhere(one))
        and all(fret + move in HARMONICS for fret in _touched(every))
    )


def moved(before: Phrase, after: Phrase) -> str:
    """Return how far `transpose` has moved a phrase along the neck: ``7 frets up``.

    Where the other way would have been nearer, that is said too: the way back may then lead to
    another octave. So is which variations went another way.
    """
    away = _away(before, after)
    if not away:
        return ""
    told = _told(away)
    other = away - 12 if away > 0 else away + 12
    if (abs(other), other) < (abs(away), away):
        told += (
            f", since {_told(other)} leaves the neck or bends harder; moved back it may land an "
            "octave away"
        )
    for (name, old), (_, new) in zip(before.variations, after.variations, strict=True):
        apart = _away(old, new)
        told += f'; "{name}" {_told(apart)}' if apart not in (None, away) else ""
    return told


def _away(before: Phrase, after: Phrase) -> int | None:
    """Return by how many frets a phrase was moved, None if it stops no string."""
    pairs = zip(_notes(before), _notes(after), strict=True)
    frets = ((b.fret, a.fret) for b, a in pairs)
    return next((a - b for b, a in frets if a is not None and b is not None), None)


def _told(frets: int) -> str:
    return f"{abs(frets)} fret{'s' * (abs(frets) != 1)} {'up' if frets > 0 else 'down'}"


def _nowhere(phrase: Phrase) -> list[int]:
    """Return the frets into which or from which a phrase slides from or to below them."""
    found = []
    for note in _notes(phrase):
        if note.fret is None:
            continue
        found += [note.fret] if note.into == "/" else []
        found += [
            fret
            for move, fret in note.walked()
            if move.technique.takes == "slide" and move.technique.way < 0 and move.fret is None
        ]
    return found


def _touched(every: Sequence[Phrase]) -> list[int]:
    """Return the frets at which phrases touch natural harmonics."""
    notes = [note for one in every for note in _notes(one)]
    return [n.fret for n in notes if "harmonic" in n.marks and n.fret is not None]


def _heavier(phrase: Phrase, move: int) -> bool:
    """Tell whether a move along the neck takes a bend where it can hardly be made."""
    for note in _notes(phrase):
        for one, fret in note.walked():
            if note.fret is not None and one.technique.takes == "bend":
                cents = bend_cents(one, fret)
                fault = bend_fault(note.string, fret, cents)
                if bend_fault(note.string, max(1, fret + move), cents) and not fault:
                    return True
    return False


def _notes(phrase: Phrase) -> Iterator[StringNote]:
    for part in phrase.parts:
        for stroke in part.strokes:
            yield from stroke.notes


def ways(before: Key, after: Key) -> list[int]:
    """Return the semitones from one key to another, up and down, the shorter way first."""
    up = (after.pitch_class - before.pitch_class) % 12
    return sorted({up, up - 12 if up else 0}, key=lambda move: (abs(move), move))


def each_part(phrase: Phrase, key: Key, change: Callable[[Part, str], Part]) -> Phrase:
    """Return a phrase and its variations with each part changed; `change` gets part and place."""
    names = part_names([part.role for part in phrase.parts])
    return replace(
        phrase,
        key=key,
        parts=tuple(
            change(part, f'"{phrase.title}": {name}')
            for part, name in zip(phrase.parts, names, strict=True)
        ),
        variations=tuple(
            (name, each_part(other, key, change)) for name, other in phrase.variations
        ),
    )


def all_frets(phrase: Phrase) -> list[int]:
    """Return every fret that a phrase and its variations stop, 0 for open strings.

    The fret to whose pitch a string is bent is none of them.
    """
    return _frets([phrase, *(other for _, other in phrase.variations)])


def _frets(every: Sequence[Phrase]) -> list[int]:
    notes = [note for one in every for note in _notes(one)]
    frets = [note.fret for note in notes if note.fret is not None]
    moves = [move for note in notes for move in note.moves if not move.technique.bending]
    return frets + [move.fret for move in moves if move.fret is not None]


def _part(part: Part, where: str, *, move: int) -> Part:
    return part.mapped(partial(moved_note, move=move))


def moved_note(note: StringNote, move: int) -> StringNote:
    """Return a note moved along its string by semitones; its frets may lie off the neck.

    A bend to the pitch of a fret that the neck has not there is written by its size.
    """
    moves = []
    for one, fret in note.walked():
        if one.fret is None:
            moves.append(one)
        elif one.technique.bending and one.fret + move > LAST_FRET:
            moves.append(replace(one, fret=None, size=SIZE_NAMES[bend_cents(one, fret)]))
        else:
            moves.append(replace(one, fret=one.fret + move))
    fret_ = None if note.fret is None else note.fret + move
    return replace(note, fret=fret_, moves=tuple(moves))


def bend_fault(string: str, fret: int, cents: int) -> str:
    """Return which bend, at a fret and by some cents, a string is not given."""
    if not fret:
        return "a bend of the open string"
    if cents >= BEND_SIZES["full"]:
        if string not in FULL_BENDS:
            return "a full bend"
        if fret < FULL_BEND_FROM:
            return f"a full bend below fret {FULL_BEND_FROM}"
    elif cents >= BEND_SIZES["1/2"] and string not in HALF_BENDS:
        return "a bend"
    return ""
