"""The same phrase in another key: the same shape, moved along the neck."""

from __future__ import annotations

from dataclasses import replace

from phrases.errors import RangeError
from phrases.fretboard import LAST_FRET
from phrases.phrase import Note, Part, Phrase, Stroke
from phrases.pitch import Key

__all__ = ["transpose"]

HIGHEST = min(LAST_FRET, 22)


def transpose(phrase: Phrase, key: Key) -> Phrase:
    """Return a phrase in another key, moved up or down the neck, whichever stays nearer.

    A shape without open strings is not moved onto them.

    Raises
    ------
    RangeError
        If the shape fits on the neck in neither direction.
    """
    up = (key.pitch_class - phrase.key.pitch_class) % 12
    frets = _frets(phrase)
    for move in sorted((up, up - 12), key=abs):
        # A shape that is all fretted stays so: open strings neither bend nor slide.
        lowest = 0 if frets and not min(frets) else 1
        fits = not frets or (min(frets) + move >= lowest and max(frets) + move <= HIGHEST)
        if fits or move == 0:
            return replace(
                phrase, key=key, parts=tuple(_part(part, move) for part in phrase.parts)
            )
    raise RangeError(
        f'"{phrase.title}" lies on frets {min(frets)} to {max(frets)}: its shape does not fit '
        f"on the neck in {key} (frets 0 to {HIGHEST})"
    )


def _frets(phrase: Phrase) -> list[int]:
    notes = [n for part in phrase.parts for stroke in part.strokes for n in stroke.notes]
    frets = [note.fret for note in notes if note.fret is not None]
    return frets + [m.fret for note in notes for m in note.moves if m.fret is not None]


def _part(part: Part, move: int) -> Part:
    return replace(part, strokes=tuple(_stroke(stroke, move) for stroke in part.strokes))


def _stroke(stroke: Stroke, move: int) -> Stroke:
    return replace(stroke, notes=tuple(_note(note, move) for note in stroke.notes))


def _note(note: Note, move: int) -> Note:
    moves = tuple(m if m.fret is None else replace(m, fret=m.fret + move) for m in note.moves)
    return replace(note, fret=None if note.fret is None else note.fret + move, moves=moves)
