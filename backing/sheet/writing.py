"""From a phrase to written music.

Conventions: a note is written until the next note or rest; over bar lines and where values need it
with ties. What the hand does on a count of its own begins another event. In 12/8, which has no
swing mark, swung halves of the beat are written on its third eighth.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from backing.forms import Form
from backing.grooves import find_groove
from backing.setting import placements
from backing.sheet.heads import chains, held
from backing.sheet.score import (
    EVEN,
    Hairpin,
    Head,
    Measure,
    Remark,
    Score,
    ScoreEvent,
    Slowing,
    Spans,
    Word,
)
from backing.sheet.values import NoteValue, pieces
from backing.tempo import swing_for
from phrases.counting import count_word, even_beats, parse_swing, swung
from phrases.phrase import Phrase, Stroke
from phrases.phrase import part_names as names_of
from phrases.techniques import TECHNIQUES

__all__ = ["over_form", "part_titles", "write"]

SWUNG = 1.5
TRIPLETS = 2  # the ratio as which swung places of a 12/8 beat are written


def part_titles(phrase: Phrase) -> tuple[str, ...]:
    """Return the names of the parts, ``Call``, with a number where there are several of a role."""
    return tuple(name.capitalize() for name in names_of([part.role for part in phrase.parts]))


def over_form(phrase: Phrase, form: Form | None = None, *, chorus: bool = False) -> Score:
    """Return a phrase as written music, with the chords of a form over it.

    The phrase is in the key in which it is to be written; its groove decides the swing where it
    does not. The chords are those from the bar on at which the phrase is first placed; a form that
    is shorter is played again. `chorus` writes every bar of the form, with the phrase wherever it
    is placed.

    Raises `RangeError` where the phrase cannot be written, or its pickup would start while it
    still plays; `ChoiceError` or `TextFileError` where its groove is missing or has mistakes.
    """
    groove = find_groove(phrase.groove)
    asked = parse_swing(phrase.swing) if phrase.swing else groove.swing
    swing = swing_for(asked, phrase.tempo, groove.swing_limit)
    if form is None:
        return write(phrase, swing=swing, groove=groove.title)
    bars = form.lasting(phrase.bars).bars(phrase.key)
    places = placements(phrase, len(bars))
    first, count = (0, len(bars)) if chorus else (places[0], phrase.bars)
    chords = [
        (number, share * phrase.meter.beats, chord.name(phrase.key))
        for number, bar in enumerate(bars[first : first + count])
        for share, chord in bar
    ]
    return write(
        phrase,
        chords,
        swing=swing,
        groove=groove.title,
        places=places if chorus else (0,),
        bars=count,
    )


def write(
    phrase: Phrase,
    chords: Sequence[tuple[int, Fraction, str]] = (),
    *,
    swing: float = 1.0,
    groove: str = "",
    places: Sequence[int] = (0,),
    bars: int | None = None,
) -> Score:
    """Return a phrase as written music.

    `chords` are names with the bar and the felt beat in it, both from 0; `swing` is long to short,
    1 to 4: in 12/8, which has no swing mark, places that swing by 3:2 or more are written on the
    eighths where they sound. The phrase starts at the bars `places`, from 0; its own bars are
    written if `bars` is left out. Raises `RangeError` where a beat is divided more finely than
    notes can be written.
    """
    return _Notator(phrase, swing, places, bars).score(chords, groove)


@dataclass(frozen=True, slots=True)
class _Stage:
    """A stroke's note heads, or a rest, from one beat to the next."""

    at: Fraction
    heads: tuple[Head, ...] = ()
    stroke: int = -1
    tips: tuple[int, ...] = ()


class _Notator:
    def __init__(
        self, phrase: Phrase, swing: float, places: Sequence[int], bars: int | None
    ) -> None:
        self.phrase = phrase
        self.swing = swing
        self.places = places
        self.beats = phrase.meter.beats
        self.bars = bars or phrase.bars
        self.compound = phrase.meter.quarters != 1
        once = phrase.strokes()
        every = [
            (number, stroke.moved(place * self.beats))
            for place in places
            for number, stroke in enumerate(once)
        ]
        self.strokes = [
            (number, replace(stroke, end=min(stroke.end, later)))
            for (number, stroke), later in zip(
                every,
                [*(stroke.at for _, stroke in every[1:]), Fraction(self.bars * self.beats)],
                strict=True,
            )
        ]

    def score(self, chords: Sequence[tuple[int, Fraction, str]], groove: str) -> Score:
        remarks, tips = self._remarks()
        stages = self._stages(tips)
        off = {stage.at % 1 for stage in stages}
        swung = any(place.denominator in (2, 4, 8) for place in off)
        labels, slowings = self._labels(), self._slowings()
        hairpins = self._hairpins()
        if self.compound and self.swing >= SWUNG:
            straight = even_beats(stage.at for stage in stages)
            stages = [replace(stage, at=_on_eighths(stage.at, straight)) for stage in stages]
            labels = [replace(label, at=_on_eighths(label.at, straight)) for label in labels]
            slowings = [_evened(one, straight) for one in slowings]
            hairpins = [_evened(one, straight) for one in hairpins]
        names = [Word(Fraction(bar * self.beats) + at, name) for bar, at, name in chords]
        measures = self._measures(stages, names, labels)
        clipped = _clipped(stages, self._tied(measures))
        if clipped != stages:
            measures = self._measures(clipped, names, labels)
        phrase = self.phrase
        return Score(
            title=phrase.title,
            key=phrase.key,
            meter=phrase.meter,
            tempo=phrase.tempo,
            measures=tuple(measures),
            groove=groove,
            scale=phrase.scale,
            tuning=phrase.tuning,
            swing=self.swing,
            swung=not self.compound and self.swing > EVEN and swung,
            remarks=remarks,
            level=phrase.level,
            tags=phrase.tags,
            parts=tuple((part.role, part.bars) for part in phrase.parts)
            if self.bars == phrase.bars
            else (),
            slowings=tuple(slowings),
            drags=tuple(part.drag for part in phrase.parts),
            dynamics=tuple(part.dynamics for part in phrase.parts),
            hairpins=tuple(hairpins),
            asides=tuple(_asides(phrase)),
            credits=phrase.credits,
        )

    def _stages(self, tips: dict[Fraction, tuple[int, ...]]) -> list[_Stage]:
        found: list[_Stage] = []
        for number, stroke in self.strokes:
            if found and found[-1].at == stroke.at:
                found.pop()  # the rest before it
            for stage in self._stroke(number, stroke):
                found.append(replace(stage, tips=tips.get(stage.at, ())))
            if stroke.end < self.bars * self.beats:
                found.append(_Stage(stroke.end))
        if found[0].at > 0:
            found.insert(0, _Stage(Fraction(0)))
        return _shifted(found)

    def _stroke(self, number: int, stroke: Stroke) -> Iterator[_Stage]:
        """Yield what each count of a stroke makes of its strings."""
        strings = [chains(note, stroke, self.phrase.key) for note in stroke.notes]
        times = sorted({at for heads in strings for at in heads})
        rows: list[list[Head | None]] = []
        for own in strings:
            row: list[Head | None] = []
            for at in times:
                before = row[-1] if row else None
                head = own.get(at) or (before and held(before))
                if before and head:
                    first = head.chain[0]
                    row[-1] = replace(before, leads=first.link, ties=first.tied, out="")
                row.append(head)
            rows.append(row)
        for at, heads in zip(times, zip(*rows, strict=True), strict=True):
            yield _Stage(at, tuple(head for head in heads if head), number)

    def _remarks(self) -> tuple[tuple[Remark, ...], dict[Fraction, tuple[int, ...]]]:
        """Return the tips, and at each beat of the score the numbers of those that speak of it."""
        phrase = self.phrase
        remarks = [Remark(0, tip.text) for tip in phrase.tips if tip.at is None]
        starts = [bar * self.beats for bar, _ in phrase.placed()]
        names = part_titles(phrase)
        local = sorted(
            (starts[tip.part] + tip.at, tip.part, tip.at, tip.text)
            for tip in phrase.tips
            if tip.at is not None and tip.part is not None
        )
        found: dict[Fraction, tuple[int, ...]] = {}
        for number, (beat, part, at, text) in enumerate(local, 1):
            bar, within = divmod(at, self.beats)
            where = f"bar {int(bar) + 1}" if bar >= 0 else "pickup"
            count = count_word(int(within) + 1, within % 1, 0)
            remarks.append(Remark(number, text, f"{names[part]}, {where}, {count}"))
            for place in self.places:
                there = place * self.beats + beat
                found[there] = (*found.get(there, ()), number)
        return tuple(remarks), found

    def _labels(self) -> list[Word]:
        """Return the names of the parts, each at its first stroke or its first bar."""
        if [part.role for part in self.phrase.parts] == ["line"]:
            return []
        found = []
        names = part_titles(self.phrase)
        for place in self.places:
            for (bar, part), name in zip(self.phrase.placed(), names, strict=True):
                start = Fraction((place + bar) * self.beats)
                at = start + min(Fraction(0), part.strokes[0].at)
                found.append(Word(at, name))
        return found

    def _hairpins(self) -> list[Hairpin]:
        """Return the hairpins and words of the parts' dynamics."""
        return [
            Hairpin(start + at, start + end, text=word)
            for place in self.places
            for bar, part in self.phrase.placed()
            for start in [(place + bar) * self.beats]
            for at, end, word in part.directions
        ]

    def _slowings(self) -> list[Slowing]:
        """Return where parts slow down: until their last note ends, or is cut by what follows."""
        found = []
        for place in self.places:
            for bar, part in self.phrase.placed():
                start = Fraction((place + bar) * self.beats)
                last = part.strokes[-1]
                end = start + last.end
                cut = next((one.end for _, one in self.strokes if one.at == start + last.at), end)
                at = max(end - part.drag, start + part.strokes[0].at)
                if part.drag and at < min(end, cut):
                    found.append(Slowing(at, min(end, cut)))
        return found

    def _measures(
        self, stages: Sequence[_Stage], chords: Sequence[Word], labels: Sequence[Word]
    ) -> list[Measure]:
        first = 0 if stages[0].at >= 0 else -1
        return [self._measure(bar, stages, chords, labels) for bar in range(first, self.bars)]

    def _tied(self, measures: Sequence[Measure]) -> dict[Fraction, Fraction]:
        """Return the beats at which a tied staccato note begins, and its first value."""
        return {
            (measure.number - 1) * self.beats + event.at: event.beats
            for measure in measures
            for event in measure.events
            if event.heads
            and all(head.ties and "short" in head.chain[0].marks for head in event.heads)
        }

    def _measure(
        self, bar: int, stages: Sequence[_Stage], chords: Sequence[Word], labels: Sequence[Word]
    ) -> Measure:
        begin, end = Fraction(bar * self.beats), Fraction((bar + 1) * self.beats)
        start = Fraction(0)
        if bar < 0:
            start = _pickup_start(stages[0].at - begin, self.compound)
        parts = [
            (stage, after)
            for stage, after in zip(
                stages,
                [*(stage.at for stage in stages[1:]), Fraction(self.bars * self.beats)],
                strict=True,
            )
            if stage.at < end and after > begin
        ]
        if parts[0][0].at > begin + start:
            parts.insert(0, (_Stage(begin + start), parts[0][0].at))
        cuts = [max(stage.at - begin, start) for stage, _ in parts]
        rests = {cut for cut, (stage, _) in zip(cuts, parts, strict=True) if not stage.heads}
        if len(cuts) == 1 and rests and not start:
            events = [ScoreEvent(start, Fraction(self.beats), "whole")]
        else:
            rows = pieces(cuts, Fraction(self.beats), rests, compound=self.compound)
            events = [
                event
                for (stage, after), row in zip(parts, rows, strict=True)
                for event in _events(stage, row, stage.at >= begin, after <= end)
            ]
        return Measure(
            number=bar + 1,
            start=start,
            beats=self.beats - start,
            events=tuple(events),
            chords=_within(chords, begin, end),
            labels=_within(labels, begin, end),
        )


def _clipped(stages: Sequence[_Stage], tied: Mapping[Fraction, Fraction]) -> list[_Stage]:
    """Return stages in which `tied` staccato notes have one shorter value, by beat, and a rest."""
    found: list[_Stage] = []
    for number, stage in enumerate(stages):
        after = stages[number + 1] if number + 1 < len(stages) else None
        if found and not stage.heads and not found[-1].heads and found[-1].at < stage.at:
            continue  # the rest is there already
        value = tied.get(stage.at)
        if value is None or (after and any(not h.chain[0].picked for h in after.heads)):
            found.append(stage)
            continue
        end = after.at if after else None
        # Where the value is not the half that sounds, its dot still halves it.
        for head in () if end is None or 2 * value > end - stage.at else stage.heads:
            first = head.chain[0]
            bare = replace(first, marks=tuple(mark for mark in first.marks if mark != "short"))
            new = replace(head, graces=(bare, *head.graces[1:])) if head.graces else bare
            stage = _with(stage, head, new)
        found += [stage, _Stage(stage.at + value)]
    return found


def _shifted(stages: Sequence[_Stage]) -> list[_Stage]:
    """Return stages with slides to nowhere that arrive at the next stroke marked as such."""
    found = list(stages)
    for number in range(len(found) - 1):
        for head in found[number].heads:
            for other in found[number + 1].heads:
                first = other.chain[0]
                if head.string == other.string and _arrives(head, first):
                    arrived = replace(first, shift=head.out)
                    graces = (arrived, *other.graces[1:]) if other.graces else ()
                    new = replace(other, graces=graces) if graces else arrived
                    found[number] = _with(found[number], head, replace(head, onward=True))
                    found[number + 1] = _with(found[number + 1], other, new)
    return found


def _arrives(head: Head, other: Head) -> bool:
    """Tell whether the slide that leaves a head leads to another, which is picked."""
    if not head.out or head.fret is None or other.fret is None:
        return False
    if other.into or other.link or other.tied:
        return False
    return (other.fret - head.fret) * TECHNIQUES[head.out].way > 0


def _with(stage: _Stage, old: Head, new: Head) -> _Stage:
    heads = tuple(new if head is old else head for head in stage.heads)
    return replace(stage, heads=heads)


def _evened(span: Spans, straight: Collection[int]) -> Spans:
    """Return a span whose ends lie on eighths."""
    at, end = (_on_eighths(place, straight) for place in (span.at, span.end))
    return replace(span, at=at, end=end)


def _asides(phrase: Phrase) -> Iterator[tuple[str, str]]:
    """Yield what a phrase says that is not written, where it is not as usual."""
    if phrase.lines != "every":
        yield "lines", phrase.lines
    if phrase.behind != 0:
        yield "behind", "auto" if phrase.behind is None else str(phrase.behind)
    for name, text in (("slide", phrase.slide), ("tone", phrase.tone), ("pick", phrase.pick)):
        if text:
            yield name, text
    # The notes do not tell when a last note ends that is muted, or cut by the next part's pickup.
    lasts = [(bar * phrase.meter.beats, part.strokes[-1]) for bar, part in phrase.placed()]
    seen = {stroke.at: stroke.end for stroke in phrase.strokes()}
    if any(
        seen[start + last.at] != start + last.end or all(note.fret is None for note in last.notes)
        for start, last in lasts
    ):
        yield "ends", ", ".join(str(last.end) for _, last in lasts)


def _within(labels: Sequence[Word], begin: Fraction, end: Fraction) -> tuple[Word, ...]:
    return tuple(replace(one, at=one.at - begin) for one in labels if begin <= one.at < end)


def _pickup_start(at: Fraction, compound: bool) -> Fraction:
    """Return where a pickup bar starts: at its first note, or the beat whose tuplet that is in."""
    bottom = at.denominator // (3 if compound and at.denominator % 3 == 0 else 1)
    return at if bottom & (bottom - 1) == 0 else Fraction(math.floor(at))


def _events(
    stage: _Stage, row: Sequence[NoteValue], first: bool, last: bool
) -> Iterator[ScoreEvent]:
    """Yield the events of a stage in one bar, tied to each other and to those of other bars."""
    for number, piece in enumerate(row):
        begins, ends = first and number == 0, last and number + 1 == len(row)
        heads = [head if begins else held(head) for head in stage.heads]
        if not ends:
            heads = [
                head and replace(head, leads="", ties=head.fret is not None, out="", onward=False)
                for head in heads
            ]
        yield ScoreEvent(
            at=piece.at,
            beats=piece.beats,
            value=piece.value,
            dots=piece.dots,
            heads=tuple(head for head in heads if head),
            tuplet=piece.tuplet,
            stroke=stage.stroke,
            tips=stage.tips if begins else (),
        )


def _on_eighths(at: Fraction, straight: Collection[int]) -> Fraction:
    """Return where a swung half or quarter of a 12/8 beat is written: on its third eighth."""
    if math.floor(at) in straight:
        return at
    return Fraction(swung(at, TRIPLETS)).limit_denominator(96)
