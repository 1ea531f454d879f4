"""Grooves: patterns for drums, bass and comping, read from data files.

Each ``[[drums]]``, ``[[bass]]`` and ``[[comp]]`` table is one pattern and says ``when`` it is
played; among several with the same ``when`` the seed chooses. Lanes are written in the language
of `backing.lanes`.

References: General MIDI 1 for the percussion keys and programs (numbered from 0 here).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

from backing.lanes import Lane, read_lane
from phrases.counting import METERS, Meter, parse_swing
from phrases.errors import ChoiceError, RangeError
from phrases.pitch import degree_semitones
from phrases.shelf import Shelf
from phrases.textfile import TextFile, Where
from phrases.words import choose, expected

__all__ = [
    "APPROACH",
    "DRUMS",
    "GROOVES",
    "PROGRAMS",
    "Drum",
    "Groove",
    "Pattern",
    "find_groove",
    "groove_names",
    "load_groove",
]

GROOVES = Shelf(Path(__file__).parent, "a groove")


@dataclass(frozen=True, slots=True)
class Drum:
    """A voice of the kit: its General MIDI key, its velocity at full loudness, its limb."""

    key: int
    velocity: int
    limb: str


DRUMS: dict[str, Drum] = {
    "ride": Drum(51, 94, "hand"),
    "hat": Drum(42, 92, "hand"),
    "open-hat": Drum(46, 84, "hand"),
    "crash": Drum(49, 100, "hand"),
    "snare": Drum(38, 108, "hand"),
    "side-stick": Drum(37, 100, "hand"),
    "high-tom": Drum(50, 104, "hand"),
    "mid-tom": Drum(47, 104, "hand"),
    "low-tom": Drum(43, 106, "hand"),
    "kick": Drum(36, 106, "foot"),
    "hat-foot": Drum(44, 76, "foot"),
}

# General MIDI 1 programs, from 0.
PROGRAMS: dict[str, int] = {
    "piano": 0,
    "organ": 16,
    "guitar": 26,
    "finger-bass": 33,
    "upright-bass": 32,
    "lead": 27,
}

COMPS = ("organ", "piano", "guitar")
BASSES = ("finger-bass", "upright-bass")

WHEN: dict[str, str] = {
    "bar": "any bar",
    "top": "the first bar of a chorus after the first",
    "fill": "the last bar of a chorus that another follows",
    "change": "a bar before a new chord (bass)",
    "end": "the last bar of all",
}

APPROACH = "to"
GROOVE_KEYS = (
    "title", "feel", "meter", "swing", "swing-limit", "tempos", "bass-sound", "comp-sound",
    "drums", "bass", "comp",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pattern:
    """What one player plays in one or more bars: lanes by name."""

    when: str
    bars: int
    lanes: tuple[tuple[str, Lane], ...]


@dataclass(frozen=True, slots=True)
class Groove:
    """A groove.

    Attributes
    ----------
    name, title, feel
        What the user types, what is printed, and a line about it.
    meter
        Its time signature and felt beat.
    swing
        Its usual ratio; None follows the tempo as players do.
    swing_limit
        The largest ratio where swing follows the tempo.
    tempos
        Usual lowest, typical and highest felt beats a minute.
    drums, bass, comp
        Patterns.
    bass_sound, comp_sound
        Keys of `PROGRAMS`.
    """

    name: str
    title: str
    feel: str
    meter: Meter
    swing: Fraction | None
    swing_limit: Fraction
    tempos: tuple[int, int, int]
    drums: tuple[Pattern, ...]
    bass: tuple[Pattern, ...]
    comp: tuple[Pattern, ...]
    bass_sound: str
    comp_sound: str


@lru_cache(maxsize=1)
def groove_names() -> tuple[str, ...]:
    """Return the names of the grooves that ship."""
    return GROOVES.names()


def find_groove(name: str) -> Groove:
    """Return a groove that ships by its name, or a user's own by the path of its file.

    Raises
    ------
    ChoiceError
        If it is a name and nothing that ships has it, with the nearest one.
    TextFileError
        If the file is missing or has mistakes.
    """
    return load_groove(GROOVES.find(name))


@lru_cache(maxsize=64)
def load_groove(path: Path) -> Groove:
    """Read a groove from a file.

    Raises
    ------
    TextFileError
        With every problem at its line and column.
    """
    file = TextFile.open(path)
    file.known_keys((), GROOVE_KEYS)
    title = file.get(("title",), str, ...)
    feel = file.get(("feel",), str, "")
    meter = _word(file, "meter", "a meter", METERS, "4/4")
    swing = file.attempt(("swing",), parse_swing, file.get(("swing",), str, "2:1"))
    limit = file.attempt(("swing-limit",), parse_swing, file.get(("swing-limit",), str, "2:1"))
    tempos = _tempos(file)
    beats = METERS[meter].beats
    drums = _patterns(file, "drums", beats)
    bass = _patterns(file, "bass", beats)
    comp = _patterns(file, "comp", beats)
    bass_sound = _word(file, "bass-sound", "a bass", BASSES, "finger-bass")
    comp_sound = _word(file, "comp-sound", "a comping instrument", COMPS, "organ")
    file.finish()
    return Groove(
        path.stem, title, feel, METERS[meter], swing, limit or Fraction(2), tempos,
        drums, bass, comp, bass_sound, comp_sound,
    )  # fmt: skip


def _word(file: TextFile, key: str, what: str, choices: object, default: str) -> str:
    known: list[str] = list(choices)  # type: ignore[call-overload]
    word: str = file.get((key,), str, default)
    return file.attempt((key,), choose, what, word, known) or default


def _tempos(file: TextFile) -> tuple[int, int, int]:
    value = file.get(("tempos",), list, ...)
    if value is None:
        return 60, 90, 120
    if len(value) != 3 or not all(type(n) is int for n in value) or sorted(value) != value:
        file.complain(("tempos",), "write the lowest, usual and highest tempo: [80, 104, 135]")
        return 60, 90, 120
    low, usual, high = value
    return low, usual, high


def _patterns(file: TextFile, player: str, beats: int) -> tuple[Pattern, ...]:
    patterns = [_pattern(file, where, player, beats) for where in file.tables(player)]
    if not any(pattern.when == "bar" for pattern in patterns):
        file.complain((), f'there is no [[{player}]] with when = "bar"')
    elif not any(pattern.when == "bar" and pattern.bars == 1 for pattern in patterns):
        file.complain((), f'there is no [[{player}]] with when = "bar" that is one bar long')
    return tuple(patterns)


def _pattern(file: TextFile, where: Where, player: str, beats: int) -> Pattern:
    names = tuple(DRUMS) if player == "drums" else ("line",)
    file.known_keys(where, ("when", *names))
    when = file.get((*where, "when"), str, ...)
    if when is not None and when not in WHEN:
        file.complain((*where, "when"), expected("a place", when, WHEN))
    lanes: dict[str, Lane] = {}
    for name in names:
        text = file.get((*where, name), str)
        if text is None:
            continue
        lanes[name], problems = read_lane(text, beats, CHECKS[player])
        for offset, message in problems:
            file.complain((*where, name), message, offset=offset)
    if when == "change" and player != "bass":
        file.complain(
            (*where, "when"), '"change" is for bass; drums and comping have no use for it'
        )
    for name, lane in lanes.items():
        if not lane.hits and not file.problems_at((*where, name)):
            file.complain((*where, name), "this lane is empty; leave it out")
    if player != "drums" and not lanes:
        file.complain(where, 'this pattern has no "line"')
    if player == "drums":
        _check_limbs(file, where, lanes)
    lengths = {lane.bars for lane in lanes.values()} or {1}
    if player != "bass" and max(lengths) > 1:
        file.complain(where, "this pattern must be one bar long; only a bass line may be longer")
    if len(lengths) > 1:
        file.complain(where, "the lanes of one pattern must have the same number of bars")
    return Pattern(when or "bar", max(lengths), tuple(lanes.items()))


def _check_limbs(file: TextFile, where: Where, lanes: dict[str, Lane]) -> None:
    """Complain of strokes that need a third hand or foot."""
    for limb in ("hand", "foot"):
        busy: dict[Fraction, list[str]] = {}
        for name, lane in lanes.items():
            if DRUMS[name].limb == limb:
                for hit in lane.hits:
                    busy.setdefault(hit.at, []).append(name)
        for at, names in busy.items():
            if len(names) > 2:
                file.complain(
                    (*where, names[-1]),
                    f"{' and '.join(names)} at once on beat {float(at) + 1:g}: "
                    f"a drummer has two {'hands' if limb == 'hand' else 'feet'}",
                )


def _check_bass(value: str) -> None:
    if value not in ("R", APPROACH):
        try:
            degree_semitones(value)
        except ChoiceError:
            raise ChoiceError(
                f'"{value}" is not a bass note; write R, a degree such as 5 or b7, '
                f"or {APPROACH} for a step into the next root"
            ) from None
        if degree_semitones(value) > 19:
            raise RangeError(f'"{value}" is too far above the root for a bass line')


def _check_comp(value: str) -> None:
    choose("something to comp", value, ("chord",))


CHECKS = {"drums": None, "bass": _check_bass, "comp": _check_comp}
