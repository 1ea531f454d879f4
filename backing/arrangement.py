"""From a form, a groove and a phrase to the stream: intro, choruses, phrases, ending.

Conventions: beats of music count from the first chorus, so that an intro and a pickup lie below
0; a section's notes count seconds from its own start.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from backing.band import Bar, count_in
from backing.band.plan import SPACING, Chorus
from backing.events import Label, SectionKind, Stream
from backing.forms import turnarounds
from backing.forms.form import Bar as FormBar
from backing.setting import (
    SectionWriter,
    Setting,
    accents,
    bars_under,
    chart_bars,
    check_count_in,
    check_meter,
    chord_labels,
    dressed,
    heard,
    in_order,
    lead_notes,
    onward,
    placements,
    stream,
)
from backing.tempo import Clock, slowing
from phrases.errors import RangeError
from phrases.phrase import Phrase, Stroke, one_by_one

__all__ = ["CHORUSES", "ENDINGS", "INTROS", "arrange"]

CHORUSES = (1, 200)
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
class _Planned:
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

    The setting's form is played again where it is shorter than the phrase, until that fits, and
    all of it is one chorus. There are 1 to 200 choruses; `intro` is a key of `INTROS`, `ending` of
    `ENDINGS`; the phrase is in the setting's key already. Raises `RangeError` if a number is out
    of range or the phrase does not fit the groove or itself.
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
    together: list[Fraction] = []
    pickup = Fraction(0)
    cues: list[tuple[Fraction, str]] = []
    if phrase is not None:
        check_meter(phrase, setting.groove)
        starts = placements(phrase, bars)
        starts = tuple(n * bars + start for n in range(choruses) for start in starts)
        pickup = phrase.parts[0].pickup
        # Where one begins, the one before stops ringing.
        own, struck = phrase.strokes(), accents(phrase, 0)
        strokes = one_by_one(s.moved(at * beats) for at in starts for s in own)
        together = [start * beats + at for start in starts for at in struck]
        cues = [
            (Fraction((start + bar) * beats), part.role)
            for start in starts
            for bar, part in phrase.placed()
        ]
    lead_in = min(INTRO_BARS[intro], bars)
    check_count_in(setting.count_in, pickup if not lead_in else Fraction(0))
    responses = [at for at, role in cues if role == "response"]
    agreed = together, responses
    plan, choruses_told = _plan(setting, clock, choruses, strokes, agreed, lead_in, ending)
    band = setting.band()
    out = SectionWriter()
    now = -lead_in * beats
    if setting.count_in:
        length = setting.count_in * beats
        early = [s.moved(length - now) for s in strokes if s.at < now]
        sticks = count_in(setting.count_in, beats, clock.seconds)
        counted = in_order(sticks + lead_notes(early, clock.seconds))
        out.add("count-in", length, clock, counted)
    for one, after in zip(plan, [*plan[1:], plan[-1]], strict=True):
        length = len(one.bars) * beats
        here = [s.moved(-now) for s in strokes if now <= s.at < now + length]
        labels = [Label(0.0, one.label)] if one.label else []
        labels += [
            Label(one.clock.seconds(at - now), role.capitalize(), "part")
            for at, role in cues
            if now <= at < now + length
        ]
        notes = band.play(one.bars, one.clock, after.bars)
        notes += lead_notes(here, onward(one.clock, length, after.clock))
        chords = chord_labels(one.bars, setting, one.clock)
        out.add(one.kind, length, one.clock, in_order(notes), labels, chords, one.name)
        now += length
    facts = {"choruses": choruses, "intro": intro, "ending": ending}
    made = stream(setting, phrase, out.sections, **facts)
    return replace(made, plan=choruses_told)


def _plan(
    setting: Setting,
    clock: Clock,
    choruses: int,
    strokes: Sequence[Stroke],
    cues: tuple[Sequence[Fraction], Sequence[Fraction]],
    lead_in: int,
    ending: str,
) -> tuple[list[_Planned], tuple[str, ...]]:
    """Return the sections of a piece after its count-in, and its choruses in words."""
    beats = setting.groove.meter.beats
    # A pickup over the last half bar changes nothing: every turnaround leads on there.
    sounding = {*bars_under(strokes, Fraction(beats, 2))}
    charts = setting.form.bars(setting.key)
    length, home = len(charts), charts[0][0][1]
    planner = setting.planner(choruses)
    turns, ends = planner.turnarounds, planner.endings
    fits = turnarounds.fits(charts)
    plan: list[_Planned] = []
    agreed: list[Chorus] = []
    if lead_in:
        bars = _turned(charts, turns[planner.turnaround()] if fits else "")[-lead_in:]
        bars = [replace(bar, strength=planner.arc[0][0]) for bar in bars]
        bars[-1] = replace(bars[-1], when=("fill", "bar"), drums=planner.small.draw())
        plan.append(_Planned("intro", "Intro", bars, clock))
    every = -(-SPACING // length)  # short forms have no fill each time round
    bars = []
    for number in range(choruses):
        last = number == choruses - 1
        halves = 2 * (number + 1) * length
        held = {halves - 4, halves - 3, halves - 2} & sounding
        final = last and ending in ("chord", "slow")
        name = "" if held or not fits else planner.turnaround(final=final)
        agreed.append(
            planner.chorus(
                length,
                filled=last or (number + 1) % every == 0,
                turnaround=name,
                entered=lead_in > 0,
            )
        )
        chart = _turned(charts, (ends if final else turns)[name] if name else "")
        bars += dressed(chart, agreed[-1])
    if strokes:
        bars = heard(setting, bars, strokes, *cues)
    slow = SLOW_BARS if ending == "slow" and length > SLOW_BARS else 0
    for number in range(choruses):
        played = bars[number * length : (number + 1) * length]
        played = played[:-slow] if slow and number == choruses - 1 else played
        name = f"Chorus {number + 1}"
        plan.append(_Planned("chorus", name, played, clock, name.lower()))
    if slow:
        slower = replace(slowing(setting.tempo, slow * beats), swing=clock.swing)
        plan.append(_Planned("slow-down", "", bars[-slow:], slower))
        clock = replace(clock, tempo=slower.steps[-1][1])
    kind, strength = agreed[-1].kind, agreed[-1].strength
    if ending == "tag":
        chart = _turned(charts, ends[planner.turnaround(final=True)] if fits else "")
        bars = [replace(bar, chorus=kind, strength=strength) for bar in chart[-TAG_BARS:]]
        bars[-1] = replace(bars[-1], when=("fill", "bar"), drums=planner.big.draw())
        plan.append(_Planned("tag", "Tag", bars, clock))
    if ending != "none":
        end = Bar(((Fraction(0), home),), home, ("end", "bar"), kind, strength=strength)
        plan.append(_Planned("ending", "End", [end], clock))
    for before, after in pairwise(plan):
        before.bars[-1] = replace(before.bars[-1], following=after.bars[0].chords[0][1])
    return plan, tuple(chorus.told() for chorus in agreed)


def _turned(charts: tuple[FormBar, ...], turnaround: str) -> list[Bar]:
    """Return a chorus with a turnaround in its last two bars, if one is given."""
    if turnaround:
        charts = (*charts[:-2], *turnarounds.read(turnaround))
    return chart_bars(charts)
