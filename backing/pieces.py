"""The Python interface: the same things as the commands, in a few calls.

``track``, ``demo``, ``loop`` and ``trade`` return a `backing.events.Stream`;
`backing.output.write` puts it into files. Words (a key, a groove, a swing) may be given as text.
What is left out comes from the phrase, then from the groove, then from the defaults here, which
the command line shares.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path
from types import UnionType
from typing import Any, TypedDict, Union, Unpack, get_args, get_origin, get_type_hints

from backing.arrangement import ENDINGS, INTROS, arrange
from backing.band.plan import ARCS
from backing.events import Stream
from backing.feel import LOOSENESS, USUAL
from backing.forms import find_form, turnarounds
from backing.grooves import find_groove, groove_names
from backing.grooves.instruments import COMPS
from backing.practice import Plan, read_plan
from backing.practice import loop as practice_loop
from backing.practice import trade as practice_trade
from backing.practice.plan import WORDS, check_room, check_step, check_words, parse_bars
from backing.setting import Setting
from phrases.counting import parse_swing
from phrases.errors import ChoiceError, RangeError, WordsError
from phrases.files import check_tempo, load_phrase
from phrases.phrase import PICKS, TONES, Phrase
from phrases.pitch import parse_key
from phrases.transpose import transpose
from phrases.words import choose

__all__ = [
    "BandOptions", "LeadOptions", "LoopOptions", "PracticeOptions", "TradeOptions", "demo", "loop",
    "track", "trade",
]  # fmt: skip

BAND = ("drums", "bass", "comp")
KEY = "A"
GROOVE = "shuffle"
FORM = "twelve-bar"
CHORUSES = 2
MANY_PASSES = ("passes", "each", "step", "counted", "phrase_rests", "band_rests")
COUNT_IN = 1
INTRO = "sticks"
ENDING = "chord"
ARC = "rise"
SEED = 1

Number = int | float | Fraction


class BandOptions(TypedDict, total=False):
    """What every piece may be given about the band.

    Attributes
    ----------
    key
        ``Bb``, ``C# minor``; the phrase's, or A.
    groove, form
        Names of a groove and a form that ship, or paths of files of your own.
    swing
        ``2:1``, ``straight`` or ``auto``; the phrase's or the groove's own by default.
    seed
        Chooses among what the groove offers; the same seed gives the same notes.
    count_in
        Bars of sticks, 0 to 4.
    comp
        ``organ``, ``piano``, ``guitar``, ``horns`` or ``none``; the groove's own by default.
    without
        Parts that stay at home: ``drums``, ``bass``, ``comp``. The sticks still count in.
    looseness
        0 (exact) to 2: how far the players are from the grid and how unevenly they strike.
    """

    key: str | None
    groove: str | None
    form: str
    swing: str | None
    seed: int
    count_in: int
    comp: str | None
    without: Collection[str]
    looseness: float


class LeadOptions(BandOptions, total=False):
    """What a piece with a phrase may be given besides.

    Attributes
    ----------
    variation
        The name of one of the phrase's variations, to play in its place.
    tone
        ``clean``, ``driven`` or ``fuzz``; the phrase's own by default.
    pick
        Where the strings are picked: ``bridge``, ``middle`` or ``neck``; the phrase's own by
        default.
    """

    variation: str | None
    tone: str | None
    pick: str | None


class PracticeOptions(LeadOptions, total=False):
    """What loops and trades may be given besides; `backing.practice.Plan` says more.

    Attributes
    ----------
    start, goal
        First and last tempo, felt beats a minute.
    step, each
        From one tempo to the next, and passes at each.
    shape
        ``steps``, ``back``, ``hold`` or ``ramp``.
    passes
        How many in all.
    counted
        ``first`` or ``each``: which passes are counted in.
    phrase_rests, band_rests
        Every how many passes the phrase, and the band, are left out.
    """

    start: Number | None
    goal: Number | None
    step: Number | None
    each: int | None
    shape: str | None
    passes: int | None
    counted: str | None
    phrase_rests: int | None
    band_rests: int | None


class LoopOptions(PracticeOptions, total=False):
    """What a loop may be given: first and last bar of the form, or one part of the phrase."""

    bars: tuple[int, int] | None
    part: str | None


class TradeOptions(PracticeOptions, total=False):
    """What a trade may be given: the gap, what the band does in it, what helps, what cues."""

    gap: str | None
    in_gap: str | None
    guide: str | None
    cue: bool | None


def _check_kinds(words: Mapping[str, Any], of: type) -> None:
    """Refuse words that there are not, and values of another kind than they have."""
    kinds = get_type_hints(of)
    for name, value in words.items():
        if name in ("tempo", "bpm") and name not in kinds:
            hint = "it goes from one tempo to another: start and goal; goal alone with shape hold"
            raise ChoiceError(f'"{name}" is not a word of a plan; {hint}')
        choose("a word of a piece", name, kinds)
        check_kind(name, value, kinds[name])


def check_kind(name: str, value: object, kind: Any) -> None:
    """Refuse a value of another kind than a hint says.

    Raises
    ------
    ChoiceError
        With what it must be.
    """
    plain = tuple(get_origin(one) or one for one in (get_args(kind) or (kind,)))
    if get_origin(kind) not in (Union, UnionType):
        plain = (get_origin(kind) or kind,)
    if float in plain:
        plain += (int,)
    right = isinstance(value, plain) and (bool in plain or not isinstance(value, bool))
    if not right or (Collection in plain and isinstance(value, str)):
        raise ChoiceError(f"{name} {value!r:.40}: it must be {_WORDS[plain[0]]}")


_WORDS = {
    str: "text", int: "a whole number", float: "a number", bool: "True or False",
    tuple: "two whole numbers", Collection: "a list of words",
}  # fmt: skip


def _setting(phrase: Phrase | None, tempo: Number | None, given: LeadOptions) -> Setting:
    check_kind("tempo", tempo, Number | None)
    low, high = LOOSENESS
    looseness = given.get("looseness", USUAL)
    if not low <= looseness <= high:
        raise RangeError(f"looseness {looseness:g}: it must be {low:g} (exact) to {high:g}")
    for part in given.get("without", ()):
        check_kind("without", part, str)
    home = {choose("a part of the band", part, BAND) for part in given.get("without", ())}
    comp = given.get("comp")
    if comp is not None:
        choose("a comping instrument", comp, (*COMPS, "none"))
    if comp not in (None, "none") and "comp" in home:
        raise WordsError(f"comp {comp} and without comp do not go together; keep one of them")
    if comp == "none":
        home.add("comp")
    groove = find_groove(given.get("groove") or (phrase.groove if phrase else GROOVE))
    word = given.get("swing") or (phrase.swing if phrase else "")
    if tempo is None:
        tempo = phrase.tempo if phrase else groove.tempos[1]
    tone = given.get("tone") or (phrase.tone if phrase else "") or TONES[0]
    pick = given.get("pick") or (phrase.pick if phrase else "") or "middle"
    return Setting(
        key=parse_key(given.get("key") or (str(phrase.key) if phrase else KEY)),
        groove=groove,
        form=find_form(given.get("form", FORM)),
        tempo=check_tempo(tempo),
        swing=parse_swing(word) if word else None,
        auto=word == "auto",
        seed=given.get("seed", SEED),
        count_in=given.get("count_in", COUNT_IN),
        comp="" if comp in (None, "none") else str(comp),
        without=frozenset(home),
        looseness=float(looseness),
        tone=choose("a tone", tone, TONES),
        pick=choose("a place to pick", pick, PICKS),
    )


def _phrase(phrase: Phrase | str | Path, given: LeadOptions) -> Phrase:
    if not isinstance(phrase, Phrase):
        check_kind("phrase", phrase, str | Path)
        phrase = load_phrase(phrase, groove_names())
    variation = given.get("variation")
    return phrase if variation is None else phrase.variation(variation)


def track(
    *,
    tempo: Number | None = None,
    choruses: int = CHORUSES,
    intro: str = INTRO,
    ending: str = ENDING,
    arc: str = ARC,
    turnaround: str | None = None,
    **band: Unpack[BandOptions],
) -> Stream:
    """Return a backing track.

    Parameters
    ----------
    tempo
        Felt beats a minute, 30 to 240; the groove's usual one by default.
    choruses
        1 to 200.
    intro
        ``sticks`` (the count-in alone), ``turnaround`` or ``five``.
    ending
        ``chord``, ``slow``, ``tag`` or ``none``.
    arc
        ``rise``: the band rises from chorus to chorus, rests, and ends high; or ``flat``.
    turnaround
        The name of the last two bars' chords, the same in every chorus; drawn by default.
    band
        What `BandOptions` says.

    Raises
    ------
    BluesError
        If a word or a number is none of those it may be.
    """
    _check_kinds(band, BandOptions)
    lead: LeadOptions = {**band}  # type: ignore[typeddict-item]  # it has nothing that a lead needs
    setting = _setting(None, tempo, lead)
    return _whole(_agreed(setting, arc, turnaround), choruses, None, intro, ending)


def demo(
    phrase: Phrase | str | Path,
    *,
    tempo: Number | None = None,
    choruses: int = CHORUSES,
    intro: str = INTRO,
    ending: str = ENDING,
    arc: str = ARC,
    turnaround: str | None = None,
    **lead: Unpack[LeadOptions],
) -> Stream:
    """Return a phrase over a backing; key, groove, tempo and swing come from the phrase.

    Parameters
    ----------
    phrase
        A `Phrase`, a path, or the name of a shipped phrase.
    lead
        What `LeadOptions` says.

    The rest is as for `track`.
    """
    _check_kinds(lead, LeadOptions)
    phrase = _phrase(phrase, lead)
    setting = _setting(phrase, tempo, lead)
    setting = _agreed(setting, arc, turnaround)
    return _whole(setting, choruses, transpose(phrase, setting.key), intro, ending)


def _agreed(setting: Setting, arc: str, turnaround: str | None) -> Setting:
    """Return a setting with what the band agrees on, checked."""
    choose("an arc", arc, ARCS)
    if turnaround is None:
        return replace(setting, arc=arc)
    choose("a turnaround", turnaround, turnarounds.names())
    own = turnarounds.TURNAROUNDS[setting.key.mode]
    if turnaround not in own:
        raise ChoiceError(
            f'the turnaround "{turnaround}" is not for {setting.key.mode} keys; it may be '
            + ", ".join(own)
        )
    if not turnarounds.fits(setting.form.bars(setting.key)):
        raise ChoiceError(
            f"the form {setting.form.name} does not go from a bar of the one to one of the five "
            "at its end, so that it takes no turnaround"
        )
    return replace(setting, arc=arc, turnaround=turnaround)


def _whole(
    setting: Setting, choruses: int, phrase: Phrase | None, intro: str, ending: str
) -> Stream:
    check_kind("choruses", choruses, int)
    check_kind("intro", intro, str)
    check_kind("ending", ending, str)
    choose("an intro", intro, INTROS)
    choose("an ending", ending, ENDINGS)
    return arrange(setting, choruses, phrase, intro=intro, ending=ending)


def loop(
    phrase: Phrase | str | Path,
    *,
    plan: str | Path | None = None,
    seamless: bool = False,
    **words: Unpack[LoopOptions],
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
    words
        What `LoopOptions` says. By default from about 60 % of the phrase's tempo to its tempo in
        steps of 10, two passes at each.

    Raises
    ------
    BluesError
        If a word or a number is none of those it may be.
    """
    lead, told = _split(plan, words, LoopOptions, "loop")
    phrase = _phrase(phrase, lead)
    setting = _setting(phrase, None, lead)
    if seamless:
        _check_one_pass(setting, told)
    chosen = _plan(setting, told)
    return practice_loop(setting, transpose(phrase, setting.key), chosen, seamless=seamless)


def _check_one_pass(setting: Setting, told: dict[str, Any]) -> None:
    """Refuse what a seamless loop cannot have."""
    if "start" in told or told.get("shape", "hold") not in ("steps", "hold"):
        raise WordsError("a seamless loop has one tempo; say which with its last tempo (--to)")
    given = [name for name in MANY_PASSES if name in told]
    given += ["count_in"] if setting.count_in not in (0, COUNT_IN) else []
    if given:
        written = {name: word for word, name in WORDS.items()}
        words = ", ".join(written.get(name, name.replace("_", "-")) for name in given)
        raise WordsError(f"a seamless loop is one pass; leave out {words}")


def _plan(setting: Setting, told: dict[str, Any]) -> Plan:
    if told.get("counted") == "each" and not setting.count_in:
        raise WordsError("count each has nothing to count in with; leave out count-in 0")
    return Plan(**told)


def trade(
    phrase: Phrase | str | Path, *, plan: str | Path | None = None, **words: Unpack[TradeOptions]
) -> Stream:
    """Return call and response with gaps for the student.

    `words` are what `TradeOptions` says; without a start it stays at the phrase's tempo. The rest
    is as for `loop`.
    """
    lead, told = _split(plan, words, TradeOptions, "trade")
    phrase = _phrase(phrase, lead)
    setting = _setting(phrase, None, lead)
    chosen = _plan(setting, told)
    if not {"start", "shape"} & {*told}:
        chosen = replace(chosen, start=chosen.goal or setting.tempo, shape="hold")
    return practice_trade(setting, transpose(phrase, setting.key), chosen)


def _split(
    file: str | Path | None, words: Mapping[str, Any], kinds: type, room: str
) -> tuple[LeadOptions, dict[str, Any]]:
    """Part words about the lead from those of a plan, which go before those of its file."""
    about = LeadOptions.__annotations__
    known = [field.name for field in fields(Plan)]
    check_room(room, words)
    _check_kinds(words, kinds)
    given = {n: v for n, v in words.items() if n in known and v is not None}
    for name in ("start", "goal"):
        if name in given:
            given[name] = check_tempo(given[name])
    if "step" in given:
        given["step"] = check_step(given["step"])
    if "bars" in given:
        given["bars"] = parse_bars("-".join(map(str, given["bars"])))
    check_kind("plan", file, str | Path | None)
    told = {} if file is None else read_plan(Path(file), room)
    if {**told, **given}.get("shape") == "hold" and {"start", "goal"} & {*given}:
        told = {name: value for name, value in told.items() if name not in ("start", "goal")}
    told.update(given)
    check_words(told, room, given)
    lead: Any = {name: value for name, value in words.items() if name in about}
    return lead, told
