"""From a form, a groove and a phrase to the stream: intro, choruses, phrases, ending.

Conventions: beats of music count from the first chorus, so that an intro and a pickup lie below
0; a section's notes count seconds from its own start.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from backing.band import Band, Bar, count_in
from backing.events import Label, Note, Section, Stream
from backing.feel import USUAL
from backing.forms import Form, turnarounds
from backing.grooves import Groove
from backing.grooves.instruments import PROGRAMS
from backing.harmony import Chord
from backing.tempo import Clock, slowing, swing_for
from phrases.errors import RangeError
from phrases.fretboard import fret_pitch
from phrases.performance import perform
from phrases.phrase import Phrase, Stroke
from phrases.pitch import Key

__all__ = [
    "CHORUSES",
    "COUNT_IN_BARS",
    "ENDINGS",
    "INTROS",
    "LINE",
    "Setting",
    "Writer",
    "arrange",
    "bars_under",
    "check_count_in",
    "check_meter",
    "chord_labels",
    "form_bars",
    "in_order",
    "lead_notes",
    "onward",
    "placements",
    "stop_bars",
    "stream",
    "under",
]

CHORUSES = (1, 200)
COUNT_IN_BARS = (0, 4)
LINE = 4
SPACING = 8  # bars from one crash to the next, at least
STOPS = 4  # bars of stop-time at the top of a chorus, at most
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
    comp
        The comping instrument; the groove's own if empty.
    without
        Parts that stay at home.
    looseness
        0 to 2, as for `backing.feel.Feel`.
    tone, pick
        The lead's: words of `phrases.phrase`.
    """

    key: Key
    groove: Groove
    form: Form
    tempo: Fraction
    swing: Fraction | None = None
    auto: bool = False
    seed: int = 1
    count_in: int = 1
    comp: str = ""
    without: frozenset[str] = field(default_factory=frozenset)
    looseness: float = USUAL
    tone: str = "clean"
    pick: str = "middle"

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
        chords: Sequence[Label] = (),
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
                steps=clock.steps,
                chords=tuple(chords),
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
        Note(f"lead {p.string}", p.start, p.end, p.pitch, p.velocity, p.curve, damped=p.damped)
        for p in perform(strokes, seconds)
    ]


def in_order(notes: Sequence[Note]) -> tuple[Note, ...]:
    """Return notes in order of time."""
    return tuple(sorted(notes, key=lambda note: note.start))


def form_bars(form: Form, key: Key, bars: int | None = None) -> list[Bar]:
    """Return the first bars of a form (all by default) as players read them, going round."""
    charts = form.bars(key)
    return _chart(charts[: bars or len(charts)])


def _chart(charts: Sequence[tuple[tuple[Fraction, Chord], ...]]) -> list[Bar]:
    return [
        Bar(chords, charts[(number + 1) % len(charts)][0][1])
        for number, chords in enumerate(charts)
    ]


def chord_labels(bars: Sequence[Bar], setting: Setting, clock: Clock) -> list[Label]:
    """Return the chord names of bars, each where it starts."""
    beats = setting.groove.meter.beats
    return [
        Label(clock.seconds(number * beats + at), chord.name(setting.key))
        for number, bar in enumerate(bars)
        for at, chord in bar.turns(beats)
    ]


def stop_bars(groove: Groove, bars: int) -> int:
    """Return how many bars at the top of a chorus of so many a groove stops in."""
    stops = any(pattern.when == "stop" for pattern in groove.drums)
    return min(STOPS, bars // 2) if stops else 0


def onward(clock: Clock, beats: int, after: Clock) -> Callable[[Fraction], float]:
    """Return when a beat sounds in a section of some beats, and beyond it on the next clock."""

    def seconds(position: Fraction) -> float:
        if position <= beats:
            return clock.seconds(position)
        return float(clock.exact(beats)) + after.seconds(position - beats)

    return seconds


def bars_under(strokes: Iterable[Stroke], beats: int) -> dict[int, int]:
    """Return the bars in which strokes sound, counted from beat 0, with their lowest pitch."""
    bars: dict[int, int] = {}
    for stroke in strokes:
        last = max(stroke.at, stroke.end - Fraction(1, 2))
        frets = [
            fret_pitch(note.string, fret)
            for note in stroke.notes
            for fret in (note.fret, *(move.fret for move in note.moves))
            if fret is not None
        ]
        for bar in range(int(stroke.at // beats), int(last // beats) + 1):
            bars[bar] = min([bars.get(bar, 127), *frets])
    return bars


def under(bars: Sequence[Bar], sounding: Mapping[int, int], first: int = 0) -> list[Bar]:
    """Tell the players of bars, the first of a number, in which of them a phrase sounds."""
    return [
        replace(bar, when=_before_bar(bar.when, "under"), ceiling=sounding[first + n])
        if first + n in sounding
        else bar
        for n, bar in enumerate(bars)
    ]


def _before_bar(when: tuple[str, ...], kind: str) -> tuple[str, ...]:
    return (*(w for w in when if w != "bar"), kind, "bar")


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Bars that make a section."""

    name: str
    label: str
    bars: list[Bar]
    clock: Clock


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
        Key, groove, form, tempo, swing, seed and count-in.
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
        If a number is out of range or the phrase does not fit the form.
    """
    low, high = CHORUSES
    if not low <= choruses <= high:
        raise RangeError(f"{choruses} choruses: it must be {low} to {high}")
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
        out.add("count-in", length, clock, in_order(sticks + lead_notes(early, clock.seconds)))
    for stretch, after in zip(plan, [*plan[1:], plan[-1]], strict=True):
        length = len(stretch.bars) * beats
        here = [s.moved(-now) for s in strokes if now <= s.at < now + length]
        labels = [Label(0.0, stretch.label)] if stretch.label else []
        labels += [
            Label(stretch.clock.seconds(at - now), text)
            for at, text in cues
            if now <= at < now + length
        ]
        notes = band.play(stretch.bars, stretch.clock)
        notes += lead_notes(here, onward(stretch.clock, length, after.clock))
        chords = chord_labels(stretch.bars, setting, stretch.clock)
        out.add(stretch.name, length, stretch.clock, in_order(notes), labels, chords)
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
        plan.append(_Stretch(f"chorus {chorus + 1}", f"Chorus {chorus + 1}", played, clock))
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
    return _chart(charts)


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
    bars = sum(int(s.beats) // beats for s in sections if s.name not in ("count-in", "ending"))
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
