"""The looper: passes of a region, each at its tempo, laid end to end.

Equal passes are the same data, so every output makes them once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from backing.band import Bar, count_in
from backing.events import Label, Note, Stream
from backing.practice.plan import Pass, Plan, check_lasts
from backing.practice.region import YOURS, Region, looped, traded
from backing.setting import (
    SectionWriter,
    Setting,
    check_count_in,
    check_meter,
    chord_labels,
    heard,
    in_order,
    lead_notes,
    onward,
    stream,
)
from backing.tempo import Clock
from phrases.errors import RangeError
from phrases.phrase import Part, Phrase, StringNote, Stroke, one_by_one

__all__ = ["RINGS", "loop", "trade"]

CUE, CLICK = 76, 77  # General MIDI 1: high and low wood block
CUE_VELOCITY, CLICK_VELOCITY = 92, 70
WOOD_SECONDS = 0.05
EARLY = 0.02  # seconds by which a stroke may be ahead of a gap that it belongs to
LIFTED = 0.95  # how strong the band is in the student's turn
SOFT = 0.5  # of the velocity is left of a soft guide
RINGS = 8.0  # seconds after which nothing of a pass is heard any more
MEASURED = 8  # passes after the one that is kept, to be as loud as a long loop


def loop(setting: Setting, phrase: Phrase, plan: Plan, *, seamless: bool = False) -> Stream:
    """Return passes of a phrase, of one of its parts, or of bars of the form it sounds in.

    The setting's tempo is the phrase's, and the phrase is in its key already. `seamless` keeps a
    single pass, in whose end its start is prepared and into whose start its end rings. Raises
    `BluesError` if a word or a number is none of those it may be, or the phrase does not fit the
    form.
    """
    check_meter(phrase, setting.groove)
    region = looped(setting, phrase, plan)
    if seamless:
        return _seamless(setting, phrase, region, plan)
    passes = plan.run(setting.tempo, len(region.bars) * phrase.meter.beats)
    return _Looper(setting, phrase, region, plan, passes).stream()


def trade(setting: Setting, phrase: Phrase, plan: Plan) -> Stream:
    """Return passes in which the student's turns are left open.

    The parameters and errors are those of `loop`.
    """
    check_meter(phrase, setting.groove)
    plan.checked(setting.tempo)
    region = traded(setting, phrase, plan)
    passes = plan.run(setting.tempo, len(region.bars) * phrase.meter.beats)
    return _Looper(setting, phrase, region, plan, passes).stream()


def _seamless(setting: Setting, phrase: Phrase, region: Region, plan: Plan) -> Stream:
    beats = len(region.bars) * phrase.meter.beats
    plan = replace(
        plan, shape="hold", start=plan.goal or setting.tempo, phrase_rests=0, band_rests=0
    )
    one = plan.run(setting.tempo, beats)[0]
    before = math.ceil(RINGS / float(beats * 60 / one.tempo))
    passes = [replace(one, count_in=False)] * (before + 1 + MEASURED)
    whole = _Looper(setting, phrase, region, plan, passes, cut_in=True).stream()
    kept = whole.sections[before]
    name = Label(0.0, f"Loop: {float(one.tempo):g}")
    kept = replace(kept, labels=(name, *kept.labels[1:]))
    sections = (*whole.sections[:before], kept, *whole.sections[before + 1 :])
    facts = {**whole.facts, "passes": 1, "bars": len(region.bars)}
    return replace(whole, sections=sections, window=(before, before + 1), facts=facts)


class _Looper:
    """Makes the sections of a loop."""

    def __init__(
        self,
        setting: Setting,
        phrase: Phrase,
        region: Region,
        plan: Plan,
        passes: Sequence[Pass],
        *,
        cut_in: bool = False,
    ) -> None:
        self.setting = setting
        self.phrase = phrase
        self.region = region
        self.plan = plan
        self.passes = passes
        self.beats = setting.groove.meter.beats
        self.length = len(region.bars) * self.beats
        check_lasts(len(passes), sum(self._clock(one).exact(self.length) for one in passes))
        self.early = [s for s in region.strokes if s.at < 0]
        self.within = [s for s in region.strokes if s.at >= 0]
        self.rings = any(stroke.end > 0 for stroke in self.early)  # over the first beat
        pickup = -self.early[0].at if self.early else Fraction(0)
        check_count_in(setting.count_in, Fraction(0) if cut_in else pickup)
        wraps = any(not one.count_in for one in passes[1:])
        if wraps and self.early and self.within and self.within[-1].at >= self.length - pickup:
            raise RangeError(
                f'"{phrase.title}": the pickup of the next pass starts while the last bar still '
                "plays; end the phrase earlier or shorten the pickup"
            )
        turns = [low for low, _ in region.gaps]
        turns = turns or [at for at, role in region.labels if role == "response"]
        self.led = [at % self.length or Fraction(self.length) for at in turns]
        self.made: dict[object, tuple[Note, ...]] = {}

    def stream(self) -> Stream:
        out = SectionWriter()
        for number, one in enumerate(self.passes):
            after = self.passes[number + 1] if number + 1 < len(self.passes) else None
            if one.count_in and self.setting.count_in:
                self._count_in(out, one)
            clock = self._clock(one)
            out.add(
                "pass",
                self.length,
                clock,
                self._notes(one, after),
                self._labels(number, one, after, clock),
                chord_labels(self.region.bars, self.setting, clock),
                f"pass {number + 1}",
                silent=self._silent(one, after),
            )
        short = self.plan.falls_short(self.setting.tempo)
        made = stream(
            self.setting,
            self.phrase,
            out.sections,
            passes=len(self.passes),
            shape=self.plan.shape,
            **({"short": short} if short else {}),
        )
        return replace(made, shown=self._shown())

    def _shown(self) -> Phrase | None:
        """Return all of a pass as one line, unless it is the phrase as it is written."""
        every = sorted((*self.region.strokes, *self.region.silent), key=lambda stroke: stroke.at)
        own = [stroke.at for stroke in self.phrase.strokes()]
        bars = len(self.region.bars)
        if bars == self.phrase.bars and [stroke.at for stroke in every] == own:
            return None
        tips = tuple(tip for tip in self.phrase.tips if tip.at is None)
        line = Part("line", bars, tuple(one_by_one(every)))
        return replace(self.phrase, parts=(line,), tips=tips, variations=())

    def _clock(self, one: Pass) -> Clock:
        return replace(self.setting.clock(one.tempo), steps=one.steps)

    def _labels(self, number: int, one: Pass, after: Pass | None, clock: Clock) -> list[Label]:
        last = f" to {float(one.steps[-1][1]):.3g}" if one.steps else ""
        labels = [Label(0.0, f"Pass {number + 1}: {float(one.tempo):.4g}{last}")]
        if not one.phrase:
            return [*labels, Label(0.0, YOURS, "turn", yours=True)]
        leads = after is not None and not after.count_in
        for at, text in self.region.labels:
            if at < 0 and leads:  # what begins before the next pass
                labels.append(self._label(clock.seconds(at + self.length), at, text))
            if at >= 0 or one.count_in:
                labels.append(self._label(clock.seconds(max(Fraction(0), at)), at, text))
        return sorted(labels, key=lambda label: label.seconds)

    def _label(self, seconds: float, at: Fraction, text: str) -> Label:
        gaps = [low for low, _ in self.region.gaps]
        return Label(seconds, text.capitalize(), "turn" if gaps else "part", yours=at in gaps)

    def _count_in(self, out: SectionWriter, one: Pass) -> None:
        clock = self.setting.clock(one.tempo)
        length = self.setting.count_in * self.beats
        early = [s.moved(length) for s in self.early] if one.phrase else []
        notes = count_in(self.setting.count_in, self.beats, clock.seconds)
        notes += lead_notes(early, clock.seconds)
        open_ = [stroke.moved(length) for stroke in self._open(one) if stroke.at < 0]
        silent = in_order(lead_notes(open_, clock.seconds))
        out.add("count-in", length, clock, in_order(notes), silent=silent)

    def _open(self, one: Pass) -> tuple[Stroke, ...]:
        """Return the strokes of a pass that are left to the student."""
        rests = () if one.phrase else self.region.strokes
        return (*self.region.silent, *rests)

    def _silent(self, one: Pass, after: Pass | None) -> tuple[Note, ...]:
        """Return the notes left to the student in a pass, the next pickup included."""
        strokes = [stroke for stroke in self._open(one) if stroke.at >= 0]
        following = one.tempo
        if after is not None and not after.count_in:
            following = after.tempo
            strokes += [s.moved(self.length) for s in self._open(after) if s.at < 0]
        known = ("silent", one.tempo, one.steps, following, tuple(strokes))
        if known not in self.made:
            seconds = onward(self._clock(one), self.length, self.setting.clock(following))
            self.made[known] = in_order(lead_notes(strokes, seconds))
        return self.made[known]

    def _notes(self, one: Pass, after: Pass | None) -> tuple[Note, ...]:
        """Return one pass; what leads into the next one sounds in its last bar.

        Only a pickup that rings over the bar line has to know the next tempo.
        """
        leads = after is not None and not after.count_in
        wraps = leads and after is not None and after.phrase
        following = after.tempo if after and wraps and self.rings else one.tempo
        known = (one.tempo, one.steps, one.phrase, one.band, wraps, leads, following)
        if known not in self.made:
            self.made[known] = self._pass(one, following, wraps=wraps, leads=leads)
        return self.made[known]

    def _pass(
        self, one: Pass, following: Fraction, *, wraps: bool, leads: bool
    ) -> tuple[Note, ...]:
        clock = self._clock(one)
        strokes = list(self.within) if one.phrase else []
        if wraps:
            strokes += [stroke.moved(self.length) for stroke in self.early]
        again = self.length + self.within[0].at if wraps and self.within else None
        strokes = one_by_one(strokes, again)
        after = self.setting.clock(following)
        notes = lead_notes(strokes, onward(clock, self.length, after))
        if one.band:
            bars = self.region.bars
            if strokes:
                bars = heard(self.setting, bars, strokes, self.region.accents, self.led)
            bars = [self._lifted(number, bar) for number, bar in enumerate(bars)]
            notes += self._outside_gaps(self.setting.band().play(bars, clock, bars), clock, leads)
        if one.phrase:
            notes += self._help(clock, leads=leads)
        return in_order(notes)

    def _lifted(self, number: int, bar: Bar) -> Bar:
        """Return a bar, stronger where all of it is the student's."""
        low, high = number * self.beats, (number + 1) * self.beats
        turn = any(begin <= low and high <= end for begin, end in self.region.gaps)
        return replace(bar, strength=LIFTED) if turn else bar

    def _spans(self, leads: bool) -> list[tuple[Fraction, Fraction]]:
        """Return the gaps within a pass, and where those of the next one begin."""
        spans = [(max(Fraction(0), low), high) for low, high in self.region.gaps]
        if leads:
            spans += [(self.length + low, Fraction(self.length)) for low, _ in self.region.gaps]
        return spans

    def _outside_gaps(self, notes: list[Note], clock: Clock, leads: bool) -> list[Note]:
        """Return the band's notes without what sounds in a gap and is left out there."""
        leaves = {"band": (), "thin": ("comp",), "stop": ("comp", "bass", "drums")}
        gone = leaves[self.plan.in_gap]
        kept = []
        for note in notes:
            spans = [
                (clock.seconds(low) - EARLY, clock.seconds(high) - EARLY)
                for low, high in (self._spans(leads) if note.voice in gone else [])
            ]
            if any(low <= note.start < high for low, high in spans):
                continue
            ends = [low for low, _ in spans if note.start < low < note.end]
            kept.append(replace(note, end=min([note.end, *ends])))
        return kept

    def _help(self, clock: Clock, *, leads: bool) -> list[Note]:
        """Return the cues before the student's turns, and what helps in them."""
        notes: list[Note] = []
        for low, _ in self.region.gaps:
            cue = low - 1
            if cue < 0 and leads:
                cue += self.length
            if self.plan.cue and cue >= 0:
                notes.append(_wood(CUE, clock.seconds(cue), CUE_VELOCITY))
        if self.plan.guide == "click":
            for low, high in self._spans(leads):
                beats = [Fraction(beat) for beat in range(math.ceil(low), math.ceil(high))]
                notes += [_wood(CLICK, clock.seconds(beat), CLICK_VELOCITY) for beat in beats]
        if self.plan.guide in ("soft", "rhythm"):
            silent = [s for s in self.region.silent if s.at >= 0]
            if leads:
                silent += [s.moved(self.length) for s in self.region.silent if s.at < 0]
            if self.plan.guide == "rhythm":
                silent = [s.mapped(lambda note: StringNote(note.string, None)) for s in silent]
            for note in lead_notes(silent, clock.seconds):
                velocity = max(1, round(note.velocity * SOFT))
                soft = note if self.plan.guide == "rhythm" else replace(note, velocity=velocity)
                notes.append(soft)
        return notes


def _wood(key: int, at: float, velocity: int) -> Note:
    return Note("drums", at, at + WOOD_SECONDS, key, velocity)
