"""Chords: degrees of a key, qualities, spelling, voicings and voice leading.

Conventions: a chord is written as a degree and a quality, ``I7``, ``IV9``, ``bVI7``,
``#IVdim7``; a small numeral is minor, ``iv7``; a degree of the key after a slash is played by the
bass in place of the root, ``I7/3``. Degrees count from the tonic's major scale, in a minor key
too. Chord members are degrees of the chord, so a ninth chord is ``1 3 5 b7 9``.

References: chord formulas and rootless voicings are common practice.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from phrases.errors import ChoiceError
from phrases.pitch import Key, degree_name, degree_semitones, pitch_class, pitch_name
from phrases.words import nearest

__all__ = ["QUALITIES", "Chord", "lead_voices", "movement", "parse_degree", "voicings"]

QUALITIES: dict[str, tuple[str, ...]] = {
    "": ("1", "3", "5"),
    "6": ("1", "3", "5", "6"),
    "7": ("1", "3", "5", "b7"),
    "9": ("1", "3", "5", "b7", "9"),
    "13": ("1", "3", "5", "b7", "9", "13"),
    "7#9": ("1", "3", "5", "b7", "#9"),
    "7b9": ("1", "3", "5", "b7", "b9"),
    "maj7": ("1", "3", "5", "7"),
    "m": ("1", "b3", "5"),
    "m6": ("1", "b3", "5", "6"),
    "m7": ("1", "b3", "5", "b7"),
    "m9": ("1", "b3", "5", "b7", "9"),
    "m7b5": ("1", "b3", "b5", "b7"),
    "dim7": ("1", "b3", "b5", "bb7"),
}

# What a comping player holds for a chord: guide tones with a colour; the root only where the ninth
# may fall to it.
ROOTLESS: dict[str, tuple[tuple[str, ...], ...]] = {
    "": (("1", "3", "5"),),
    "6": (("1", "3", "5", "6"),),
    "7": (("b7", "9", "3", "5"), ("3", "13", "b7", "9"), ("3", "5", "b7", "1")),
    "9": (("b7", "9", "3", "5"), ("3", "13", "b7", "9")),
    "13": (("3", "13", "b7", "9"),),
    "7#9": (("3", "b7", "#9"),),
    "7b9": (("3", "5", "b7", "b9"),),
    "maj7": (("3", "5", "7", "9"),),
    "m": (("1", "b3", "5"),),
    "m6": (("b3", "5", "6", "9"),),
    "m7": (("b7", "9", "b3", "5"), ("b3", "5", "b7", "1")),
    "m9": (("b7", "9", "b3", "5"), ("b3", "5", "b7", "1")),
    "m7b5": (("b3", "b5", "b7", "1"),),
    "dim7": (("1", "b3", "b5", "bb7"),),
}

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord on a degree of whatever key it is played in."""

    degree: str  # ``1`` to ``7`` with flats or sharps: ``4``, ``b6``
    quality: str  # a key of `QUALITIES`
    # The degree of the key that the bass plays in place of the root; empty for the root.
    bass: str = ""

    def root_name(self, key: Key) -> str:
        """Return the root's name in a key."""
        return degree_name(key.tonic, self.degree)

    def root(self, key: Key) -> int:
        """Return the root's pitch class, 0 to 11."""
        return pitch_class(self.root_name(key))

    def name(self, key: Key) -> str:
        """Return the chord symbol in a key, as players write it: ``Eb7``, ``Cm7``, ``A7/C#``."""
        over = f"/{_written(key, self.bass)}" if self.bass else ""
        return _written(key, self.degree) + self.quality + over

    def lowest(self, key: Key) -> int:
        """Return the pitch class that the bass plays on the change, 0 to 11."""
        return pitch_class(degree_name(key.tonic, self.bass or self.degree))

    def names(self, key: Key) -> tuple[str, ...]:
        """Return the spelled chord members, root first."""
        root = self.root_name(key)
        return tuple(degree_name(root, member) for member in QUALITIES[self.quality])

    def pitch_classes(self, key: Key) -> frozenset[int]:
        """Return the chord's pitch classes."""
        root = self.root(key)
        members = QUALITIES[self.quality]
        return frozenset((root + degree_semitones(member)) % 12 for member in members)

    def member(self, degree: str) -> str:
        """Return the chord's own version of a degree: the ``3`` of a minor chord is ``b3``.

        A degree with an accidental, or one the chord does not hold, stays as it is.
        """
        for own in QUALITIES[self.quality]:
            if own.lstrip("b#") == degree:
                return own
        return degree


def _written(key: Key, degree: str) -> str:
    """Return the name of a degree without the spellings that nobody reads on a chart.

    Common practice: the b6 of Db is A, not B double flat, the b3 E, not F flat.
    """
    name = degree_name(key.tonic, degree)
    odd = len(name) > 2 or (degree[0] in "b#" and name in ("E#", "B#", "Cb", "Fb"))
    return pitch_name(pitch_class(name) + 12, flats="b" in name)[:-1] if odd else name


def parse_degree(text: str) -> Chord:
    """Read a chord written as a degree: ``I7``, ``iv7``, ``bVI7``, ``#IVdim7``.

    Raises `ChoiceError` if it is none, with the nearest one.
    """
    text, bass = _over(text)
    found = re.fullmatch(r"(b|#)?([IViv]+)(.*)", text)
    numeral = found[2] if found else ""
    one_case = numeral in (numeral.upper(), numeral.lower())
    if found is None or numeral.upper() not in NUMERALS or not one_case:
        raise ChoiceError(
            f'"{text}" is not a chord of a form; write a numeral and a quality: I7, iv7, bVI7'
        )
    quality = found[3]
    if numeral.islower() and quality.startswith("maj"):
        raise ChoiceError(
            f'"{text}": a small numeral is minor; did you mean '
            f'"{found[1] or ""}{numeral.upper()}{quality}"?'
        )
    if numeral.islower() and not quality.startswith(("m", "dim")):
        quality = "m" + quality
    if quality not in QUALITIES:
        close = nearest(quality, QUALITIES) if quality else None
        if close:
            hint = f'did you mean "{found[1] or ""}{numeral}{close}"?'
        else:
            hint = "it may be " + ", ".join(name for name in QUALITIES if name)
        raise ChoiceError(f'"{text}": "{found[3]}" is not a chord quality; {hint}')
    return Chord(f"{found[1] or ''}{NUMERALS.index(numeral.upper()) + 1}", quality, bass)


def _over(text: str) -> tuple[str, str]:
    """Part a chord from the degree under it."""
    chord, slash, bass = text.partition("/")
    if slash and not re.fullmatch(r"[b#]?[1-7]", bass):
        raise ChoiceError(
            f'"{text}": after / comes a degree of the key for the bass, 1 to 7, as in I7/3'
        )
    return chord, bass


@lru_cache(maxsize=4096)
def voicings(root: int, quality: str, low: int, high: int) -> tuple[tuple[int, ...], ...]:
    """Return the close rootless voicings of a chord that fit a range of pitches.

    `root` is a pitch class, `quality` a key of `QUALITIES`; `low` and `high` are the lowest and
    the highest MIDI pitch allowed, at least an octave apart, so that there is always one. Pitches
    ascend, each voicing within an octave.
    """
    found: set[tuple[int, ...]] = set()
    for members in ROOTLESS[quality]:
        classes = {(root + degree_semitones(member)) % 12 for member in members}
        held = [pitch for pitch in range(low, high + 1) if pitch % 12 in classes]
        found.update(zip(*(held[n:] for n in range(len(classes))), strict=False))
    return tuple(sorted(found))


def movement(before: Sequence[int], after: Sequence[int]) -> int:
    """Return the semitones that all voices move together, each to its nearest partner in order.

    With unequal numbers of voices the best matching in order is taken.
    """
    fewer, more = sorted((before, after), key=len)
    return min(
        sum(abs(a - b) for a, b in zip(fewer, chosen, strict=True))
        for chosen in itertools.combinations(more, len(fewer))
    )


def lead_voices(
    before: Sequence[int] | None, root: int, quality: str, low: int, high: int
) -> tuple[int, ...]:
    """Return the voicing that moves least from the one before.

    The first voicing is the one nearest the middle of the range; ties fall to the lower one.
    """
    every = voicings(root, quality, low, high)
    if before is None:
        middle = (low + high) / 2 - 2
        return min(every, key=lambda v: (abs(sum(v) / len(v) - middle), v))
    return min(every, key=lambda v: (movement(before, v), v))
