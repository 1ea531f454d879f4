"""Written music in words, for those who have the page read to them.

Conventions: counts, strings and frets as a teacher calls them: ``Bar 1, C7: 1 G 10 bend a whole
step, vibrato``. The two outer strings are the low and the high E, since a voice says both alike.
"""

from __future__ import annotations

from collections.abc import Container, Iterator

from backing.sheet.score import Head, Measure, Score
from phrases.counting import count_word, spoken_count
from phrases.phrase import Move, bend_cents
from phrases.techniques import SLIDES, TECHNIQUES

__all__ = ["spoken"]

LOUD = {"cresc.": "Louder and louder", "dim.": "Softer and softer"}
NAMES = {"E": "low E", "e": "high E"}
SIZES = {50: "a quarter tone", 100: "a half step", 200: "a whole step", 300: "a step and a half"}


def spoken(score: Score, numbers: Container[int]) -> str:
    """Return bars in words: their chords, each count with what begins there, where it slows down.

    Marks, strokes and fingers are left out. The bars have `numbers` as printed.
    """
    return " ".join(
        _bar(measure)
        + "".join(
            f" Slowing down from {spoken_count(int(one.at) + 1, one.at % 1)}."
            for one in score.within(score.slowings, measure)
            if one.begins
        )
        + "".join(
            f" {LOUD[one.text]} from {spoken_count(int(one.at) + 1, one.at % 1)}."
            for one in score.within(score.hairpins, measure)
            if one.begins
        )
        for measure in score.measures
        if measure.number in numbers
    )


def _bar(measure: Measure) -> str:
    name = f"Bar {measure.number}" if measure.number else "Pickup"
    chords = [label.text for label in measure.chords]
    return f"{', '.join([name, *chords])}: {'; '.join(_counts(measure)) or 'no new note'}."


def _counts(measure: Measure) -> Iterator[str]:
    beat = 0
    silent = False
    for event in measure.events:
        told = "" if silent else "rest"
        silent = event.rest
        if not event.rest:
            told = " with ".join(filter(None, map(_head, event.heads)))
        if told:
            now = int(event.at) + 1
            yield f"{count_word(now, event.at % 1, beat)} {told}"
            beat = now


def _head(head: Head) -> str:
    """Return the words for a head, its grace notes first; none where it only rings on."""
    return ", ".join(words for one in head.chain for words in _link(one))


def _link(head: Head) -> Iterator[str]:
    fret = "muted" if head.fret is None else str(head.fret)
    if head.link:
        yield f"{TECHNIQUES[head.link].name} to {fret}"
    elif not head.tied:
        place = f"{NAMES.get(head.string, head.string)} {fret}"
        yield f"{SLIDES[head.into]} to {place}" if head.into else place
    for move in head.moves:
        yield f"{_move(move, head.fret or 0)} {move.words}".rstrip()


def _move(move: Move, fret: int) -> str:
    name = move.technique.name
    if move.technique.bending:
        size = SIZES.get(bend_cents(move, fret))
        return (
            f"{name} to {size}"
            if size and move.technique.takes == "release"
            else f"{name} {size or ''}".strip()
        )
    return name if move.fret is None else f"{name} with {move.fret}"
