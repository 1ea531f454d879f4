"""The Python interface: the same things as the commands, in a few calls.

``track``, ``demo`` and ``loop`` return a `backing.events.Stream`; `backing.output.write` puts it
into files. Words (a key, a groove, a swing) may be given as text. What is left out comes from
the phrase, then from the groove, then from the defaults here, which the command line shares.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

from backing.arrangement import Setting, arrange
from backing.events import Stream
from backing.forms import find_form
from backing.grooves import find_groove, groove_names
from backing.practice import loop as practice_loop
from backing.practice import usual_start
from phrases.counting import parse_swing
from phrases.errors import RangeError
from phrases.files import check_tempo, load_phrase
from phrases.phrase import Phrase
from phrases.pitch import parse_key
from phrases.transpose import transpose

__all__ = ["demo", "loop", "track"]

KEY = "A"
GROOVE = "shuffle"
FORM = "twelve-bar"
CHORUSES = 2
COUNT_IN = 1
SEED = 1
STEP = 10
EACH = 2

Number = int | float | Fraction


def _setting(
    phrase: Phrase | None,
    key: str | None,
    groove: str | None,
    form: str,
    tempo: Number | None,
    swing: str | None,
    seed: int,
    count_in: int,
) -> Setting:
    found = find_groove(groove or (phrase.groove if phrase else GROOVE))
    word = swing or (phrase.swing if phrase else "")
    if tempo is None:
        tempo = phrase.tempo if phrase else found.tempos[1]
    return Setting(
        key=parse_key(key or (str(phrase.key) if phrase else KEY)),
        groove=found,
        form=find_form(form),
        tempo=check_tempo(tempo),
        swing=parse_swing(word) if word else None,
        auto=word == "auto",
        seed=seed,
        count_in=count_in,
    )


def track(
    *,
    key: str | None = None,
    groove: str | None = None,
    form: str = FORM,
    tempo: Number | None = None,
    choruses: int = CHORUSES,
    swing: str | None = None,
    seed: int = SEED,
    count_in: int = COUNT_IN,
) -> Stream:
    """Return a backing track.

    Parameters
    ----------
    key
        ``Bb``, ``C# minor``; A by default.
    groove, form
        Names of a groove and a form that ship.
    tempo
        Felt beats a minute, 30 to 240; the groove's usual one by default.
    choruses
        1 to 200.
    swing
        ``2:1``, ``straight`` or ``auto``; the groove's own by default.
    seed
        Chooses among what the groove offers; the same seed gives the same notes.
    count_in
        Bars of sticks, 0 to 4.

    Raises
    ------
    BluesError
        If a word or a number is none of those it may be.
    """
    return arrange(_setting(None, key, groove, form, tempo, swing, seed, count_in), choruses)


def demo(
    phrase: Phrase | str | Path,
    *,
    key: str | None = None,
    groove: str | None = None,
    form: str = FORM,
    tempo: Number | None = None,
    choruses: int = CHORUSES,
    swing: str | None = None,
    seed: int = SEED,
    count_in: int = COUNT_IN,
) -> Stream:
    """Return a phrase over a backing; key, groove, tempo and swing come from the phrase.

    `phrase` is a `Phrase`, a path, or the name of a shipped phrase; the rest as for `track`.
    """
    if not isinstance(phrase, Phrase):
        phrase = load_phrase(phrase, groove_names())
    setting = _setting(phrase, key, groove, form, tempo, swing, seed, count_in)
    return arrange(setting, choruses, transpose(phrase, setting.key))


def loop(
    phrase: Phrase | str | Path,
    *,
    start: Number | None = None,
    goal: Number | None = None,
    step: Number = STEP,
    each: int = EACH,
    key: str | None = None,
    groove: str | None = None,
    form: str = FORM,
    swing: str | None = None,
    seed: int = SEED,
    count_in: int = COUNT_IN,
) -> Stream:
    """Return a phrase over its own bars of backing, pass after pass.

    Parameters
    ----------
    phrase
        A `Phrase`, a path, or the name of a shipped phrase.
    start, goal
        Tempo of the first and of the last passes; about 60 % of the phrase's tempo and the
        phrase's tempo by default. A goal below the start slows down.
    step
        Felt beats a minute from one tempo to the next, more than 0.
    each
        Passes at each tempo.

    The rest is as for `track`.
    """
    if not isinstance(phrase, Phrase):
        phrase = load_phrase(phrase, groove_names())
    setting = _setting(phrase, key, groove, form, None, swing, seed, count_in)
    goal = setting.tempo if goal is None else check_tempo(goal)
    start = usual_start(goal) if start is None else check_tempo(start)
    if not math.isfinite(step):
        raise RangeError(f"step {step}: it must be more than 0 and finite")
    exact_step = Fraction(str(step)) if isinstance(step, float) else Fraction(step)
    return practice_loop(setting, transpose(phrase, setting.key), start, goal, exact_step, each)
