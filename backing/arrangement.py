"""From a form, a groove and a phrase to the stream: intro, choruses, phrases, ending.

Conventions: beats of music count from the first chorus, so that an intro and a pickup lie below
0; a section's notes count seconds from its own start.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from backing.band import Bar, count_in
from backing.events import Label, SectionKind, Stream
from backing.forms import turnarounds
from backing.setting import (
    LINE,
    Setting,
    Writer,
    bars_under,
    chart_bars,
    check_count_in,
    check_meter,
    chord_labels,
    form_bars,
    in_order,
    lead_notes,
    onward,
    placements,
    stop_bars,
    stream,
    under,
)
from backing.tempo import Clock, slowing
from phrases.errors import RangeError
from phrases.phrase import Phrase, Stroke, one_by_one

__all__ = ["CHORUSES", "ENDINGS", "INTROS", "arrange"]

CHORUSES = (1, 200)
SPACING = 8  # bars from one crash to the next, at least
ARC = 6  # choruses in which the band builds before it settles again
SLOW_BARS = 2
TAG_BARS = 4

INTROS: dict[str, str] = {
    "sticks": "the count-in alone",
    "turnaround": "two bars that lead in, after the count-in",
    "five": "the last four bars of the form, after the count-in",
}
INTRO_BARS = {"sticks": 0, "turnaround": 2, "five": 4}

ENDINGS: dict[str, str] = {
    "chord": "the band lands on the first chord",
    "slow": "the last two bars slow down into it",
    "tag": "the last four bars come once more, then the chord",
    "none": "no ending: the last bar leads back to the first",
}


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Bars that make a section."""

    kind: SectionKind
    label: str
    bars: list[Bar]
    clock: Clock
    name: str = ""


def arrange(
    setting: Setting,
    choruses: int,
    phrase: Phrase | None = None,
    *,
    intro: str = "sticks",
    ending: str = "chord",
) -> Stream:
    """Return a backing track, with a phrase over it if one is given.

    Parameters
    ----------
    setting
        Key, groove, form, tempo, swing, seed and count-in. A form that is shorter than the phrase
        is played again until that fits, and all of it is one chorus.
    choruses
        1 to 200.
    phrase
        In the setting's key already.
    intro
        A key of `INTROS`.
    ending
        A key of `ENDINGS`.

    Raises
    ------
    RangeError
        If a number is out of range or the phrase does not fit the groove or itself.
    """
    low, high = CHORUSES
    if not low <= choruses <= high:
        raise RangeError(f"{choruses} choruses: it must be {low} to {high}")
    if phrase is not None:
        setting = setting.lasting(phrase)
    beats = setting.groove.meter.beats
    clock = setting.clock(setting.tempo)
    bars = len(setting.form.bars(setting.key))
    strokes: list[Stroke] = []
    pickup = Fraction(0)
    cues: list[tuple[Fraction, str]] = []
    if phrase is not None:
        check_meter(phrase, setting.groove)
        starts = placements(phrase, bars)
        pickup = phrase.parts[0].pickup
        strokes = _placed(phrase, starts, choruses, bars * beats)
        cues = [
            (Fraction((chorus * bars + start + bar) * beats), part.role.capitalize())
            for chorus in range(choruses)
            for start in starts
            for bar, part in phrase.placed()
        ]
    lead_in = min(INTRO_BARS[intro], bars)
    check_count_in(setting.count_in, pickup if not lead_in else Fraction(0))
    plan = _plan(setting, clock, choruses, bars_under(strokes, beats), lead_in, ending)
    band = setting.band()
    out = Writer()
    now = -lead_in * beats
    if setting.count_in:
        length = setting.count_in * beats
        early = [s.moved(length - now) for s in strokes if s.at < now]
        sticks = count_in(setting.count_in, beats, clock.seconds)
        counted = in_order(sticks + lead_notes(early, clock.seconds))
        out.add("count-in", length, clock, counted)
    for stretch, after in zip(plan, [*plan[1:], plan[-1]], strict=True):
        length = len(stretch.bars) * beats
        here = [s.moved(-now) for s in strokes if now <= s.at < now + length]
        labels = [Label(0.0, stretch.label)] if stretch.label else []
        labels += [
            Label(stretch.clock.seconds(at - now), text, "part")
            for at, text in cues
            if now <= at < now + length
        ]
        notes = band.play(stretch.bars, stretch.clock, after.bars)
        notes += lead_notes(here, onward(stretch.clock, length, after.clock))
        chords = chord_labels(stretch.bars, setting, stretch.clock)
        out.add(stretch.kind, length, stretch.clock, in_order(notes), labels, chords, stretch.name)
        now += length
    facts = {"choruses": choruses, "intro": intro, "ending": ending}
    return stream(setting, phrase, out.sections, **facts)


def _plan(
    setting: Setting,
    clock: Clock,
    choruses: int,
    sounding: Mapping[int, int],
    lead_in: int,
    ending: str,
) -> list[_Stretch]:
    """Return the stretches of a piece after its count-in."""
    chance = random.Random(f"{setting.seed} chart")
    length = len(setting.form.bars(setting.key))
    home = setting.form.bars(setting.key)[0][0][1]
    plan = []
    crash: int | None = None
    if lead_in:
        bars = _turned(setting, chance, turnarounds.TURNAROUNDS)[-lead_in:]
        bars[-1] = replace(bars[-1], when=("fill", "bar"))
        plan.append(_Stretch("intro", "Intro", bars, clock))
    for chorus in range(choruses):
        last = chorus == choruses - 1
        held = ({length - 2, length - 1} & {bar - chorus * length for bar in sounding}) != set()
        table = turnarounds.TURNAROUNDS
        if last and ending in ("chord", "slow"):
            table = turnarounds.ENDINGS
        chart = form_bars(setting.form, setting.key) if held else _turned(setting, chance, table)
        kind = _kind(chorus, choruses)
        rises = lead_in > 0 if chorus == 0 else kind not in ("early", _kind(chorus - 1, choruses))
        crowned = rises and (crash is None or chorus * length - crash >= SPACING)
        crash = chorus * length if crowned else crash
        bars = _dressed(setting, chart, chorus, choruses, crowned=crowned)
        bars = under(bars, sounding, chorus * length)
        slow = SLOW_BARS if last and ending == "slow" and length > SLOW_BARS else 0
        played = bars[: length - slow]
        plan.append(
            _Stretch("chorus", f"Chorus {chorus + 1}", played, clock, f"chorus {chorus + 1}")
        )
        if slow:
            beats = slow * setting.groove.meter.beats
            slower = replace(slowing(setting.tempo, beats), swing=clock.swing)
            plan.append(_Stretch("slow-down", "", bars[-slow:], slower))
            clock = replace(clock, tempo=slower.steps[-1][1])
    if ending == "tag":
        chart = _turned(setting, chance, turnarounds.ENDINGS)
        bars = [replace(bar, chorus=_kind(choruses - 1, choruses)) for bar in chart[-TAG_BARS:]]
        bars[-1] = replace(bars[-1], when=("fill", "bar"))
        plan.append(_Stretch("tag", "Tag", bars, clock))
    if ending != "none":
        kind = _kind(choruses - 1, choruses)
        end = Bar(((Fraction(0), home),), home, ("end", "bar"), kind)
        plan.append(_Stretch("ending", "End", [end], clock))
    for before, after in pairwise(plan):
        before.bars[-1] = replace(before.bars[-1], following=after.bars[0].chords[0][1])
    return plan


def _kind(chorus: int, choruses: int) -> str:
    """Return which kind of chorus it is: the band builds in arcs, and gives all in the last."""
    if chorus == choruses - 1 and choruses > 1:
        return "last"
    arc = min(ARC, choruses)
    return "early" if chorus % arc < -(-arc // 3) else "late"


def _turned(
    setting: Setting, chance: random.Random, table: dict[str, tuple[str, ...]]
) -> list[Bar]:
    """Return a chorus with a turnaround of a table in its last two bars, where one fits."""
    charts = setting.form.bars(setting.key)
    chosen = chance.choice(table[setting.key.mode])
    if turnarounds.fits(charts):
        charts = (*charts[:-2], *turnarounds.read(chosen))
    return chart_bars(charts)


def _dressed(
    setting: Setting, chart: list[Bar], chorus: int, choruses: int, *, crowned: bool
) -> list[Bar]:
    """Tell the players of a chorus where they are: its top, its lines, its end."""
    kind = _kind(chorus, choruses)
    bars = [replace(bar, chorus=kind) for bar in chart]
    every = -(-SPACING // len(chart))  # short forms are not crowned each time round
    for bar in range(LINE - 1, len(bars) - LINE, LINE):
        bars[bar] = replace(bars[bar], when=("setup", "bar"))
    stops = stop_bars(setting.groove, len(bars))
    for bar in range(stops):
        bars[bar] = replace(bars[bar], when=("stop", "bar"))
    if crowned and not stops:
        bars[0] = replace(bars[0], when=("top", "bar"))
    if chorus == choruses - 1 or (chorus + 1) % every == 0:
        bars[-1] = replace(bars[-1], when=("fill", "bar"))
    return bars


def _placed(phrase: Phrase, starts: Sequence[int], choruses: int, length: int) -> list[Stroke]:
    """Return the phrase over all its places; where one begins, the one before stops ringing."""
    beats = phrase.meter.beats
    placed = [
        stroke.moved(chorus * length + start * beats)
        for chorus in range(choruses)
        for start in starts
        for stroke in phrase.strokes()
    ]
    return one_by_one(placed)
