"""The bars of a variation that differ from its phrase: only these are written."""

from __future__ import annotations

from dataclasses import replace

from backing.sheet.score import Measure, Score
from phrases.phrase import Phrase

__all__ = ["changed"]


def changed(phrase: Phrase, other: Phrase, score: Score) -> Score:
    """Return the bars of a variation that are not those of the phrase, without its tips."""
    changed = [
        (bar, part)
        for (bar, part), (_, old) in zip(other.placed(), phrase.placed(), strict=False)
        if part != old
    ] or list(other.placed())
    first, part = changed[0]
    first -= bool(part.pickup)
    last = changed[-1][0] + changed[-1][1].bars
    measures = [
        replace(measure, events=tuple(replace(event, tips=()) for event in measure.events))
        for measure in score.measures
        if first < measure.number <= last
    ]
    if part.pickup and measures and measures[0].number:
        measures[0] = _from_pickup(measures[0])
    if len(measures) > 1 and changed[-1][1] is not other.parts[-1]:
        measures[-1] = _to_pickup(measures[-1])
    return replace(score, measures=tuple(measures) or score.measures, remarks=())


def _from_pickup(measure: Measure) -> Measure:
    """Return the end of a bar, from the part that begins in it."""
    at = max((label.at for label in measure.labels), default=measure.start)
    return replace(
        measure,
        start=at,
        beats=measure.start + measure.beats - at,
        events=tuple(event for event in measure.events if event.at >= at),
        chords=(),
        labels=tuple(label for label in measure.labels if label.at >= at),
    )


def _to_pickup(measure: Measure) -> Measure:
    """Return a bar up to where the next part begins in it: that one is as it was."""
    at = max((label.at for label in measure.labels), default=measure.start)
    if at == measure.start:
        return measure
    return replace(
        measure,
        beats=at - measure.start,
        events=tuple(event for event in measure.events if event.at < at),
        chords=tuple(label for label in measure.chords if label.at < at),
        labels=tuple(label for label in measure.labels if label.at < at),
    )
