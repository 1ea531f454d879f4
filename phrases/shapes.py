"""Shapes that hands know: chords with their fingers, and the boxes of the pentatonic.

Conventions: a chord is written from the low string to the high one, a fret or ``x`` for each; its
fingers likewise, 0 for an open string. The movable ones stand at the nut and go up the neck.

References: common practice, from memory.
"""

from __future__ import annotations

from functools import cache

from phrases.fretboard import STANDARD, STRINGS
from phrases.phrase import Phrase

__all__ = ["BOXES", "CHORDS", "box", "chord_fingers"]

OPEN = """
x32010 x32010  x32310 x32410  x32000 x32000  xx0232 xx0132  xx0212 xx0213  xx0231 xx0231
xx0211 xx0211  xx0222 xx0111  022100 023100  020100 020100  022130 023140  022000 023000
020000 020000  022030 023040  320003 210003  320033 210034  320001 320001  x02220 x01230
x02020 x02030  x02120 x02130  x02223 x01112  x02210 x02310  x02010 x02010  xx3210 xx3210
x21202 x21304  x20202 x10203  x32033 x32034  032010 032010  200232 100243  xx0023 xx0012
"""
MOVABLE = """
133211 134211  131211 131211  131241 131241  133111 134111  131111 131111  131141 131141
x13331 x12341  x13131 x13141  x13321 x13421  x13121 x13121  x13231 x13241  x13141 x13141
x21222 x21333  x2122x x2134x  x21224 x21334  x2123x x2134x  x1212x x1324x  xx1212 xx1324
2x121x 2x131x  1x222x 1x234x  1x111x 2x333x  xx1222 xx1333  xx3211 xx3211  xx1323 xx1324
"""


def _table(text: str) -> dict[str, str]:
    words = text.split()
    return dict(zip(words[::2], words[1::2], strict=True))


# Frets and fingers of chords with open strings, which lie at the nut, and of those without.
CHORDS: tuple[dict[str, str], dict[str, str]] = (_table(OPEN), _table(MOVABLE))
FULL = 4  # strings that make a chord; of fewer, a hand decides as the line goes


@cache
def chord_fingers(notes: tuple[tuple[str, int], ...]) -> tuple[int, ...]:
    """Return the fingers that players take for a chord, or none where it is no common one.

    A chord may leave out outer strings of a shape, but not so many that it is no chord.
    """
    if len(notes) < FULL or not any(fret for _, fret in notes):
        return ()
    lowest = min(fret for _, fret in notes if fret)
    has_open = any(not fret for _, fret in notes)
    for shape, fingers in CHORDS[not has_open].items():
        base = min(int(sign) for sign in shape if sign not in "x0")
        up = 0 if has_open else lowest - base
        rows = {
            string: (int(fret) + up if int(fret) else 0, int(finger))
            for string, fret, finger in zip(STRINGS, shape, fingers, strict=True)
            if fret != "x"
        }
        if all(string in rows and rows[string][0] == fret for string, fret in notes):
            return tuple(rows[string][1] for string, _ in notes)
    return ()


# The five shapes of the minor pentatonic, string by string from the low one: the first and the
# last fret, above the tonic's fret on the low E string (common practice).
BOXES: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((0, 3), (0, 2), (0, 2), (0, 2), (0, 3), (0, 3)),
    2: ((3, 5), (2, 5), (2, 5), (2, 4), (3, 5), (3, 5)),
    3: ((5, 7), (5, 7), (5, 7), (4, 7), (5, 8), (5, 7)),
    4: ((7, 10), (7, 10), (7, 9), (7, 9), (8, 10), (7, 10)),
    5: ((10, 12), (10, 12), (9, 12), (9, 12), (10, 12), (10, 12)),
}


def box(phrase: Phrase) -> int:
    """Return the position of the pentatonic in which a phrase mostly lies, 1 to 5.

    Position 1 has the minor tonic under the first finger on the low E string. A phrase in a
    major scale is looked at from its relative minor, whose shapes are the same.
    """
    tonic = phrase.key.pitch_class - (3 if phrase.scale.startswith("major") else 0)
    root = (tonic - STANDARD["E"]) % 12
    votes = dict.fromkeys(BOXES, 0)
    for stroke in phrase.strokes():
        for note in stroke.notes:
            stopped = (move.fret for move in note.moves if not move.technique.bending)
            for fret in (note.fret, *stopped):
                for number, shape in BOXES.items():
                    low, high = shape[STRINGS.index(note.string)]
                    away = None if fret is None else (fret - root - low) % 12
                    votes[number] += away is not None and away <= high - low
    return max(votes, key=lambda number: votes[number])
