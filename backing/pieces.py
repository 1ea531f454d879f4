"""The Python interface: the same things as the commands, in a few calls.

``track``, ``demo``, ``loop`` and ``trade`` return a `backing.events.Stream`;
`backing.output.write` puts it into files. Words (a key, a groove, a swing) may be given as text.
What is left out comes from the phrase, then from the groove, then from the defaults here, which
the command line shares.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from backing.arrangement import ENDINGS, INTROS, Setting, arrange
from backing.events import Stream
from backing.feel import LOOSENESS, USUAL
from backing.forms import find_form
from backing.grooves import find_groove, groove_names
from backing.grooves.instruments import COMPS
from backing.practice import Plan, read_plan
from backing.practice import loop as practice_loop
from backing.practice import trade as practice_trade
from backing.practice.plan import check_step
from phrases.counting import parse_swing
from phrases.errors import ChoiceError, RangeError
from phrases.files import check_tempo, load_phrase
from phrases.phrase import PICKS, TONES, Phrase
from phrases.pitch import parse_key
from phrases.transpose import transpose
from phrases.words import choose

__all__ = ["demo", "loop", "track", "trade"]

BAND = ("drums", "bass", "comp")
KEY = "A"
GROOVE = "shuffle"
FORM = "twelve-bar"
CHORUSES = 2
COUNT_IN = 1
INTRO = "sticks"
ENDING = "chord"
SEED = 1
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
    comp: str | None,
    without: Collection[str],
    looseness: float,
    tone: str | None = None,
    pick: str | None = None,
) -> Setting:
    low, high = LOOSENESS
    if not low <= looseness <= high:
        raise RangeError(f"looseness {looseness:g}: it must be {low:g} (exact) to {high:g}")
    for part in without:
        choose("a part of the band", part, BAND)
    home = {*without, *(["comp"] if comp == "none" else [])}
    if comp is not None:
        choose("a comping instrument", comp, (*COMPS, "none"))
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
        comp="" if comp in (None, "none") else str(comp),
        without=frozenset(home),
        looseness=float(looseness),
        tone=choose("a tone", tone or (phrase.tone if phrase else "") or TONES[0], TONES),
        pick=choose("a place to pick", pick or (phrase.pick if phrase else "") or "middle", PICKS),
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
    intro: str = INTRO,
    ending: str = ENDING,
    comp: str | None = None,
    without: Collection[str] = (),
    looseness: float = USUAL,
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
    intro
        ``sticks`` (the count-in alone), ``turnaround`` or ``five``.
    ending
        ``chord``, ``slow``, ``tag`` or ``none``.
    comp
        ``organ``, ``piano``, ``guitar`` or ``none``; the groove's own by default.
    without
        Parts that stay at home: ``drums``, ``bass``, ``comp``. The sticks still count in.
    looseness
        0 (exact) to 2: how far the players are from the grid and how unevenly they strike.

    Raises
    ------
    BluesError
        If a word or a number is none of those it may be.
    """
    setting = _setting(
        None, key, groove, form, tempo, swing, seed, count_in, comp, without, looseness
    )
    return _whole(setting, choruses, None, intro, ending)


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
    intro: str = INTRO,
    ending: str = ENDING,
    comp: str | None = None,
    without: Collection[str] = (),
    looseness: float = USUAL,
    variation: str | None = None,
    tone: str | None = None,
    pick: str | None = None,
) -> Stream:
    """Return a phrase over a backing; key, groove, tempo and swing come from the phrase.

    Parameters
    ----------
    phrase
        A `Phrase`, a path, or the name of a shipped phrase.
    variation
        The name of one of its variations, to play in its place.
    tone
        ``clean``, ``driven`` or ``fuzz``; the phrase's own by default.
    pick
        Where the strings are picked: ``bridge``, ``middle`` or ``neck``; the phrase's own by
        default.

    The rest is as for `track`.
    """
    phrase = _phrase(phrase, variation)
    setting = _setting(
        phrase,
        key,
        groove,
        form,
        tempo,
        swing,
        seed,
        count_in,
        comp,
        without,
        looseness,
        tone,
        pick,
    )
    return _whole(setting, choruses, transpose(phrase, setting.key), intro, ending)


def _phrase(phrase: Phrase | str | Path, variation: str | None) -> Phrase:
    if not isinstance(phrase, Phrase):
        phrase = load_phrase(phrase, groove_names())
    if variation is None:
        return phrase
    found = dict(phrase.variations)
    if not found:
        raise ChoiceError(f'"{phrase.title}" has no variations')
    return found[choose(f'a variation of "{phrase.title}"', variation, found)]


def _whole(
    setting: Setting, choruses: int, phrase: Phrase | None, intro: str, ending: str
) -> Stream:
    choose("an intro", intro, INTROS)
    choose("an ending", ending, ENDINGS)
    return arrange(setting, choruses, phrase, intro=intro, ending=ending)


def loop(
    phrase: Phrase | str | Path,
    *,
    plan: str | Path | None = None,
    seamless: bool = False,
    key: str | None = None,
    groove: str | None = None,
    form: str = FORM,
    swing: str | None = None,
    seed: int = SEED,
    count_in: int = COUNT_IN,
    comp: str | None = None,
    without: Collection[str] = (),
    looseness: float = USUAL,
    variation: str | None = None,
    tone: str | None = None,
    pick: str | None = None,
    **practice: Any,
) -> Stream:
    """Return a phrase over its own bars of backing, pass after pass.

    Parameters
    ----------
    phrase
        A `Phrase`, a path, or the name of a shipped phrase.
    plan
        A plan file; what is given besides goes before it.
    seamless
        Whether to return one pass whose end runs into its start, at the goal's tempo.
    practice
        Attributes of `backing.practice.Plan`: ``start``, ``goal``, ``step``, ``each``,
        ``shape``, ``passes``, ``bars``, ``part`` and so on. By default from about 60 % of the
        phrase's tempo to the phrase's tempo in steps of 10, two passes at each.

    The rest is as for `demo`.
    """
    phrase = _phrase(phrase, variation)
    setting = _setting(
        phrase, key, groove, form, None, swing, seed, count_in,
        comp, without, looseness, tone, pick,
    )  # fmt: skip
    if seamless and practice.get("start") is not None:
        raise RangeError("a seamless loop has one tempo; say which with its last tempo (--to)")
    moved = transpose(phrase, setting.key)
    return practice_loop(setting, moved, _plan(plan, practice), seamless=seamless)


def trade(
    phrase: Phrase | str | Path,
    *,
    plan: str | Path | None = None,
    key: str | None = None,
    groove: str | None = None,
    form: str = FORM,
    swing: str | None = None,
    seed: int = SEED,
    count_in: int = COUNT_IN,
    comp: str | None = None,
    without: Collection[str] = (),
    looseness: float = USUAL,
    variation: str | None = None,
    tone: str | None = None,
    pick: str | None = None,
    **practice: Any,
) -> Stream:
    """Return call and response with gaps for the student.

    `practice` holds attributes of `backing.practice.Plan`, among them ``gap``, ``in_gap``,
    ``guide`` and ``cue``; without a start it stays at the phrase's tempo. The rest is as for
    `loop`.
    """
    phrase = _phrase(phrase, variation)
    setting = _setting(
        phrase, key, groove, form, None, swing, seed, count_in,
        comp, without, looseness, tone, pick,
    )  # fmt: skip
    chosen = _plan(plan, practice)
    if chosen.start is None and chosen.shape == "steps":
        chosen = replace(chosen, start=chosen.goal or setting.tempo, shape="hold")
    return practice_trade(setting, transpose(phrase, setting.key), chosen)


def _plan(file: str | Path | None, practice: dict[str, Any]) -> Plan:
    """Return a plan from a file and from what was given besides, which goes before it."""
    known = {field.name for field in fields(Plan)}
    for name in practice:
        choose("a word of a plan", name, known)
    told = {} if file is None else read_plan(Path(file))
    given = {name: value for name, value in practice.items() if value is not None}
    for name in ("start", "goal"):
        if name in given:
            given[name] = check_tempo(given[name])
    if "step" in given:
        given["step"] = check_step(given["step"])
    return Plan(**{**told, **given})
