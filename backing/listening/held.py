"""How notes are held: how far bends go, how vibratos sway, when notes are let go.

Only what is steady is measured; where two strings ring, or a note is too short, nothing is said.

References: as `ears`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from backing.listening.ears import Ears, middle, swaying
from backing.listening.judged import Bend, Judged, Vibrato
from backing.listening.plucks import partials
from backing.listening.written import Event, WrittenNote

__all__ = ["ends", "measure", "mended"]

Row = NDArray[np.float64]

OCTAVES = (1200.0, -1200.0, 1901.955, -1901.955)  # cents by which YIN errs
TOP = 0.04  # seconds after which a bend that takes its time is up at the latest
BEND_HOLD = 8  # frames that a bend must be held to be measured
ASTRAY = 120.0  # cents above a bend, or below where it begins, where nobody bends to
BESIDE = (0.12, 0.4)  # seconds of a bend in which it is told from another string
LET_GO, STEADY = 12.0, 20.0  # dB that a string falls when it is let go; dB under the rest
RINGS = 0.25  # seconds after its end that a note must sound to ring on
VIBRATO = 0.45  # seconds that a vibrato must last to be measured
WIDTHS = (4.0, 160.0)  # cents from edge to edge
KNOWN, ALONE = 0.8, 0.5  # shares: of its frames that are clear, of the trembling that it is
FLATTENED = 0.03  # seconds of YIN's window, which flattens what is quick


def mended(ears: Ears, start: float, stop: float, wanted: float) -> Row:
    """Return clear pitch between two times, errors by an octave or a twelfth mended."""
    row = ears.pitched(start, stop)
    for error in OCTAVES:
        row = np.where(np.abs(row - wanted - error) < 80, row - error, row)
    return row


def measure(
    judged: Sequence[Judged],
    begun: Mapping[int, float],
    others: Sequence[float],
    ears: Ears,
    tuning: float,
) -> None:
    """Measure bends and vibratos, up to where something else begins."""
    order = sorted(begun, key=lambda number: begun[number])
    following = {a: begun[b] for a, b in pairwise(order)}
    for number, at in begun.items():
        one = judged[number]
        if one.event.kind != "pick":
            continue
        then = next((other for other in others if other > at + 0.1), math.inf)
        last = min(at + one.event.end - one.event.at, following.get(number, math.inf) - 0.015)
        last = min(last, then - 0.015)
        if len(one.event.notes) > 1:
            one.bends = [
                _bend_beside(one.event, part, bend, at, last, ears, tuning)
                for part in one.event.notes
                for bend in _bends(part, one.event.end - one.event.at)
            ]
            continue
        for bend in _bends(one.event.notes[0], one.event.end - one.event.at):
            one.bends.append(_bend(one, bend, at, last, ears, tuning))
        for sway in one.event.notes[0].curve.sways:
            stop = min(at + sway.end, last) - 0.02
            if stop - at - sway.start >= VIBRATO:
                centre = one.event.cents(sway.start) + tuning
                found = _vibrato(ears, at + sway.start, stop, centre)
                if found is not None:
                    one.vibrato = Vibrato(*found, sway.hertz, abs(sway.cents))


class _Asked(NamedTuple):
    """A bend as it is written: when it begins, seconds it takes, cents, and when it is left."""

    start: float
    seconds: float
    before: float
    cents: float
    left: float


def _bends(part: WrittenNote, length: float) -> list[_Asked]:
    curve = part.curve
    moves = curve.glides
    out = []
    ends = [glide.start for glide in moves] + [length]
    if curve.first > 0 and curve.first % 50 == 0 and (not moves or moves[0].cents < curve.first):
        out.append(_Asked(0.0, 0.0, 0.0, curve.first, ends[0]))  # a pre-bend
    before = curve.first
    for number, glide in enumerate(moves):
        if glide.seconds > 0 and glide.kind == "bend" and glide.cents > before:
            out.append(_Asked(glide.start, glide.seconds, before, glide.cents, ends[number + 1]))
        before = glide.cents
    return out


def _bend(one: Judged, bend: _Asked, at: float, last: float, ears: Ears, tuning: float) -> Bend:
    start, takes, before, cents, left = bend
    up = cents - min(before, 0.0) if before <= 0 else cents - before
    low, high = at + start + 0.6 * takes, min(at + left, last) - 0.01
    if one.how == "wrong":
        return Bend(up, why="it begins on another note")
    if high - low < 0.05:
        return Bend(up, why="too short")
    wanted = 100.0 * one.event.notes[0].pitch + cents + tuning
    held = mended(ears, low, high, wanted)
    clear = ears.unsure[round(low / ears.hop) : round(high / ears.hop)] < 0.2
    held = held[np.isfinite(held)]
    if len(held) < BEND_HOLD or clear.mean() < 0.7:
        return Bend(up, why="not clear enough")
    sways = any(sway.start < left and sway.end > start for sway in one.event.notes[0].curve.sways)
    top = float(np.percentile(held, 85 if sways else 60 if len(held) < 30 else 50))
    off = top - wanted
    if not -up - ASTRAY < off < ASTRAY:  # another string, or YIN's octave
        return Bend(up, why="not clear enough")
    if off < 0 and last < at + min(left, start + takes + TOP):
        return Bend(up, why="something else sounds before it is up")
    return Bend(up, off, len(held) * ears.hop)


def _bend_beside(
    event: Event,
    part: WrittenNote,
    bend: _Asked,
    at: float,
    last: float,
    ears: Ears,
    tuning: float,
) -> Bend:
    """Measure a bend beside another string by the partials that only the bent one has."""
    start, takes, _, cents, left = bend
    low, high = start + takes, min(left, last - at, start + takes + BESIDE[1]) - 0.01
    others = [other for other in event.notes if other is not part]
    if any(abs(other.cents(low) - other.cents(high)) > 10 for other in others):
        return Bend(cents, why="another string moves with it")
    if high - low < BESIDE[0]:
        return Bend(cents, why="too short")
    found = partials(ears, at + low, at + high)
    wanted = 440.0 * 2 ** ((100.0 * part.pitch + cents + tuning - 6900.0) / 1200.0)
    offs = []
    for order in range(1, 9):
        near = found[np.abs(1200 * np.log2(found[:, 0] / (order * wanted))) < ASTRAY]
        if len(near):
            hertz = float(near[near[:, 1].argmax(), 0])
            own = 440.0 * 2 ** ((np.array([o.cents(low) for o in others]) + tuning - 6900) / 1200)
            order_of = np.maximum(1, np.round(hertz / own))
            if (np.abs(1200 * np.log2(hertz / (order_of * own))) > 45).all():
                offs.append(1200 * math.log2(hertz / (order * wanted)))
    off = float(np.median(offs)) if offs else math.nan
    if sum(abs(one - off) < 12 for one in offs) < max(2, 0.6 * len(offs)):
        return Bend(cents, why="another string rings with it")
    return Bend(cents, off, high - low)


def ends(
    judged: Sequence[Judged], begun: Mapping[int, float], others: Sequence[float], ears: Ears
) -> None:
    """Tell when notes are let go: where a level that was steady falls at once, or rings on."""
    picks = [n for n in sorted(begun, key=lambda n: begun[n]) if judged[n].event.kind != "step"]
    starts = [begun[n] for n in picks]
    if not starts:
        return
    whole = ears.source.frames / ears.source.rate
    after = (other for other in others if other > starts[-1] + 0.1)
    untils = [*starts[1:], next(after, whole)]  # who plays on lets the last note go by then
    for number, until in zip(picks, untils, strict=True):
        one, at = judged[number], begun[number]
        if one.how != "played" or one.event.kind != "pick":
            continue
        first, written = at + 0.06, at + one.event.end - one.event.at
        row = ears.level[round(first / ears.hop) : round((until - 0.02) / ears.hop)]
        fall, stay = round(0.05 / ears.hop), round(0.12 / ears.hop)
        if len(row) < stay + 1:
            continue
        windows = np.lib.stride_tricks.sliding_window_view
        padded = np.pad(windows(row, stay).min(axis=1), stay - 1, constant_values=-120.0)
        row = windows(padded, stay).max(axis=1)  # without what is shorter: touches of the hand
        later = windows(row, stay - fall + 1).max(axis=1)[fall:]
        stops = (row[: len(later)] - later > LET_GO) & (row[: len(later)] > ears.loud - STEADY)
        if stops.any():
            n = int(stops.argmax())
            there = n + int((row[n:] < row[n] - LET_GO / 2).argmax())
            one.held = first + there * ears.hop - written
        elif until - written > RINGS:
            row = ears.level[round(written / ears.hop) : round((until - 0.02) / ears.hop)]
            sounds = (row > row[0] - LET_GO / 2) & (row > ears.loud - STEADY)
            held = (len(row) if sounds.all() else int(sounds.argmin())) * ears.hop
            near = middle(ears.pitched(written, written + RINGS))
            last = [part.cents(one.event.end - one.event.at) for part in one.event.notes]
            if held > RINGS and min(abs(near - cents) for cents in last) < 60:
                one.held = held


def _vibrato(ears: Ears, start: float, stop: float, centre: float) -> tuple[float, float] | None:
    """Return the rate and the width of a vibrato, None where there is none that is clear."""
    row = mended(ears, start, stop, centre)
    seconds = np.arange(len(row)) * ears.hop
    known = np.isfinite(row)
    if not known.any() or known.mean() < KNOWN:
        return None
    row = np.interp(seconds, seconds[known], row[known])
    hertz, width, share = swaying(row, ears.hop)
    width /= max(0.3, float(np.sinc(hertz * FLATTENED)))
    return (hertz, width) if share >= ALONE and WIDTHS[0] < width < WIDTHS[1] else None
