"""Grooves: patterns for drums, bass and comping, read from data files.

Each ``[[drums]]``, ``[[bass]]`` and ``[[comp]]`` table is one pattern and says ``when`` it is
played; among several with the same ``when`` the seed chooses, by their weights. Lanes are written
in the language of `backing.lanes`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

from backing.grooves.instruments import BASSES, COMPS, DRUMS, TIME
from backing.lanes import Lane, read_lane
from phrases.counting import METERS, Meter, parse_swing
from phrases.errors import ChoiceError, RangeError
from phrases.files import check_tempo
from phrases.kinds import declare
from phrases.pitch import degree_semitones
from phrases.shelf import Shelf
from phrases.textfile import TextFile, Where
from phrases.words import choose, expected

__all__ = [
    "APPROACH", "CHORUS_KINDS", "FIGURES", "GROOVES", "SLIDES", "WHEN", "Groove", "Pattern",
    "figure", "find_groove", "groove_names", "groove_titles", "load_groove",
]  # fmt: skip

GROOVE = declare(
    "a groove",
    ("drums", "bass", "comp"),
    "play it with --groove",
    "`backing list grooves` shows those that ship",
)
GROOVES = Shelf(Path(__file__).parent, GROOVE)


WHEN: dict[str, str] = {
    "bar": "any bar",
    "top": "the first bar of a chorus that rises",
    "setup": "the last bar of a line inside a chorus, before bars 5 and 9",
    "fill": "the last bar of a chorus that something follows",
    "stop": "the first bars of a chorus, four at most: the band hits and leaves room",
    "change": "a bar before a new chord (bass)",
    "under": "a bar in which the phrase sounds (comping)",
    "end": "the last bar of all",
}
ONLY = {"change": "bass", "under": "comp"}

# Where in a piece a chorus stands; a pattern may ask for one.
CHORUS_KINDS = ("early", "late", "last")

APPROACH = "to"
# A comping figure: a slide into it, and what is held.
SLIDES = {"": 0, "/": -1, "//": -2, "\\": 1, "\\\\": 2}
FIGURES = ("chord", "shell", "swell", "next")
_COMP = re.compile(r"(//?|\\\\?)?(.+)")
HEAVIEST = 9
GROOVE_KEYS = (
    "title", "feel", "meter", "swing", "swing-limit", "tempos", "bass-sound", "comp-sound",
    "time", "drums", "bass", "comp", "riff", "stop",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pattern:
    """What one player plays in one or more bars."""

    when: str  # a key of `WHEN`
    bars: int  # its length
    lanes: tuple[tuple[str, Lane], ...]  # by name
    weight: int = 1  # 1 to 9: how often it is chosen beside its equals
    chorus: str = ""  # one of `CHORUS_KINDS` that it belongs to; empty for all
    on: str = ""  # the comping instrument it is made for; empty for all

    def told(self) -> str:
        """Return its first lane in words: ``R 3 4``."""
        return " ".join(hit.value for hit in self.lanes[0][1].hits)


@dataclass(frozen=True, slots=True)
class Groove:
    """A groove."""

    # `name` to `feel`: what the user types, what is printed, and a line about it.
    name: str
    title: str
    feel: str
    meter: Meter  # its time signature and felt beat
    swing: Fraction | None  # its usual ratio; None follows the tempo as players do
    swing_limit: Fraction  # the largest ratio where swing follows the tempo
    tempos: tuple[int, int, int]  # usual lowest, typical and highest felt beats a minute
    # Where the time-keeping hand plays in early choruses, and where later: keys of
    # `instruments.DRUMS`.
    time: tuple[str, str]
    # `drums` to `comp`: patterns.
    drums: tuple[Pattern, ...]
    bass: tuple[Pattern, ...]
    comp: tuple[Pattern, ...]
    bass_sound: str  # and `comp_sound`: keys of `instruments.PROGRAMS`
    comp_sound: str
    # `riffs` and `stops`: lines that all play together: through a chorus, and where the band
    # stops. A riff of a kind of chorus is drawn now and then where one is strong.
    riffs: tuple[Pattern, ...] = ()
    stops: tuple[Pattern, ...] = ()

    def comping(self, instrument: str) -> tuple[Pattern, ...]:
        """Return an instrument's comping patterns: for each place its own, else its relative's."""
        chosen: list[Pattern] = []
        for when in dict.fromkeys(pattern.when for pattern in self.comp):
            here = [pattern for pattern in self.comp if pattern.when == when]
            for on in (instrument, COMPS[instrument].like or instrument, ""):
                own = [pattern for pattern in here if pattern.on == on]
                if own:
                    break
            chosen += own or here
        return tuple(chosen)


@lru_cache(maxsize=1)
def groove_names() -> tuple[str, ...]:
    """Return the names of the grooves that ship."""
    return GROOVES.names()


def groove_titles(names: Sequence[str]) -> list[str]:
    """Return the titles of grooves, no two the same; `names` are as for `find_groove`."""
    titles = [find_groove(name).title for name in names]
    return [
        title if titles.count(title) == 1 else f"{title} ({Path(name).stem})"
        for name, title in zip(names, titles, strict=True)
    ]


def find_groove(name: str) -> Groove:
    """Return a groove that ships by its name, or a user's own by the path of its file.

    ChoiceError names the nearest one if nothing that ships has the name; TextFileError says that
    the file is missing or has mistakes.
    """
    return load_groove(GROOVES.find(name))


@lru_cache(maxsize=64)
def load_groove(path: Path) -> Groove:
    """Read a groove from a file.

    TextFileError tells every problem at its line and column.
    """
    file = TextFile.open(path, GROOVE)
    file.known_keys((), GROOVE_KEYS)
    title = file.get(("title",), str, ...)
    feel = file.get(("feel",), str, "")
    meter = _word(file, "meter", "a meter", METERS, "4/4")
    swing = file.attempt(("swing",), parse_swing, file.get(("swing",), str, "2:1"))
    limit = file.attempt(("swing-limit",), parse_swing, file.get(("swing-limit",), str, "2:1"))
    tempos = _tempos(file)
    time = _time(file)
    beats = METERS[meter].beats
    drums = _patterns(file, "drums", beats)
    bass = _patterns(file, "bass", beats)
    comp = _patterns(file, "comp", beats)
    riffs, stops = _together(file, "riff", beats), _together(file, "stop", beats)
    bass_sound = _word(file, "bass-sound", "a bass", BASSES, "finger-bass")
    comp_sound = _word(file, "comp-sound", "a comping instrument", COMPS, "organ")
    file.finish()
    return Groove(
        path.stem, title, feel, METERS[meter], swing, limit or Fraction(2), tempos,
        time, drums, bass, comp, bass_sound, comp_sound, riffs, stops,
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
        what = "write the lowest, usual and highest tempo: [80, 104, 135]"
        if len(value) == 3 and all(type(n) is int for n in value):
            what = f"tempos go from the lowest to the highest: {sorted(value)}"
        file.complain(("tempos",), what)
        return 60, 90, 120
    for number in value:
        file.attempt(("tempos",), check_tempo, number)
    low, usual, high = value
    return low, usual, high


def _time(file: TextFile) -> tuple[str, str]:
    value = file.get(("time",), list, ["hat", "ride"])
    cymbals = [name for name, drum in DRUMS.items() if drum.limb == "hand"]
    if value is None or len(value) != 2 or not all(word in cymbals for word in value):
        file.complain(("time",), 'write where early and where later choruses keep time: ["hat", '
                      f'"ride"]; each may be {", ".join(cymbals)}')  # fmt: skip
        return "hat", "ride"
    return value[0], value[1]


def _patterns(file: TextFile, player: str, beats: int) -> tuple[Pattern, ...]:
    patterns = [_pattern(file, where, player, beats) for where in file.tables(player)]
    if not any(pattern.when == "bar" for pattern in patterns):
        file.complain((), f'there is no [[{player}]] for any bar; write one without "when"')
    elif not any(pattern.when == "bar" and pattern.bars == 1 for pattern in patterns):
        file.complain((), f"there is no [[{player}]] for any bar that is one bar long; write one")
    return tuple(patterns)


def _together(file: TextFile, kind: str, beats: int) -> tuple[Pattern, ...]:
    """Read the lines that all play together; one is drawn for a chorus, or for a strong one."""
    found = []
    for where in file.tables(kind):
        file.known_keys(where, ("line", *(["chorus"] * (kind == "riff"))))
        chorus = _one_of(file, (*where, "chorus"), "a kind of chorus", ("late",))
        text = file.get((*where, "line"), str, ...)
        if text is None:
            continue
        lane, problems = read_lane(text, beats, _check_bass)
        for offset, message in problems:
            file.complain((*where, "line"), message, offset=offset)
        if not problems and (lane.bars > 1 or not lane.hits):
            file.complain((*where, "line"), "this line must be one bar long, with strokes in it")
        if not problems and any(hit.value == APPROACH for hit in lane.hits):
            file.complain((*where, "line"), f"this line moves with the chord; {APPROACH} does not")
        found.append(Pattern(kind, 1, (("line", lane),), chorus=chorus))
    return tuple(found)


def _pattern(file: TextFile, where: Where, player: str, beats: int) -> Pattern:
    names = (*DRUMS, TIME) if player == "drums" else ("line",)
    file.known_keys(where, ("when", "weight", "chorus", *(["on"] * (player == "comp")), *names))
    when = file.get((*where, "when"), str, "bar")
    if when is not None and when not in WHEN:
        file.complain((*where, "when"), expected("a place", when, WHEN))
    if ONLY.get(when, player) != player:
        file.complain(
            (*where, "when"), f'"{when}" is for {ONLY[when]}; {player} has no use for it'
        )
    weight = file.get((*where, "weight"), int, 1)
    if weight is not None and not 1 <= weight <= HEAVIEST:
        file.complain((*where, "weight"), f"weight {weight}: it must be 1 to {HEAVIEST}")
    chorus = _one_of(file, (*where, "chorus"), "a kind of chorus", CHORUS_KINDS)
    on = _one_of(file, (*where, "on"), "a comping instrument", COMPS)
    lanes: dict[str, Lane] = {}
    for name in names:
        text = file.get((*where, name), str)
        if text is None:
            continue
        lanes[name], problems = read_lane(text, beats, CHECKS[player])
        for offset, message in problems:
            file.complain((*where, name), message, offset=offset)
    for name, lane in lanes.items():
        if not lane.hits and not file.problems_at((*where, name)) and when != "stop":
            file.complain((*where, name), "this lane is empty; leave it out")
    if player != "drums" and not lanes:
        sample = {"bass": "1:R 3:5", "comp": "2&:chord"}[player]
        file.complain(where, f'this pattern has no "line"; write one: line = "{sample}"')
    if player == "drums":
        _check_limbs(file, where, lanes)
    lengths = {lane.bars for lane in lanes.values()} or {1}
    if player != "bass" and max(lengths) > 1:
        file.complain(where, "this pattern must be one bar long; only a bass line may be longer")
    if len(lengths) > 1:
        file.complain(where, "the lanes of one pattern must have the same number of bars")
    return Pattern(when or "bar", max(lengths), tuple(lanes.items()), weight or 1, chorus, on)


def _one_of(file: TextFile, where: Where, what: str, choices: Collection[str]) -> str:
    word: str = file.get(where, str, "")
    if word and word not in choices:
        file.complain(where, expected(what, word, tuple(choices)))
    return word


def _check_limbs(file: TextFile, where: Where, lanes: dict[str, Lane]) -> None:
    """Complain of strokes that need a third hand or foot."""
    for limb in ("hand", "foot"):
        busy: dict[Fraction, list[str]] = {}
        for name, lane in lanes.items():
            if (DRUMS[name].limb if name != TIME else "hand") == limb:
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
            raise RangeError(
                f'"{value}" is too far above the root for a bass line; the highest is 12'
            )


def figure(value: str) -> tuple[int, str]:
    """Read a comping figure: ``chord``, ``/swell``, ``R6``.

    It is the semitones from which a hand slides into it (-2 to 2), and what is held: one of
    `FIGURES`, or a degree for the root with that degree above it. ChoiceError if it is none.
    """
    parts = _COMP.fullmatch(value)
    sign, what = (parts[1] or "", parts[2]) if parts else ("", value)
    if what in FIGURES:
        return SLIDES[sign], what
    if what.startswith("R"):
        try:
            degree_semitones(what[1:])
        except ChoiceError:
            raise ChoiceError(f'"{value}": write R and a degree, as R5 or Rb7') from None
        return SLIDES[sign], what[1:]
    raise ChoiceError(expected("something to comp", what, (*FIGURES, "R5", "R6", "Rb7")))


def _check_comp(value: str) -> None:
    figure(value)


CHECKS = {"drums": None, "bass": _check_bass, "comp": _check_comp}
