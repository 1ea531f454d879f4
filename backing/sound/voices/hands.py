"""What both hands do to one string: its pitch, what lies on it, and what is put into it.

Conventions: times in seconds from the first frame. What the curve of a note says is done and no
more: a hammer, a pull and a slide onto a fret put a little into the string, a bend nothing.
References: from memory for how fast hands damp; the sizes were set by ear of the eye, on charts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import tau

import numpy as np
from numpy.typing import NDArray

from backing.events import Note
from backing.sound.voices.gauges import Gauge
from backing.sound.voices.plucks import AHEAD, Pulses
from phrases.curve import Curve

__all__ = ["RINGS", "Hands"]

Floats = NDArray[np.float64]

# What takes from a string: dB a second, and as much more for each kHz.
HELD = (0.0, 0.0)
PALM = (80.0, 60.0)
LEFT = (240.0, 60.0)  # a hand that lies on it when its note is over
TOUCHED = (1200.0, 300.0)  # the pick, before it lets go
DEAD = (45.0, 500.0)  # the first for each Hz of the string
TOUCH = 0.006  # seconds
RINGS, DEAD_RINGS = 0.45, 0.1  # seconds until a string is at rest after its last note
DEAD_SECONDS = 0.06  # a damped note that is shorter has no pitch
PALM_SOFT, PULL_SOFT, PULL = 2.0, 1.3, 0.5
UNHEARD = 1e-5  # of the height of what is put in
SOON = 64  # frames in which what would begin before the first frame comes up
GLIDE, GLIDE_STEP = 0.06, 6.0  # seconds in which a pluck's sharpness goes, to 37 %; cents
LEVEL = 1.5  # dB that a vibrato moves the level by for each 100 cents


@dataclass(frozen=True, slots=True)
class _Given:
    """Something put into the string: on a frame, by a note, as a kind says."""

    frame: int
    kind: str
    note: Note
    pitch: float
    seed: int


class Hands:
    """The notes of one string.

    Parameters
    ----------
    notes
        In order of time.
    gauge, pulses
        The string.
    place
        Where it is picked, metres from the bridge.
    """

    def __init__(self, notes: Sequence[Note], gauge: Gauge, pulses: Pulses, place: float) -> None:
        self.notes = notes
        self.gauge = gauge
        self.pulses = pulses
        self.place = place
        self.rate = pulses.rate
        self._given = sorted(self._all_given(), key=lambda one: one.frame)
        starts = np.array([note.start for note in notes])
        self._from = starts - TOUCH

    def _all_given(self) -> Iterator[_Given]:
        for number, note in enumerate(self.notes):
            seed = 31 * note.pitch + 7 * number + note.velocity
            dead = _dead(note)
            kind = "dead" if dead else "palm" if note.damped else "pick"
            first = note.curve.first if note.curve is not None else 0.0
            yield self._at(note.start, kind, note, first, seed)
            if note.curve is None or dead:
                continue
            until = note.end
            if number + 1 < len(self.notes):
                until = min(until, self.notes[number + 1].start - TOUCH)
            before = first
            for glide in note.curve.glides:
                moved = glide.cents != before
                before = glide.cents
                if glide.kind != "bend" and moved and note.start + glide.start < until:
                    seed += 1
                    at = note.start + glide.start + glide.seconds
                    yield self._at(at, glide.kind, note, glide.cents, seed)

    def _at(self, seconds: float, kind: str, note: Note, cents: float, seed: int) -> _Given:
        frame = max(round(seconds * self.rate), SOON) - AHEAD
        return _Given(frame, kind, note, note.pitch + cents / 100, seed)

    def given(self, start: int, stop: int) -> Iterator[tuple[int, Floats]]:
        """Yield what is first put into the string in frames from `start` to `stop`, and where."""
        while self._given and self._given[0].frame < stop:
            one = self._given.pop(0)
            sound = self._pulse(one)
            cut = max(0, start - one.frame)
            loud = np.abs(sound)
            last = int(np.flatnonzero(loud > UNHEARD * loud.max())[-1])
            sound = sound[cut : last + 1]
            if cut:
                sound = sound * np.minimum(1.0, np.arange(len(sound)) / SOON)
            yield one.frame + cut - start, sound

    def _pulse(self, one: _Given) -> Floats:
        velocity = one.note.velocity
        period = self.rate / _hertz(one.pitch)
        pulses = self.pulses
        if one.kind == "dead":
            return pulses.thud(velocity, one.seed)
        if one.kind == "hammer":
            return pulses.blow(velocity, period)
        if one.kind == "slide":
            return pulses.fret(velocity, one.seed)
        if one.kind == "pull":
            fingers = 0.3 * period * pulses.speed / 2
            return PULL * pulses.pluck(velocity, period, fingers, PULL_SOFT, one.seed)
        softer = PALM_SOFT if one.kind == "palm" else 1.0
        return pulses.pluck(velocity, period, self.place, softer, one.seed)

    def at(self, seconds: Floats) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
        """Return the string at times that rise evenly.

        Returns
        -------
        pitch
            In MIDI notes with fractions.
        sway
            What of it is vibrato, in cents.
        hand
            What a hand takes, rows of dB a second and as much more for each kHz.
        sounding
            Whether it may sound.
        """
        pitch = np.full(len(seconds), float(self.notes[0].pitch))
        sway = np.zeros(len(seconds))
        hand = np.full((len(seconds), 2), LEFT)
        sounding = np.zeros(len(seconds), bool)
        first = max(0, int(np.searchsorted(self._from, seconds[0], "right")) - 1)
        last = int(np.searchsorted(self._from, seconds[-1], "right"))
        for number in range(first, last):
            note = self.notes[number]
            begin = int(np.searchsorted(seconds, self._from[number])) if number else 0
            over = self._from[number + 1] if number + 1 < len(self.notes) else np.inf
            end = int(np.searchsorted(seconds, over))
            picked, left = np.searchsorted(seconds, [note.start, min(note.end, over)])
            here = slice(begin, end)
            pitch[here] = note.pitch
            if note.curve is not None:
                since = np.clip(seconds[here] - note.start, 0.0, note.end - note.start)
                cents, sway[here] = _moved(note.curve, since)
                pitch[here] += cents / 100
            if self.pulses.neck.glide:
                pitch[picked:end] += self._sharp(note, seconds[picked:end])
            hand[here] = LEFT
            hand[max(0, begin) : picked] = TOUCHED
            if _dead(note):
                hand[picked:end] = DEAD[0] * _hertz(note.pitch), DEAD[1]
            else:
                hand[picked:left] = PALM if note.damped else HELD
            sounding[begin : int(np.searchsorted(seconds, _rest(note)))] = True
        if first:
            sounding[: int(np.searchsorted(seconds, _rest(self.notes[first - 1])))] = True
        return pitch, sway, hand, sounding

    def _sharp(self, note: Note, seconds: Floats) -> Floats:
        """Return by how much a pluck is sharp, in steps too small to hear, which are soon made."""
        most = self.pulses.neck.glide * (note.velocity / 127) ** 2
        cents: Floats = most * np.exp((note.start - seconds) / GLIDE)
        return (cents / GLIDE_STEP).round() * GLIDE_STEP / 100


def _dead(note: Note) -> bool:
    """Tell whether a note is too short under a hand to have a pitch."""
    return note.damped and note.end - note.start < DEAD_SECONDS


def _rest(note: Note) -> float:
    """Return when a string is at rest after a note that none follows."""
    return note.end + (DEAD_RINGS if _dead(note) else RINGS)


def _hertz(pitch: float) -> float:
    return float(440 * 2 ** ((pitch - 69) / 12))


def _moved(curve: Curve, since: Floats) -> tuple[Floats, Floats]:
    """Return a curve at times that do not fall, and what of it is vibrato, in cents."""
    cents = np.full(len(since), curve.first)
    for glide in curve.glides:
        begin, end = np.searchsorted(since, [glide.start, glide.start + glide.seconds])
        if end > begin:
            share = (since[begin:end] - glide.start) / glide.seconds
            cents[begin:end] += (glide.cents - cents[begin:end]) * (1 - np.cos(np.pi * share)) / 2
        cents[end:] = glide.cents
    sway = np.zeros(len(since))
    for one in curve.sways:
        begin, end = np.searchsorted(since, [one.start, one.end])
        swayed = since[begin:end] - one.start
        wide = one.cents * (np.minimum(1.0, swayed / one.grow) if one.grow else 1.0)
        sway[begin:end] += wide * (1 - np.cos(tau * one.hertz * swayed)) / 2
    return cents + sway, sway
