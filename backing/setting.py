"""The setting of a piece (groove, chart, key, band), and the writer of its sections.

Conventions: a section's notes count seconds from its own start, bars count from 0.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from backing.band import Band, Bar
from backing.band.fills import set_ups
from backing.band.plan import LINE, Chorus, Planner
from backing.band.reading import Span
from backing.events import Label, Note, Section, SectionKind, Stream
from backing.feel import USUAL
from backing.forms import Form, turnarounds
from backing.grooves import Groove, Pattern
from backing.grooves.instruments import PROGRAMS
from backing.harmony import Chord
from backing.lanes import Hit, Lane
from backing.tempo import Clock, swing_for
from phrases.errors import RangeError
from phrases.performance import perform
from phrases.phrase import Phrase, Stroke
from phrases.pitch import Key

__all__ = [
    "COUNT_IN_BARS",
    "SectionWriter",
    "Setting",
    "accents",
    "bars_under",
    "before_bar",
    "chart_bars",
    "check_count_in",
    "check_meter",
    "chord_labels",
    "dressed",
    "form_bars",
    "heard",
    "in_order",
    "lead_notes",
    "onward",
    "placements",
    "stream",
    "under",
]  # fmt: skip

COUNT_IN_BARS = (0, 4)
BREATH = Fraction(1, 2)  # beats that a phrase may pause and still be sounding
REST = 2  # beats of a phrase's rest that the band may answer
ANSWERED = 0.7  # of them, once there were more answers than these
AT_LEAST = 3
ACCENT = "accent"  # a mark of `phrases.techniques`


BREAK = Pattern("stop", 1, (("line", Lane((Hit(Fraction(0), "R", "accent", short=True),), 1)),))


@dataclass(frozen=True, slots=True)
class Setting:
    """Groove, chart, key and band of a piece."""

    # `key` to `form`: as read.
    key: Key
    groove: Groove
    form: Form
    tempo: Fraction  # felt beats a minute
    # The ratio asked for; None lets the groove decide, and `auto` asks for the players' own.
    swing: Fraction | None = None
    auto: bool = False  # whether swing was asked to follow the tempo
    seed: int = 1  # chooses among what the groove offers
    count_in: int = 1  # bars of sticks, 0 to 4
    comp: str = ""  # the comping instrument; the groove's own if empty
    without: frozenset[str] = field(default_factory=frozenset)  # parts that stay at home
    looseness: float = USUAL  # 0 to 2, as for `backing.feel.Feel`
    tone: str = "clean"  # and `pick`: the lead's: words of `phrases.phrase`
    pick: str = "middle"
    arc: str = "rise"  # how strong choruses are, a key of `backing.band.plan.ARCS`
    turnaround: str = ""  # the name of the one that is always played; empty to draw

    def lasting(self, phrase: Phrase) -> Setting:
        """Return it with a form that has room for a phrase."""
        return replace(self, form=self.form.lasting(phrase.bars))

    def band(self) -> Band:
        """Return the band that plays it."""
        return Band(
            self.groove,
            self.key,
            self.seed,
            comp=self.comp,
            without=self.without,
            looseness=self.looseness,
        )

    def planner(self, choruses: int, arc: str = "") -> Planner:
        """Return who plans its choruses, on another arc than its own if one is given."""
        mode = self.key.mode
        return Planner(
            self.groove,
            self.seed,
            choruses,
            arc=arc or self.arc,
            turnarounds=turnarounds.TURNAROUNDS[mode],
            endings=turnarounds.ENDINGS[mode],
            wanted=self.turnaround,
        )

    def clock(self, tempo: Fraction) -> Clock:
        """Return the time of a section at a tempo."""
        asked = self.swing if self.swing is not None or self.auto else self.groove.swing
        return Clock(tempo, swing_for(asked, tempo, self.groove.swing_limit))


class SectionWriter:
    """Lays sections end to end at exact beats and seconds."""

    def __init__(self) -> None:
        self.sections: list[Section] = []
        self.beat = Fraction(0)
        self.second = Fraction(0)

    def add(
        self,
        kind: SectionKind,
        beats: int,
        clock: Clock,
        notes: tuple[Note, ...],
        labels: Sequence[Label] = (),
        chords: Sequence[Label] = (),
        name: str = "",
        silent: tuple[Note, ...] = (),
    ) -> None:
        """Append a section, called as what it is unless named; its notes are in order of time."""
        seconds = clock.exact(beats)
        self.sections.append(
            Section(
                kind=kind,
                name=name or kind,
                start=self.second,
                seconds=seconds,
                first_beat=self.beat,
                beats=Fraction(beats),
                tempo=clock.tempo,
                swing=clock.swing,
                notes=notes,
                labels=tuple(labels),
                steps=clock.steps,
                chords=tuple(chords),
                silent=silent,
            )
        )
        self.beat += beats
        self.second += seconds


def check_meter(phrase: Phrase, groove: Groove) -> None:
    """Check that a phrase has as many beats to the bar as a groove; raises `RangeError`."""
    if phrase.meter.beats != groove.meter.beats:
        raise RangeError(
            f'"{phrase.title}" counts {phrase.meter.beats} beats to the bar, '
            f"the groove {groove.title} {groove.meter.beats}; choose another groove"
        )


def check_count_in(bars: int, pickup: Fraction) -> None:
    """Check a count-in's length, and that a pickup has room in it; raises `RangeError` if not."""
    low, high = COUNT_IN_BARS
    if not low <= bars <= high:
        raise RangeError(f"count-in {bars}: it must be {low} to {high} bars")
    if pickup and not bars:
        raise RangeError("the phrase has a pickup, which needs a count-in of at least one bar")


def placements(phrase: Phrase, bars: int) -> tuple[int, ...]:
    """Return the bars of a chorus over which a phrase starts, by its ``lines``.

    The chorus has at least the phrase's bars; `Form.lasting` makes it so long. Raises `RangeError`
    if a pickup would start while the phrase before it still plays.
    """
    step = -(-phrase.bars // LINE) * LINE
    starts = [bar for bar in range(0, bars, step) if bar + phrase.bars <= bars]
    chosen = {"every": starts, "first": starts[:1], "outer": starts[:1] + starts[1:][-1:]}
    places = tuple(chosen[phrase.lines])
    pickup = phrase.parts[0].pickup
    last = max((stroke.at for stroke in phrase.strokes()), default=Fraction(0))
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
        Note(
            f"lead {p.string}",
            p.start,
            p.end,
            p.pitch,
            p.velocity,
            p.curve,
            damped=p.damped,
            beat=p.beat,
        )
        for p in perform(strokes, seconds)
    ]


def in_order(notes: Sequence[Note]) -> tuple[Note, ...]:
    """Return notes in order of time."""
    return tuple(sorted(notes, key=lambda note: note.start))


def form_bars(form: Form, key: Key, bars: int | None = None) -> list[Bar]:
    """Return the first bars of a form (all by default) as players read them, going round."""
    charts = form.bars(key)
    return chart_bars(charts[: bars or len(charts)])


def chart_bars(charts: Sequence[tuple[tuple[Fraction, Chord], ...]]) -> list[Bar]:
    """Return charts of bars as players read them: each knows the chord that comes after it."""
    return [
        Bar(chords, charts[(number + 1) % len(charts)][0][1])
        for number, chords in enumerate(charts)
    ]


def chord_labels(bars: Sequence[Bar], setting: Setting, clock: Clock) -> list[Label]:
    """Return the chord names of bars, each where it starts."""
    beats = setting.groove.meter.beats
    return [
        Label(clock.seconds(number * beats + at), chord.name(setting.key), "chord")
        for number, bar in enumerate(bars)
        for at, chord in bar.turns(beats)
    ]


def dressed(chart: Sequence[Bar], chorus: Chorus) -> list[Bar]:
    """Tell the players of a chorus what they agreed on: its top, its lines, its end."""
    bars = [replace(bar, chorus=chorus.kind, strength=chorus.strength) for bar in chart]
    for bar, drums in chorus.set_ups:
        bars[bar] = replace(bars[bar], when=("setup", "bar"), drums=drums)
    for bar in chorus.pushes:
        bars[bar] = replace(bars[bar], push=True)
    turned = len(bars) - 2 if chorus.turnaround else len(bars)
    for bar in range(turned if chorus.riff else 0):
        if len(bars[bar].chords) == 1:
            bars[bar] = replace(bars[bar], line=chorus.riff)
    for bar in range(chorus.stopped):
        bars[bar] = replace(bars[bar], when=("stop", "bar"), line=chorus.stop, drums=None)
    if chorus.breaks:
        bars[-2] = replace(bars[-2], when=("stop", "bar"), line=BREAK)
    if chorus.crash and not chorus.stopped:
        bars[0] = replace(bars[0], when=("top", "bar"))
    if chorus.fill is not None:
        bars[-1] = replace(bars[-1], when=("fill", "bar"), drums=chorus.fill)
    return bars


def onward(clock: Clock, beats: int, after: Clock) -> Callable[[Fraction], float]:
    """Return when a beat sounds in a section of some beats, and beyond it on the next clock."""

    def seconds(position: Fraction) -> float:
        if position <= beats:
            return clock.seconds(position)
        return float(clock.exact(beats)) + after.seconds(position - beats)

    return seconds


def bars_under(strokes: Iterable[Stroke], beats: Fraction | int) -> dict[int, int]:
    """Return the bars in which strokes sound, counted from beat 0, with their lowest pitch."""
    bars: dict[int, int] = {}
    for stroke in strokes:
        last = max(stroke.at, stroke.end - Fraction(1, 2))
        frets = [
            note.pitch(fret)
            for note in stroke.notes
            for fret in (note.fret, *(move.fret for move in note.moves))
            if fret is not None
        ]
        for bar in range(int(stroke.at // beats), int(last // beats) + 1):
            bars[bar] = min([bars.get(bar, 127), *frets])
    return bars


def under(bars: Sequence[Bar], sounding: Mapping[int, int]) -> list[Bar]:
    """Tell the players of bars in which of them a phrase sounds."""
    return [
        replace(bar, when=before_bar(bar.when, "under"), ceiling=sounding[n])
        if n in sounding
        else bar
        for n, bar in enumerate(bars)
    ]


def heard(
    setting: Setting,
    bars: Sequence[Bar],
    strokes: Sequence[Stroke],
    accents: Collection[Fraction] = (),
    responses: Collection[Fraction] = (),
) -> list[Bar]:
    """Tell the players what a phrase does over bars, and what they do about it.

    The bars are those of choruses or of a pass; strokes are in order, in beats from the first of
    them. All strike with the phrase at the beats `accents`; at those of `responses` a response, or
    the student's turn, begins: the drummer leads there. The setting's seed chooses who answers,
    and how.
    """
    beats = setting.groove.meter.beats
    bars = under(bars, bars_under(strokes, beats))
    spans: list[Span] = []
    for stroke in strokes:
        if spans and stroke.at - spans[-1][1] < BREATH:
            spans[-1] = (spans[-1][0], max(spans[-1][1], stroke.end))
        else:
            spans.append((stroke.at, stroke.end))
    answers = _answers(bars, spans, beats, random.Random(f"{setting.seed} answers"))
    led = {-int(-at // beats) - 1 for at in responses}
    leads = set_ups(setting.groove, random.Random(f"{setting.seed} responses"))
    sounding: dict[int, list[Span]] = defaultdict(list)
    struck: dict[int, list[Fraction]] = defaultdict(list)
    following = [begin for begin, _ in spans[1:]] + [Fraction(len(bars) * beats)]
    for (low, end), begin in zip(spans, following, strict=True):
        high = end + BREATH if begin - end >= REST else end  # nobody speaks at once
        for number in range(int(low // beats), int(-(-high // beats))):
            first, last = Fraction(number * beats), Fraction((number + 1) * beats)
            sounding[number].append((max(low, first) - first, min(high, last) - first))
    for at in accents:
        struck[int(at // beats)].append(at % beats)
    told = []
    for number, bar in enumerate(bars):
        if number in led and bar.drums is None and bar.when[0] != "stop":
            bar = replace(bar, when=before_bar(bar.when, "setup"), drums=leads.draw())
        here, hits = tuple(sounding[number]), tuple(struck[number])
        told.append(replace(bar, sounding=here, answer=answers.get(number), hits=hits))
    return told


def _answers(
    bars: Sequence[Bar], spans: Sequence[Span], beats: int, chance: random.Random
) -> dict[int, tuple[Span, str]]:
    """Return the bars in which a phrase that sounds in spans is answered: where, and by whom."""
    answers: dict[int, tuple[Span, str]] = {}
    who = ("drums", "comp")
    spoken = 0
    for number, ((_, end), (begin, _)) in enumerate(pairwise(spans)):
        if begin - end < REST:
            continue
        spoken += 1
        if spoken > AT_LEAST and chance.random() >= ANSWERED:
            spoken = 0
            continue
        first, last = (end + BREATH) // beats, (begin - Fraction(1, 4)) // beats
        rooms: list[tuple[Fraction, int, Span]] = []
        for bar in range(int(first), min(int(last), len(bars) - 1) + 1):
            if bars[bar].when[0] != "stop":  # what all play together is nobody's answer
                low = max(end + BREATH - bar * beats, Fraction(0))
                high = min(begin - bar * beats, Fraction(beats))
                rooms.append((min(Fraction(1), high - low), bar, (low, high)))
        # In the gap's last beats, where a beat is left of that bar.
        room, bar, span = max(rooms, default=(Fraction(0), 0, (Fraction(0), Fraction(0))))
        if room > 0:
            answers[bar] = span, who[number % 2]
    return answers


def accents(phrase: Phrase, start: int) -> tuple[Fraction, ...]:
    """Return the beats of the accented last notes of a phrase's calls, placed at a bar."""
    found = []
    for bar, part in phrase.placed():
        strokes = replace(phrase, parts=(part,)).strokes() if part.role == "call" else ()
        if strokes and any(ACCENT in n.marks for n in strokes[-1].notes):
            found.append(strokes[-1].at + (start + bar) * phrase.meter.beats)
    return tuple(found)


def before_bar(when: tuple[str, ...], kind: str) -> tuple[str, ...]:
    """Return the roles of a bar with `kind` put before ``bar``, so that it goes first."""
    return (*(w for w in when if w != "bar"), kind, "bar")


def stream(
    setting: Setting, phrase: Phrase | None, sections: Sequence[Section], **facts: object
) -> Stream:
    """Return sections as a stream with its summary."""
    title = phrase.title if phrase else setting.groove.title
    groove = setting.groove
    beats = groove.meter.beats
    programs = {
        "lead": PROGRAMS["lead"],
        "bass": PROGRAMS[groove.bass_sound],
        "comp": PROGRAMS[setting.comp or groove.comp_sound],
        "drums": 0,
    }
    bars = sum(int(s.beats) // beats for s in sections if s.kind not in ("count-in", "ending"))
    summary: dict[str, object] = {
        "groove": groove.name,
        "form": setting.form.name,
        "bars": bars,
        "count_in": setting.count_in,
        "comp": setting.comp or groove.comp_sound,
        "without": sorted(setting.without),
        "looseness": setting.looseness,
        **facts,
    }
    return Stream(
        title,
        setting.key,
        groove.meter,
        setting.seed,
        tuple(sections),
        programs,
        summary,
        setting.tone,
        setting.pick,
        phrase=phrase,
    )
