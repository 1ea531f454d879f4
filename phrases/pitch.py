"""Note names, keys, degrees and scales.

Conventions: a pitch is a MIDI note number (60 is middle C, C4); a pitch class is a pitch
modulo 12; a degree is written as players say it, ``b3`` or ``5``, and always counts from the
tonic's *major* scale, also in a minor key. A name is a letter with sharps or flats: ``Bb``.

References: ISO 16:1975 and MIDI 1.0 for frequencies; key signatures and the names they allow
are common practice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from phrases.errors import ChoiceError
from phrases.words import nearest

__all__ = [
    "DEGREES", "KEYS", "SCALES", "Key", "degree_name", "degree_semitones", "frequency",
    "parse_key", "pitch_class", "pitch_name", "scale_pitch_classes",
]  # fmt: skip

LETTERS = "CDEFGAB"
NATURAL = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
MAJOR_SCALE = (0, 2, 4, 5, 7, 9, 11)
DEGREES = ("1", "b2", "2", "b3", "3", "4", "b5", "5", "b6", "6", "b7", "7")  # by semitones
ACCIDENTAL = {"": 0, "#": 1, "b": -1, "##": 2, "bb": -2}

MAJOR_KEYS = "Cb Gb Db Ab Eb Bb F C G D A E B F# C#".split()
MINOR_KEYS = "Ab Eb Bb F C G D A E B F# C# G# D# A#".split()

SCALES: dict[str, tuple[str, ...]] = {
    "minor pentatonic": ("1", "b3", "4", "5", "b7"),
    "minor blues": ("1", "b3", "4", "b5", "5", "b7"),
    "major pentatonic": ("1", "2", "3", "5", "6"),
    "major blues": ("1", "2", "b3", "3", "5", "6"),
    "mixed blues": ("1", "2", "b3", "3", "4", "b5", "5", "6", "b7"),
    "dorian": ("1", "2", "b3", "4", "5", "6", "b7"),
    "mixolydian": ("1", "2", "3", "4", "5", "6", "b7"),
    "major": ("1", "2", "3", "4", "5", "6", "7"),
    "natural minor": ("1", "2", "b3", "4", "5", "b6", "b7"),
}


@dataclass(frozen=True, slots=True)
class Key:
    """A tonic and a mode that have a key signature."""

    tonic: str  # a name, ``Bb``
    mode: str = "major"  # ``major`` or ``minor``

    @property
    def signature(self) -> int:
        """Sharps (positive) or flats (negative), -7 to 7."""
        names = MAJOR_KEYS if self.mode == "major" else MINOR_KEYS
        return names.index(self.tonic) - 7

    @property
    def pitch_class(self) -> int:
        """The tonic's pitch class, 0 to 11."""
        return pitch_class(self.tonic)

    def __str__(self) -> str:
        return self.tonic if self.mode == "major" else f"{self.tonic} minor"

    @property
    def midi_name(self) -> str:
        """The key as `mido` and the key-signature meta event name it: ``Bb``, ``C#m``."""
        return self.tonic + ("m" if self.mode == "minor" else "")


KEYS: tuple[Key, ...] = tuple(Key(name) for name in MAJOR_KEYS) + tuple(
    Key(name, "minor") for name in MINOR_KEYS
)

_KEY_TEXT = re.compile(
    r"([A-Ga-g])\s*(#|b|♯|♭|sharp|flat)?\s*(m|min|minor|maj|major)?", re.I | re.A
)
_CHORD = re.compile(r"([A-G][b#]?(?:m(?!aj))?)(?:maj|sus|add|[b#+-]?\d+)+", re.I | re.A)


def parse_key(text: str) -> Key:
    """Read a key as players write it: ``Bb``, ``C# minor``, ``Cm``, ``f sharp minor``.

    Raises `ChoiceError` for a key that has no name, or none with at most seven sharps or flats;
    with the nearest one that has.
    """
    found = _KEY_TEXT.fullmatch(text.strip())
    if found is None:
        chord = _CHORD.fullmatch(text.strip())
        said = (
            chord[1] if chord else "B" if text.strip().lower() == "h" else text.strip()
        )  # German
        close = nearest(said, [*map(str, KEYS), *(key.midi_name for key in KEYS)])
        raise ChoiceError(
            f'"{text}" is not a key; write a note name such as Bb, F# or "C# minor"'
            + (f'; did you mean "{close}"?' if close else "")
        )
    sign = {None: "", "♯": "#", "♭": "b", "sharp": "#", "flat": "b"}
    raw = found[2].lower() if found[2] else None
    tonic = found[1].upper() + sign.get(raw, raw or "")
    mode_word = found[3] or ""
    minor = mode_word.lower().startswith("min") or mode_word == "m"
    key = Key(tonic, "minor" if minor else "major")
    if key not in KEYS:
        same = [k for k in KEYS if k.pitch_class == key.pitch_class and k.mode == key.mode]
        raise ChoiceError(
            f'"{text}" has no key signature (it would need more than seven sharps or flats); '
            f'did you mean "{same[0]}"?'
        )
    return key


def pitch_class(name: str) -> int:
    """Return the pitch class, 0 to 11, of a note name such as ``Bb``."""
    return (NATURAL[name[0]] + name.count("#") - name.count("b", 1)) % 12


@lru_cache(maxsize=256)
def degree_semitones(degree: str) -> int:
    """Return the semitones of a degree above the tonic: ``b3`` is 3, ``9`` is 14.

    Raises `ChoiceError` if it is not a degree.
    """
    found = re.fullmatch(r"(bb|b|##|#)?(\d{1,2})", degree)
    if found is None or not 1 <= int(found[2]) <= 15:
        raise ChoiceError(f'"{degree}" is not a degree; write 1 to 15, flat or sharp: b3, #4, 9')
    octave, step = divmod(int(found[2]) - 1, 7)
    return 12 * octave + MAJOR_SCALE[step] + ACCIDENTAL[found[1] or ""]


@lru_cache(maxsize=1024)
def degree_name(tonic: str, degree: str) -> str:
    """Return the name of a degree above a tonic: the ``b3`` of ``C`` is ``Eb``.

    The letter follows the degree, so the name is the one that theory gives, with double
    accidentals where it must.
    """
    step = int(degree.lstrip("b#")) - 1
    letter = LETTERS[(LETTERS.index(tonic[0]) + step) % 7]
    wanted = (pitch_class(tonic) + degree_semitones(degree)) % 12
    alter = (wanted - NATURAL[letter] + 6) % 12 - 6
    return letter + ("#" * alter if alter > 0 else "b" * -alter)


def scale_pitch_classes(tonic: str, scale: str) -> frozenset[int]:
    """Return the pitch classes of a scale of `SCALES` on a tonic."""
    root = pitch_class(tonic)
    return frozenset((root + degree_semitones(degree)) % 12 for degree in SCALES[scale])


SHARP_NAMES = "C C# D D# E F F# G G# A A# B".split()
FLAT_NAMES = "C Db D Eb E F Gb G Ab A Bb B".split()


def pitch_name(pitch: int, *, flats: bool = False) -> str:
    """Return a pitch's name with its octave, 60 being ``C4``."""
    return (FLAT_NAMES if flats else SHARP_NAMES)[pitch % 12] + str(pitch // 12 - 1)


def frequency(pitch: float, a4: float = 440.0) -> float:
    """Return the frequency in Hz of a MIDI pitch, fractions being parts of a semitone.

    ``a4 * 2 ** ((pitch - 69) / 12)``: ISO 16:1975 for A4, MIDI 1.0 for the numbering.
    """
    return float(a4 * 2.0 ** ((pitch - 69.0) / 12.0))
