"""The looper: a phrase over its own bars of backing, pass after pass, at a plan of tempos."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from backing.arrangement import (
    Setting,
    Writer,
    check_count_in,
    check_meter,
    form_bars,
    in_order,
    lead_notes,
    part_labels,
    stream,
)
from backing.band import Band, count_in
from backing.events import Label, Note, Stream
from backing.tempo import step_tempos
from phrases.errors import RangeError
from phrases.phrase import Phrase

__all__ = ["MOST_PASSES", "loop", "usual_start"]

MOST_PASSES = 2000


def usual_start(tempo: Fraction) -> Fraction:
    """Return where practice starts by default: about 60 % of a tempo, a multiple of 5."""
    return Fraction(max(30, 5 * round(float(tempo) * 0.6 / 5)))


def loop(
    setting: Setting,
    phrase: Phrase,
    start: Fraction,
    goal: Fraction,
    step: Fraction,
    each: int,
) -> Stream:
    """Return passes of a phrase over its own bars of backing.

    Parameters
    ----------
    setting
        Key, groove, form, swing, seed and count-in; its tempo is not used.
    phrase
        In the setting's key already.
    start, goal, step
        Felt beats a minute; a goal below the start slows down.
    each
        Passes at each tempo.

    Raises
    ------
    RangeError
        If a number is out of range or the phrase does not fit the form.
    """
    if step <= 0:
        raise RangeError(f"step {float(step):g}: it must be more than 0")
    if each < 1:
        raise RangeError(f"{each} passes at each tempo: it must be at least 1")
    passes = (-(-abs(goal - start) // step) + 1) * each
    if passes > MOST_PASSES:
        raise RangeError(f"{passes} passes: a loop has at most {MOST_PASSES}")
    tempos = [tempo for tempo in step_tempos(start, goal, step) for _ in range(each)]
    check_meter(phrase, setting.groove)
    check_count_in(setting.count_in, phrase.parts[0].pickup)
    if phrase.bars > len(setting.form.bars(setting.key)):
        raise RangeError(f'"{phrase.title}" is longer than the form {setting.form.name}')
    out = Writer()
    if setting.count_in:
        _add_count_in(out, setting, phrase, tempos[0])
    made: dict[tuple[Fraction, bool], tuple[Note, ...]] = {}
    for number, tempo in enumerate(tempos):
        last = number == len(tempos) - 1
        if (tempo, last) not in made:
            made[tempo, last] = _pass(setting, phrase, tempo, last=last)
        clock = setting.clock(tempo)
        labels = [Label(0.0, f"Pass {number + 1}: {float(tempo):g}")]
        labels += part_labels(phrase, 0, clock)
        beats = phrase.bars * phrase.meter.beats
        out.add(f"pass {number + 1}", beats, clock, made[tempo, last], labels)
    return stream(setting, phrase.title, out.sections, passes=len(tempos))


def _add_count_in(out: Writer, setting: Setting, phrase: Phrase, tempo: Fraction) -> None:
    clock = setting.clock(tempo)
    beats = setting.groove.meter.beats
    early = [s.moved(setting.count_in * beats) for s in phrase.strokes() if s.at < 0]
    notes = count_in(setting.count_in, beats, clock.seconds) + lead_notes(early, clock)
    out.add("count-in", setting.count_in * beats, clock, in_order(notes))


def _pass(setting: Setting, phrase: Phrase, tempo: Fraction, *, last: bool) -> tuple[Note, ...]:
    """Return one pass; unless it is the last, the next pass's pickup sounds in its last bar."""
    clock = setting.clock(tempo)
    length = phrase.bars * phrase.meter.beats
    strokes = [stroke for stroke in phrase.strokes() if stroke.at >= 0]
    pickup = [s.moved(length) for s in phrase.strokes() if s.at < 0]
    if pickup and strokes and strokes[-1].at >= pickup[0].at:
        raise RangeError(
            f'"{phrase.title}": the pickup of the next pass starts while the last bar still '
            "plays; end the phrase earlier or shorten the pickup"
        )
    if pickup and not last:
        if strokes:
            strokes[-1] = replace(strokes[-1], end=min(strokes[-1].end, pickup[0].at))
        strokes += pickup
    band = Band(setting.groove, setting.key, setting.seed)
    bars = form_bars(setting.form, setting.key, phrase.bars)
    return in_order(band.play(bars, clock) + lead_notes(strokes, clock))
