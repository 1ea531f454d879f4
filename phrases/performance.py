"""From strokes to what sounds: when, how hard, and how the pitch moves.

Conventions: the caller's clock turns beats into seconds, swing and tempo included; hand
movements last as long as hands take, whatever the tempo, but never longer than their note.
References: common practice for the dynamics; times and widths stand in `techniques`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction

from phrases.curve import Curve, Glide, Sway
from phrases.fretboard import STANDARD, fret_pitch
from phrases.phrase import Note, Stroke
from phrases.techniques import BEND_SIZES, MARKS, TECHNIQUES

__all__ = ["Played", "perform"]

VELOCITY = 88
ON_THE_BEAT = 5
DEAD_SECONDS = 0.05
DEAD_VELOCITY = 52
DAMPING = 0.012
SHORTEST = 0.02
GRACE = 0.025
STRUM = 0.008


@dataclass(frozen=True, slots=True)
class Played:
    """One picked note as it sounds.

    Attributes
    ----------
    beat
        The written beat of the pick.
    string, pitch
        Where it was picked, and the MIDI pitch picked.
    start, end
        Seconds on the caller's clock.
    velocity
        1 to 127.
    curve
        How the pitch moves from there.
    """

    beat: Fraction
    string: str
    pitch: int
    start: float
    end: float
    velocity: int
    curve: Curve


def perform(strokes: Iterable[Stroke], clock: Callable[[Fraction], float]) -> list[Played]:
    """Play strokes on a clock.

    Parameters
    ----------
    strokes
        In order of time.
    clock
        Returns the second at which a beat sounds.

    Returns
    -------
    list
        In order of time; on one string no note overlaps the next.
    """
    played: list[Played] = []
    ringing: dict[str, int] = {}
    # Swing can bring a late place of the beat before an earlier one.
    for stroke in sorted(strokes, key=lambda stroke: clock(stroke.at)):
        for order, note in enumerate(stroke.notes):
            sounding = _play(stroke, note, order, clock)
            before = ringing.get(note.string)
            if before is not None and played[before].end > sounding.start - DAMPING:
                earlier = played[before]
                end = max(earlier.start + 0.001, sounding.start - DAMPING)
                played[before] = _shortened(earlier, end)
            ringing[note.string] = len(played)
            played.append(sounding)
    return sorted(played, key=lambda note: note.start)


def _shortened(note: Played, end: float) -> Played:
    return Played(note.beat, note.string, note.pitch, note.start, end, note.velocity, note.curve)


def _play(stroke: Stroke, note: Note, order: int, clock: Callable[[Fraction], float]) -> Played:
    marks = [MARKS[mark] for mark in note.marks]
    start, end = clock(stroke.at), clock(stroke.end)
    late = sum(mark.seconds for mark in marks) + order * STRUM
    start += min(late, max(0.0, end - start - SHORTEST))
    end = max(end, start + SHORTEST)
    velocity = VELOCITY + sum(mark.velocity for mark in marks)
    if stroke.at.denominator == 1:
        velocity += ON_THE_BEAT
    if note.fret is None:
        velocity += DEAD_VELOCITY - VELOCITY
        end = min(end, start + DEAD_SECONDS)
        pitch, curve = STANDARD[note.string] + 12, Curve()
    else:
        pitch = fret_pitch(note.string, note.fret)
        curve = _curve(note, note.fret, start, end, clock)
    return Played(stroke.at, note.string, pitch, start, end, max(1, min(127, velocity)), curve)


def _curve(
    note: Note, fret: int, start: float, end: float, clock: Callable[[Fraction], float]
) -> Curve:
    """Return the pitch curve of a note picked at `fret` that sounds from `start` to `end`."""
    length = end - start
    first = 0.0
    glides: list[Glide] = []
    sways: list[Sway] = []
    at = 0.0  # where the hand is free for its next move
    fretted, bent = fret, 0.0
    for move in note.moves:
        technique = TECHNIQUES[move.sign]
        counted = None if move.at is None else max(0.0, clock(move.at) - start)
        began = at + GRACE if counted is None else max(at, counted)
        if technique.motion == "sway":
            width = -technique.cents if bent else technique.cents
            began = min(at + technique.seconds if counted is None else began, length)
            sways = [_ended(sway, began) for sway in sways]
            sways.append(Sway(began, length, technique.hertz, width))
            continue
        sways = [_ended(sway, began) for sway in sways]
        if technique.motion == "frets":
            assert move.fret is not None
            span = (at, length - DAMPING if counted is None else began)
            steps = _slide(fret, fretted, move.fret, span, counted is None, technique.seconds)
            glides += steps
            fretted, at = move.fret, steps[-1].start
            continue
        if technique.motion == "step":
            assert move.fret is not None
            fretted = move.fret
            glides.append(Glide(began, 0.0, 100.0 * (fretted - fret)))
            at = began
            continue
        bent = 0.0 if move.sign == "r" else _bend_cents(move.fret, move.size, fretted)
        cents = 100.0 * (fretted - fret) + bent
        if technique.motion == "preset":
            first = cents
            continue
        seconds = max(0.0, min(technique.seconds, length - began))
        glides.append(Glide(began, seconds, cents))
        at = began + seconds
    return Curve(first, tuple(glides), tuple(sway for sway in sways if sway.end > sway.start))


def _ended(sway: Sway, at: float) -> Sway:
    return Sway(sway.start, min(sway.end, at), sway.hertz, sway.cents)


def _bend_cents(to_fret: int | None, size: str | None, fretted: int) -> float:
    if to_fret is not None:
        return 100.0 * (to_fret - fretted)
    assert size is not None
    return float(BEND_SIZES[size])


def _slide(
    picked: int,
    fretted: int,
    goal: int,
    span: tuple[float, float],
    at_once: bool,
    per_fret: float,
) -> list[Glide]:
    """Return the frets crossed between the two times of `span`.

    A counted slide arrives at the second one; another starts at once and arrives before it.
    """
    way = 1 if goal > fretted else -1
    frets = range(fretted, goal, way)
    count = len(frets)
    free, latest = span
    if at_once:
        began = free + GRACE
        pace = min(per_fret, max(0.0, latest - began) / (count + 1))
        times = [began + number * pace for number in range(1, count + 1)]
    else:
        pace = min(per_fret, (latest - free) / count)
        times = [latest - (count - number) * pace for number in range(1, count + 1)]
    return [
        Glide(time, 0.0, 100.0 * (fret + way - picked))
        for time, fret in zip(times, frets, strict=True)
    ]
