"""Practice plans: how the tempo goes from pass to pass, and what each pass leaves out.

A plan is data: the options of a command, or a TOML file with the same words. Tempos are felt
beats a minute.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from backing.tempo import Steps, step_tempos
from phrases.errors import RangeError, WordsError
from phrases.files import TEMPOS, check_tempo
from phrases.kinds import declare
from phrases.phrase import ROLES
from phrases.textfile import TextFile
from phrases.words import choose

__all__ = [
    "COUNTS", "GAPS", "GUIDES", "IN_GAPS", "MOST_PASSES", "RANGES", "SHAPES", "Pass", "Plan",
    "check_lasts", "check_room", "check_words", "read_plan", "usual_start",
]  # fmt: skip

PLAN = declare(
    "a practice plan",
    ("from", "to", "start", "goal", "step", "each", "count", "passes", "shape", "gap"),
    "practise it with --plan",
    "options say the same: --from, --to, --step",
)
MOST_PASSES = 2000
# Numbers of passes: lowest, highest, and what is said before a wrong one.
RANGES: dict[str, tuple[int, int, str]] = {
    "each": (1, MOST_PASSES, "passes at each tempo"),
    "passes": (1, MOST_PASSES, "passes"),
    "phrase_rests": (2, 100, "the phrase rests every Nth pass, N ="),
    "band_rests": (2, 100, "the band rests every Nth pass, N ="),
}
LEAST_STEP = Fraction(1, 10)
LONGEST = 4  # hours
LONG = 8  # passes of a plan that has no other length

SHAPES: dict[str, str] = {
    "steps": "from one tempo to another in steps, up or down",
    "back": "in steps, and back again",
    "hold": "one tempo",
    "ramp": "evenly from one tempo to another, beat by beat",
}
COUNTS: dict[str, str] = {"first": "before the first pass", "each": "before every pass"}
GAPS: dict[str, str] = {
    "response": "the call sounds, the response is yours",
    "call": "the call is yours, the response sounds",
    "echo": "the phrase sounds, then as many bars are yours",
    "two": "two bars of the phrase, two of yours, over the whole form",
    "four": "four bars of the phrase, four of yours, over the whole form",
}
IN_GAPS: dict[str, str] = {
    "band": "the band goes on",
    "thin": "drums and bass go on",
    "stop": "the band stops",
}
GUIDES: dict[str, str] = {
    "none": "nothing helps",
    "soft": "the phrase sounds softly",
    "click": "a click on every beat",
    "rhythm": "its rhythm on muted strings",
}


CHOICES: dict[str, tuple[str, Collection[str]]] = {
    "shape": ("a shape", SHAPES),
    "counted": ("a count-in", COUNTS),
    "gap": ("a gap", GAPS),
    "in_gap": ("a way of the band in a gap", IN_GAPS),
    "guide": ("a guide", GUIDES),
    "part": ("a part", ROLES),
}
# Words about the tempo that mean something in each shape.
TEMPO_WORDS: dict[str, tuple[str, ...]] = {
    "steps": ("start", "goal", "step", "each"),
    "back": ("start", "goal", "step", "each"),
    "hold": ("start", "goal"),
    "ramp": ("start", "goal"),
}
# Words that only the one or the other has.
OWN_WORDS: dict[str, tuple[str, ...]] = {
    "loop": ("bars", "part"),
    "trade": ("gap", "in_gap", "guide", "cue"),
}
_TEMPO_HINT = "a plan goes from one tempo to another: write from and to; to alone with shape hold"


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass: its tempo, what sounds in it, and whether it is counted in."""

    tempo: Fraction  # at its start
    steps: Steps = ()  # later tempos within it, as for `backing.tempo.Clock`
    phrase: bool = True  # and `band`: whether they sound
    band: bool = True
    count_in: bool = False  # whether sticks come before it


@dataclass(frozen=True, slots=True)
class Plan:
    """A practice plan: its shape, tempos and passes, and what the student plays."""

    # `start` and `goal`: first and last tempo; None is about 60 % of the last, and the phrase's
    # tempo.
    start: Fraction | None = None
    goal: Fraction | None = None
    step: Fraction = Fraction(10)  # and `each`: from one tempo to the next, and passes at each
    each: int = 2
    shape: str = "steps"  # a key of `SHAPES`
    # How many in all; None lets the tempos decide, or 8. A longer plan stays at its last tempo.
    passes: int | None = None
    counted: str = "first"  # a key of `COUNTS`
    # First and last bar of the form to play, from 1; None for those of the phrase.
    bars: tuple[int, int] | None = None
    part: str = ""  # ``call``, ``response`` or ``line`` to play that part alone; empty for all
    # `phrase_rests` and `band_rests`: every how many passes the phrase, and the band, are left
    # out; 0 for never.
    phrase_rests: int = 0
    band_rests: int = 0
    gap: str = "response"  # a key of `GAPS`, for trading
    # `in_gap` to `cue`: what the band does in a gap, a key of `IN_GAPS`; what helps there, a key
    # of `GUIDES`; whether a stroke on wood announces it.
    in_gap: str = "band"
    guide: str = "none"
    cue: bool = True

    def checked(self, tempo: Fraction) -> Plan:
        """Return the plan with its tempos filled in for a phrase's tempo.

        Raises `BluesError` if a word or a number is none of those it may be.
        """
        for name, (what, known) in CHOICES.items():
            if name != "part" or self.part:
                choose(what, getattr(self, name), known)
        goal = tempo if self.goal is None else check_tempo(self.goal)
        step = check_step(self.step)
        stepped = step if self.shape in ("steps", "back") else 0
        start = usual_start(goal, stepped) if self.start is None else check_tempo(self.start)
        if self.shape == "hold":
            start = goal = goal if self.start is None else start
        for name in RANGES:
            number = getattr(self, name)
            if number is not None and not (number == 0 and name.endswith("rests")):
                check_range(name, number)
        if self.passes is None and self.shape in ("steps", "back"):
            steps = -(-abs(goal - start) // self.step)
            count = (steps * (2 if self.shape == "back" else 1) + 1) * self.each
            if count > MOST_PASSES:
                raise RangeError(
                    f"{count} passes: a loop has at most {MOST_PASSES}; take larger steps, fewer "
                    "passes at each tempo, or say how many in all (--passes)"
                )
        return replace(self, start=start, goal=goal)

    def falls_short(self, tempo: Fraction) -> str:
        """Return a warning where there are too few passes to arrive, else an empty text."""
        if self.passes is None or self.shape not in ("steps", "back"):
            return ""
        plan = self.checked(tempo)
        assert plan.start is not None
        assert plan.goal is not None
        way = plan._way(plan.start, plan.goal)
        needed = (len(way) - 1) * self.each + 1
        if self.passes >= needed:
            return ""
        last, end = float(way[(self.passes - 1) // self.each]), float(way[-1])
        return f"{self.passes} passes end at {last:g}; to arrive at {end:g} it takes {needed}"

    def run(self, tempo: Fraction, beats: int) -> list[Pass]:
        """Return the passes, each of so many felt beats, at a phrase's tempo; see `checked`."""
        plan = self.checked(tempo)
        assert plan.start is not None
        assert plan.goal is not None
        if plan.shape == "ramp":
            rows = _ramp(plan.start, plan.goal, plan.passes or LONG, beats)
        else:
            rows = [(each, ()) for each in plan._tempos(plan.start, plan.goal)]
        for name in ("phrase_rests", "band_rests"):
            if getattr(plan, name) > len(rows):
                raise RangeError(
                    f"{RANGES[name][2]} {getattr(plan, name)}: there are only {len(rows)}"
                )
        return [
            Pass(
                tempo=at,
                steps=steps,
                phrase=not _rests(number, plan.phrase_rests),
                band=not _rests(number, plan.band_rests),
                count_in=number == 0 or plan.counted == "each",
            )
            for number, (at, steps) in enumerate(rows)
        ]

    def _tempos(self, start: Fraction, goal: Fraction) -> list[Fraction]:
        if self.shape == "hold":
            return [start] * (self.passes or LONG)
        tempos = [tempo for tempo in self._way(start, goal) for _ in range(self.each)]
        if self.passes is not None:
            tempos = (tempos + [tempos[-1]] * self.passes)[: self.passes]
        return tempos

    def _way(self, start: Fraction, goal: Fraction) -> list[Fraction]:
        way = step_tempos(start, goal, self.step)
        return way + way[-2::-1] if self.shape == "back" else way


def check_step(step: Fraction | float) -> Fraction:
    """Return a step of tempo exactly; raises `RangeError` if it is not above 0 and finite."""
    if not 0 < step < math.inf:
        raise RangeError(f"step {float(step):g}: it must be more than 0")
    if step < LEAST_STEP:
        raise RangeError(f"step {float(step):g}: it must be at least {float(LEAST_STEP):g}")
    return Fraction(str(step))


def check_lasts(passes: int, seconds: Fraction | int) -> None:
    """Check that passes last `LONGEST` hours at most together; raises `RangeError`."""
    minutes = math.ceil(seconds / 60)
    if seconds > LONGEST * 3600:
        raise RangeError(
            f"{passes} passes last {minutes // 60}:{minutes % 60:02d} hours; a loop lasts "
            f"{LONGEST}:00 hours at most: ask for fewer passes, or for one that any player "
            "repeats (--seamless)"
        )


def check_range(name: str, number: int) -> int:
    """Return a number of passes; raises `RangeError` outside its row of `RANGES`."""
    low, high, what = RANGES[name]
    if not low <= number <= high:
        raise RangeError(f"{what} {number}: it must be {low} to {high}")
    return number


def _rests(number: int, every: int) -> bool:
    return bool(every) and (number + 1) % every == 0


def _ramp(
    start: Fraction, goal: Fraction, passes: int, beats: int
) -> list[tuple[Fraction, Steps]]:
    """Return passes whose tempo changes evenly with the beats from start to goal.

    Each beat gets a tempo of its own, from the integral of one over the tempo:
    ``t(b) = 60 / k * ln(1 + k * b / start)`` with ``k = (goal - start) / all beats``.
    """
    whole = passes * beats
    slope = float(goal - start) / whole

    def at(beat: int) -> Fraction:
        if not slope:
            return beat * 60 / start
        seconds = 60 / slope * math.log1p(slope * beat / float(start))
        return Fraction(round(seconds * 10**9), 10**9)

    check_lasts(passes, at(whole))
    tempos = [60 / (at(beat + 1) - at(beat)) for beat in range(whole)]
    rows = []
    for first in range(0, whole, beats):
        own = tempos[first : first + beats]
        rows.append((own[0], tuple((Fraction(n), t) for n, t in enumerate(own) if n)))
    return rows


def usual_start(tempo: Fraction, step: Fraction | int = 0) -> Fraction:
    """Return where practice starts by default: about 60 % of a tempo, a multiple of 5.

    With a step it is whole steps below the tempo instead, so that the last one is no shorter;
    but where that is nothing or below 30, it stays a multiple of 5.
    """
    start = Fraction(max(TEMPOS[0], 5 * round(float(tempo) * 0.6 / 5)))
    steps = round((tempo - start) / step) if step else 0
    whole = tempo - steps * step
    return whole if steps > 0 and whole >= TEMPOS[0] else start


# A plan file's words, where they are not the attributes' own names.
WORDS = {
    "from": "start",
    "to": "goal",
    "count": "counted",
    "phrase-rests": "phrase_rests",
    "band-rests": "band_rests",
    "in-gap": "in_gap",
}
EXACT = ("start", "goal", "step")


def check_room(room: str, of: Collection[str]) -> None:
    """Refuse options of another command than `room`, by `OWN_WORDS`; raises `WordsError`."""
    written = {name: word for word, name in WORDS.items()}
    for other, words in OWN_WORDS.items():
        for name in words if other != room else ():
            if name in of:
                raise WordsError(
                    f"{written.get(name, name)} is for a {other}, not for a {room}; leave it out"
                )


def check_words(told: Mapping[str, Any], room: str, of: Mapping[str, Any]) -> None:
    """Refuse words that would change nothing.

    `told` is all that is said, as attributes of a `Plan`, `room` what it is said for, a key of
    `OWN_WORDS`; `of` what of it must not be in vain: the rest may be overruled. Raises
    `WordsError` for the first that is.
    """
    check_room(room, of)
    written = {name: word for word, name in WORDS.items()}
    stays = room == "trade" and "start" not in told
    shape = told.get("shape", "hold" if stays else "steps")
    for name in TEMPO_WORDS["steps"]:
        if name in of and name not in TEMPO_WORDS.get(shape, TEMPO_WORDS["steps"]):
            hint = "say from which tempo" if "shape" not in told else "leave it out"
            raise WordsError(f"{written.get(name, name)} changes nothing in {shape}; {hint}")
    start, goal = told.get("start"), told.get("goal")
    if shape == "hold" and {"start", "goal"} <= {*of} and start != goal:
        raise WordsError("hold has one tempo; keep from or to")
    if "bars" in told and told.get("part"):
        raise WordsError("bars and part are two choices; keep one of them")


def read_plan(path: Path, room: str = "") -> dict[str, Any]:
    """Return the attributes of a `Plan` that a plan file sets.

    `room` is what it is for, a key of `OWN_WORDS`, or empty for either. Raises `TextFileError`
    with every problem at its line and column.
    """
    file = TextFile.open(path, PLAN)
    names = [field.name for field in fields(Plan)]
    words = [word for word in names if word not in WORDS.values()] + list(WORDS)
    file.known_keys((), words, dict.fromkeys(("tempo", "bpm"), _TEMPO_HINT))
    found: dict[str, Any] = {}
    for word in words:
        if word not in file.data:
            continue
        name = WORDS.get(word, word)
        value = _value(file, word, name)
        if value is not None:
            found[name] = value
    if room:
        try:
            check_words(found, room, found)
        except WordsError as error:
            word = str(error).split()[0]
            file.complain((word,) if word in file.data else (), str(error), key=True)
    file.finish()
    return found


def _value(file: TextFile, word: str, name: str) -> Any:
    if name == "cue":
        return file.get((word,), bool)
    if name == "bars":
        text = file.get((word,), str)
        return None if text is None else file.attempt((word,), parse_bars, text)
    if name in CHOICES:
        text = file.get((word,), str)
        what, known = CHOICES[name]
        return None if text is None else file.attempt((word,), choose, what, text, known)
    if name in EXACT:
        value = file.get((word,), (int, float))
        check = check_step if name == "step" else check_tempo
        return None if value is None else file.attempt((word,), check, value)
    number = file.get((word,), int)
    return None if number is None else file.attempt((word,), check_range, name, number)


def parse_bars(text: str) -> tuple[int, int]:
    """Read ``5-8`` or ``5``: bars of the form, from 1; raises `RangeError` for anything else."""
    first, dash, last = text.replace(" ", "").partition("-")
    if first.isdecimal() and (last.isdecimal() or not dash) and len(text) < 8:
        low, high = int(first), int(last or first)
        if 1 <= low <= high:
            return low, high
    raise RangeError(f'"{text}" is not a range of bars; write the first and the last: 5-8')
