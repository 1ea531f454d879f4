"""From a form, a groove and a phrase to the stream: count-in, choruses, phrases, ending.

Conventions: bars of music count from 0 after the count-in; a section's notes count seconds
from its own start.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from backing.band import Band, Bar, count_in
from backing.events import Label, Note, Section, Stream
from backing.forms import Form
from backing.grooves import Groove
from backing.grooves.groove import PROGRAMS
from backing.tempo import Clock, swing_for
from phrases.errors import RangeError
from phrases.performance import perform
from phrases.phrase import Phrase, Stroke
from phrases.pitch import Key

__all__ = [
    "CHORUSES",
    "COUNT_IN_BARS",
    "LINE",
    "Setting",
    "Writer",
    "arrange",
    "check_count_in",
    "check_meter",
    "form_bars",
    "in_order",
    "lead_notes",
    "part_labels",
    "placements",
    "stream",
]

CHORUSES = (1, 200)
COUNT_IN_BARS = (0, 4)
LINE = 4
SPACING = 8  # bars from one crash to the next, at least


@dataclass(frozen=True, slots=True)
class Setting:
    """What a piece is played in.

    Attributes
    ----------
    key, groove, form
        As read.
    tempo
        Felt beats a minute.
    swing
        The ratio asked for; None lets the groove decide, and `auto` asks for the players' own.
    auto
        Whether swing was asked to follow the tempo.
    seed
        Chooses among what the groove offers.
    count_in
        Bars of sticks, 0 to 4.
    """

    key: Key
    groove: Groove
    form: Form
    tempo: Fraction
    swing: Fraction | None = None
    auto: bool = False
    seed: int = 1
    count_in: int = 1

    def clock(self, tempo: Fraction) -> Clock:
        """Return the time of a section at a tempo."""
        asked = self.swing if self.swing is not None or self.auto else self.groove.swing
        return Clock(tempo, swing_for(asked, tempo, self.groove.swing_limit))


class Writer:
    """Lays sections end to end at exact beats and seconds."""

    def __init__(self) -> None:
        self.sections: list[Section] = []
        self.beat = Fraction(0)
        self.second = Fraction(0)

    def add(
        self,
        name: str,
        beats: int,
        clock: Clock,
        notes: tuple[Note, ...],
        labels: Sequence[Label] = (),
    ) -> None:
        """Append a section; its notes must be in order of time."""
        seconds = clock.exact(beats)
        self.sections.append(
            Section(
                name=name,
                start=self.second,
                seconds=seconds,
                first_beat=self.beat,
                beats=Fraction(beats),
                tempo=clock.tempo,
                swing=clock.swing,
                notes=notes,
                labels=tuple(labels),
            )
        )
        self.beat += beats
        self.second += seconds


def check_meter(phrase: Phrase, groove: Groove) -> None:
    """Check that a phrase counts as many beats to the bar as a groove.

    Raises
    ------
    RangeError
        If not.
    """
    if phrase.meter.beats != groove.meter.beats:
        raise RangeError(
            f'"{phrase.title}" counts {phrase.meter.beats} beats to the bar, '
            f"the groove {groove.name} {groove.meter.beats}"
        )


def check_count_in(bars: int, pickup: Fraction) -> None:
    """Check a count-in's length, and that a pickup has room in it.

    Raises
    ------
    RangeError
        If not.
    """
    low, high = COUNT_IN_BARS
    if not low <= bars <= high:
        raise RangeError(f"count-in {bars}: it must be {low} to {high} bars")
    if pickup and not bars:
        raise RangeError("the phrase has a pickup, which needs a count-in of at least one bar")


def placements(phrase: Phrase, bars: int) -> tuple[int, ...]:
    """Return the bars of a chorus over which a phrase starts, by its ``lines``.

    Raises
    ------
    RangeError
        If the form is too short for the phrase, or a pickup would start while the phrase
        before it still plays.
    """
    if phrase.bars > bars:
        raise RangeError(
            f'"{phrase.title}" is {phrase.bars} bars long, the form only {bars}; '
            "choose a longer form"
        )
    step = -(-phrase.bars // LINE) * LINE
    starts = [bar for bar in range(0, bars, step) if bar + phrase.bars <= bars]
    chosen = {"every": starts, "first": starts[:1], "outer": starts[:1] + starts[1:][-1:]}
    places = tuple(chosen[phrase.lines])
    pickup = phrase.parts[0].pickup
    last = max(stroke.at for stroke in phrase.strokes()) if phrase.strokes() else Fraction(0)
    gap = min(b - a for a, b in pairwise((*places, places[0] + bars))) * phrase.meter.beats
    if pickup and last >= gap - pickup:
        raise RangeError(
            f'"{phrase.title}": when it is repeated, its pickup of {float(pickup):g} beats starts '
            "while its last bar still plays; end it earlier or shorten the pickup"
        )
    return places


def lead_notes(strokes: Sequence[Stroke], seconds: Callable[[Fraction], float]) -> list[Note]:
    """Return strokes as notes of the stream; `seconds` says when a beat sounds."""
    return [
        Note(f"lead {p.string}", p.start, p.end, p.pitch, p.velocity, p.curve)
        for p in perform(strokes, seconds)
    ]


def in_order(notes: Sequence[Note]) -> tuple[Note, ...]:
    """Return notes in order of time."""
    return tuple(sorted(notes, key=lambda note: note.start))


def form_bars(form: Form, key: Key, bars: int | None = None) -> list[Bar]:
    """Return the first bars of a form (all by default) as players read them, going round."""
    charts = form.bars(key)
    charts = charts[: bars or len(charts)]
    return [
        Bar(chords, charts[(number + 1) % len(charts)][0][1])
        for number, chords in enumerate(charts)
    ]


def arrange(
    setting: Setting, choruses: int, phrase: Phrase | None = None, *, ending: bool = True
) -> Stream:
    """Return a backing track, with a phrase over it if one is given.

    Parameters
    ----------
    setting
        Key, groove, form, tempo, swing, seed and count-in.
    choruses
        1 to 200.
    phrase
        In the setting's key already.
    ending
        Whether a last bar follows in which the band lands on the first chord.

    Raises
    ------
    RangeError
        If a number is out of range or the phrase does not fit the form.
    """
    low, high = CHORUSES
    if not low <= choruses <= high:
        raise RangeError(f"{choruses} choruses: it must be {low} to {high}")
    beats = setting.groove.meter.beats
    clock = setting.clock(setting.tempo)
    chart = form_bars(setting.form, setting.key)
    lead_in = setting.count_in * beats
    strokes: list[Stroke] = []
    pickup = Fraction(0)
    starts: tuple[int, ...] = ()
    if phrase is not None:
        check_meter(phrase, setting.groove)
        starts = placements(phrase, len(chart))
        pickup = phrase.parts[0].pickup
        strokes = _placed(phrase, starts, choruses, len(chart) * beats)
    check_count_in(setting.count_in, pickup)
    band = Band(setting.groove, setting.key, setting.seed)
    out = Writer()
    if lead_in:
        early = [stroke.moved(lead_in) for stroke in strokes if stroke.at < 0]
        sticks = count_in(setting.count_in, beats, clock.seconds)
        out.add("count-in", lead_in, clock, in_order(sticks + lead_notes(early, clock.seconds)))
    for chorus in range(choruses):
        length = len(chart) * beats
        first = chorus * length
        bars = _chorus_bars(chart, chorus, choruses, ending=ending)
        here = [stroke.moved(-first) for stroke in strokes if first <= stroke.at < first + length]
        labels = [Label(0.0, f"Chorus {chorus + 1}")]
        if phrase is not None:
            for start in starts:
                labels += part_labels(phrase, start, clock)
        notes = band.play(bars, clock) + lead_notes(here, clock.seconds)
        out.add(f"chorus {chorus + 1}", length, clock, in_order(notes), labels)
    if ending:
        home = chart[0].chords[0][1]
        last = Bar(((Fraction(0), home),), home, ("end", "bar"))
        out.add("ending", beats, clock, in_order(band.play([last], clock)), [Label(0.0, "End")])
    title = phrase.title if phrase else setting.groove.title
    return stream(setting, title, out.sections, choruses=choruses)


def stream(setting: Setting, title: str, sections: Sequence[Section], **facts: object) -> Stream:
    """Return sections as a stream with its summary."""
    groove = setting.groove
    beats = groove.meter.beats
    programs = {
        "lead": PROGRAMS["lead"],
        "bass": PROGRAMS[groove.bass_sound],
        "comp": PROGRAMS[groove.comp_sound],
        "drums": 0,
    }
    bars = sum(int(s.beats) // beats for s in sections if s.name not in ("count-in", "ending"))
    summary: dict[str, object] = {
        "groove": groove.name,
        "form": setting.form.name,
        "bars": bars,
        "count_in": setting.count_in,
        **facts,
    }
    return Stream(
        title, setting.key, groove.meter, setting.seed, tuple(sections), programs, summary
    )


def _chorus_bars(chart: list[Bar], chorus: int, choruses: int, *, ending: bool) -> list[Bar]:
    bars = list(chart)
    every = -(-SPACING // len(chart))  # short forms are not crowned each time round
    if chorus > 0 and chorus % every == 0:
        bars[0] = replace(bars[0], when=("top", "bar"))
    last = chorus == choruses - 1
    if (ending and last) or (not last and (chorus + 1) % every == 0):
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
    cut = [replace(a, end=min(a.end, b.at)) for a, b in pairwise(placed)]
    return cut + placed[-1:]


def part_labels(phrase: Phrase, start: int, clock: Clock) -> list[Label]:
    """Return a label for each part of a phrase that starts over a bar of the section."""
    beats = phrase.meter.beats
    return [
        Label(clock.seconds(Fraction((start + bar) * beats)), part.role.capitalize())
        for bar, part in phrase.placed()
    ]
