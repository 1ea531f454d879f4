"""The looper: a phrase over its own bars of backing, pass after pass, at a plan of tempos."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from backing.arrangement import (
    Setting,
    Writer,
    bars_under,
    check_count_in,
    check_meter,
    chord_labels,
    form_bars,
    in_order,
    lead_notes,
    part_labels,
    stream,
    under,
)
from backing.band import count_in
from backing.events import Label, Note, Stream
from backing.tempo import step_tempos
from phrases.errors import RangeError
from phrases.phrase import Phrase, Stroke

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
    rings = any(_rings_over(stroke) for stroke in phrase.strokes() if stroke.at < 0)
    made: dict[tuple[Fraction, Fraction | None], tuple[Note, ...]] = {}
    for number, tempo in enumerate(tempos):
        last = number == len(tempos) - 1
        # Only a pickup that rings over the bar line has to know the next tempo.
        following = None if last else tempos[number + 1] if rings else tempo
        if (tempo, following) not in made:
            made[tempo, following] = _pass(setting, phrase, tempo, following)
        clock = setting.clock(tempo)
        labels = [Label(0.0, f"Pass {number + 1}: {float(tempo):g}")]
        labels += part_labels(phrase, 0, clock)
        beats = phrase.bars * phrase.meter.beats
        bars = form_bars(setting.form, setting.key, phrase.bars)
        chords = chord_labels(bars, setting, clock)
        out.add(f"pass {number + 1}", beats, clock, made[tempo, following], labels, chords)
    return stream(setting, phrase.title, out.sections, passes=len(tempos))


def _add_count_in(out: Writer, setting: Setting, phrase: Phrase, tempo: Fraction) -> None:
    clock = setting.clock(tempo)
    beats = setting.groove.meter.beats
    early = [s.moved(setting.count_in * beats) for s in phrase.strokes() if s.at < 0]
    notes = count_in(setting.count_in, beats, clock.seconds) + lead_notes(early, clock.seconds)
    out.add("count-in", setting.count_in * beats, clock, in_order(notes))


def _rings_over(stroke: Stroke) -> bool:
    """Tell whether a pickup's stroke still sounds or moves at the first beat."""
    return stroke.end > 0 or any(
        move.at is not None and move.at >= 0 for note in stroke.notes for move in note.moves
    )


def _pass(
    setting: Setting, phrase: Phrase, tempo: Fraction, following: Fraction | None
) -> tuple[Note, ...]:
    """Return one pass; unless it is the last, the next pass's pickup sounds in its last bar.

    What rings over the bar line goes on at the tempo that follows.
    """
    clock = setting.clock(tempo)
    length = phrase.bars * phrase.meter.beats
    strokes = [stroke for stroke in phrase.strokes() if stroke.at >= 0]
    pickup = [s.moved(length) for s in phrase.strokes() if s.at < 0]
    if pickup and strokes and strokes[-1].at >= pickup[0].at:
        raise RangeError(
            f'"{phrase.title}": the pickup of the next pass starts while the last bar still '
            "plays; end the phrase earlier or shorten the pickup"
        )
    if pickup and following is not None:
        if strokes:
            strokes[-1] = replace(strokes[-1], end=min(strokes[-1].end, pickup[0].at))
        strokes += pickup
    band = setting.band()
    sounding = bars_under(strokes, setting.groove.meter.beats)
    bars = under(form_bars(setting.form, setting.key, phrase.bars), sounding)
    after = setting.clock(following or tempo)

    def seconds(position: Fraction) -> float:
        if position <= length:
            return clock.seconds(position)
        return float(clock.exact(length)) + after.seconds(position - length)

    return in_order(band.play(bars, clock) + lead_notes(strokes, seconds))
