"""What one pass holds: bars for the band, strokes that sound, and gaps for the student.

Conventions: beats count from the first beat of the pass; a pickup lies below 0.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from backing.band import Bar
from backing.practice.plan import Plan
from backing.setting import Setting, accents, dressed, form_bars, placements
from phrases.errors import ChoiceError, RangeError
from phrases.phrase import Phrase, Stroke, one_by_one

__all__ = ["LISTEN", "YOURS", "Region", "looped", "traded"]

LISTEN, YOURS = "Listen", "Your turn"

Span = tuple[Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Region:
    """The bars, strokes and gaps of one pass."""

    bars: list[Bar]  # as the band reads them
    strokes: tuple[Stroke, ...]  # what sounds of the phrase, in order
    silent: tuple[Stroke, ...] = ()  # what the student plays in the gaps
    gaps: tuple[Span, ...] = ()  # from which beat to which it is the student's turn
    labels: tuple[tuple[Fraction, str], ...] = ()  # beats and roles of parts, or whose turn it is
    accents: tuple[Fraction, ...] = ()  # beats at which the band strikes with the phrase


def _chart(setting: Setting, first: int, count: int) -> list[Bar]:
    """Return bars of the form, going round."""
    chart = form_bars(setting.form, setting.key)
    chart = dressed(chart, setting.planner(1, "flat").chorus(len(chart)))
    bars = [chart[(first + n) % len(chart)] for n in range(count)]
    return [*bars[:-1], replace(bars[-1], following=bars[0].chords[0][1])]


def _labels(phrase: Phrase) -> tuple[tuple[Fraction, str], ...]:
    beats = phrase.meter.beats
    return tuple((Fraction(bar * beats), part.role) for bar, part in phrase.placed())


def looped(setting: Setting, phrase: Phrase, plan: Plan) -> Region:
    """Return the pass of a loop: the phrase, one of its parts, or bars of the form.

    Raises `BluesError` if the phrase has no such part or the form no such bars.
    """
    setting = setting.lasting(phrase)
    if plan.bars is not None:
        return _of_form(setting, phrase, plan.bars)
    if not plan.part:
        return Region(
            _chart(setting, 0, phrase.bars),
            phrase.strokes(),
            labels=_labels(phrase),
            accents=accents(phrase, 0),
        )
    for bar, part in phrase.placed():
        if part.role == plan.part:
            alone = replace(phrase, parts=(part,))
            chart = _chart(setting, bar, part.bars)
            struck = accents(alone, 0)
            return Region(chart, alone.strokes(), labels=_labels(alone), accents=struck)
    roles = ", ".join(dict.fromkeys(part.role for part in phrase.parts))
    raise ChoiceError(f'"{phrase.title}" has no {plan.part}; it has: {roles}')


def _of_form(setting: Setting, phrase: Phrase, wanted: tuple[int, int]) -> Region:
    """Return bars of a chorus with what the phrase plays in them."""
    beats = phrase.meter.beats
    length = len(setting.form.bars(setting.key))
    first, last = wanted
    if last > length:
        raise RangeError(
            f"bars {first}-{last}: the form {setting.form.name} has bars 1 to {length}"
        )
    low, high = Fraction((first - 1) * beats), Fraction(last * beats)
    strokes: list[Stroke] = []
    labels: list[tuple[Fraction, str]] = []
    struck: list[Fraction] = []
    for start in placements(phrase, length):
        taken = _taken(phrase, first - 1 - start, last - start)
        strokes += [stroke.moved(start * beats) for stroke in taken]
        labels += [(at + start * beats, text) for at, text in _labels(phrase)]
        struck += accents(phrase, start)
    if not strokes:
        raise RangeError(
            f'"{phrase.title}" does not sound in bars {first}-{last}; choose bars in which it does'
        )
    cut = [stroke.moved(-low) for stroke in one_by_one(strokes, high)]
    if cut[-1].at >= high - low + cut[0].at:  # no room to come round again
        cut = [stroke for stroke in cut if stroke.at >= 0]
    return Region(
        _chart(setting, first - 1, last - first + 1),
        tuple(cut),
        labels=tuple((at - low, text) for at, text in labels if low <= at < high),
        accents=tuple(at - low for at in struck if low <= at < high),
    )


def traded(setting: Setting, phrase: Phrase, plan: Plan) -> Region:
    """Return the pass of a trade: what sounds, and the gaps that are the student's.

    Raises `BluesError` if the phrase does not have the parts, or the form the bars.
    """
    setting = setting.lasting(phrase)
    length = len(setting.form.bars(setting.key))
    if plan.gap in ("call", "response"):
        return _parted(setting, phrase, plan.gap)
    beats = phrase.meter.beats
    strokes = phrase.strokes()
    if plan.gap == "echo":
        bars, half = 2 * phrase.bars, Fraction(phrase.bars * beats)
        echoed = tuple(stroke.moved(half) for stroke in strokes)
        return _with_gaps(_chart(setting, 0, bars), strokes, echoed, [(half, 2 * half)], phrase)
    each = {"two": 2, "four": 4}[plan.gap]
    sounding: list[Stroke] = []
    silent: list[Stroke] = []
    gaps: list[Span] = []
    length = math.lcm(length, 2 * each)  # as many choruses as it takes for all to come round
    for turn, bar in enumerate(range(0, length, each)):
        low, high = Fraction(bar * beats), Fraction((bar + each) * beats)
        piece = turn // 2 % -(-phrase.bars // each) * each
        taken = _taken(phrase, piece, piece + each)
        here = [stroke.moved(low - piece * beats) for stroke in taken]
        if turn % 2:
            gaps.append((low, high))
            silent += here
        else:
            sounding += here
    return _with_gaps(_chart(setting, 0, length), sounding, silent, gaps, phrase)


def _taken(phrase: Phrase, first: int, last: int) -> list[Stroke]:
    """Return the strokes of a phrase from one of its bars to before another.

    A pickup belongs to the part that it leads into.
    """
    beats = phrase.meter.beats
    low, high = Fraction(first * beats), Fraction(last * beats)
    strokes: list[Stroke] = []
    for bar, part in phrase.placed():
        here = [s.moved(bar * beats) for s in replace(phrase, parts=(part,)).strokes()]
        if bar < last:
            strokes += [s for s in here if s.at < high and (bar >= first or s.at >= low)]
    return one_by_one(strokes, high)


def _parted(setting: Setting, phrase: Phrase, gap: str) -> Region:
    """Return the phrase over its own bars with one role left to the student."""
    beats = phrase.meter.beats
    roles = {part.role for part in phrase.parts}
    if not {"call", "response"} <= roles:
        raise ChoiceError(
            f'"{phrase.title}" has no call and response to trade; try --gap echo, two or four'
        )
    sounding: list[Stroke] = []
    silent: list[Stroke] = []
    gaps: list[Span] = []
    for bar, part in phrase.placed():
        alone = replace(phrase, parts=(part,)).strokes()
        here = [stroke.moved(bar * beats) for stroke in alone]
        if part.role == gap:
            silent += here
            gaps.append((Fraction(bar * beats), Fraction((bar + part.bars) * beats)))
        else:
            sounding += here
    return _with_gaps(_chart(setting, 0, phrase.bars), sounding, silent, gaps, phrase)


def _with_gaps(
    bars: list[Bar],
    sounding: Sequence[Stroke],
    silent: Sequence[Stroke],
    gaps: Sequence[Span],
    phrase: Phrase,
) -> Region:
    """Return a region whose gaps begin with the student's pickup and end where one sounds."""
    length = Fraction(len(bars) * phrase.meter.beats)
    rows = []
    for low, high in gaps:
        starts = [s.at for s in silent if low - phrase.meter.beats <= s.at < low]
        ends = [s.at % length for s in sounding if s.at < 0] if high == length else []
        ends += [s.at for s in sounding if low < s.at < high]
        rows.append((min([low, *starts]), min([high, *ends])))
    held = one_by_one(sounding)
    for low, _ in rows:
        held = [stroke.until(low) if stroke.at < low else stroke for stroke in held]
    labels = [(low, YOURS) for low, _ in rows]
    labels += [(Fraction(0), LISTEN)] if rows[0][0] > 0 else []
    labels += [(high, LISTEN) for _, high in rows if high < length]
    return Region(
        bars,
        tuple(held),
        tuple(one_by_one(silent)),
        tuple(rows),
        tuple(sorted(labels)),
        tuple(at for at in accents(phrase, 0) if at in {stroke.at for stroke in held}),
    )
