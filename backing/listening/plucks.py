"""Which notes are played in a take of which nothing is known: picks, their pitch and their end.

Conventions: as in `ears`; what a hand does under one pick is found in `moves`.

References: as `ears`; Klapuri 2003, IEEE Trans. Speech Audio Process. 11(6) (several pitches:
harmonics in turn).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from backing.listening.ears import Ears, Onset, middle

__all__ = ["Pluck", "plucks", "tuning"]

Row = NDArray[np.float64]

QUIET = 30.0  # dB under the rest below which nothing was picked
# A pick against what the left hand does: how much the spectrum grows, and dB by which all of it
# and its highs do; a logistic fit to two thirds of the library on two voices.
WEIGHTS, PICKED, PICKED_AGAIN = (1.6, 0.75, 0.3), 3.6, 2.4
SAME = 60.0  # cents within which it is the same note again
RAKED = 0.065  # seconds before a note within which muted strings are its rake
STEP, DROP = 8, 4.5  # frames, and dB that a note falls within them where a hand stops it
SHORTEST = 0.04  # seconds
LOWEST, HIGHEST = 40, 89  # MIDI pitch
LATER, WINDOW = 0.12, 0.15  # seconds after the pick, and seconds, in which strings are told apart
PARTIAL, PARTIALS, FAINTEST = 42.0, 14, 0.01  # cents, how many, and the least height of partials
ALONE, TOGETHER = 0.25, 0.12  # share of the power that one string leaves over, and that more do


@dataclass(slots=True)
class Pluck:
    """One pick.

    Attributes
    ----------
    at, end
        Seconds at which it is picked, and until which it sounds.
    pitches
        In cents, one or two from the low one up; none of a muted string.
    raked
        Whether it is raked into.
    level
        dB.
    more
        Whether more than two strings sound.
    """

    at: float
    end: float
    pitches: tuple[float, ...]
    raked: bool = False
    level: float = 0.0
    more: bool = False


def plucks(ears: Ears) -> list[Pluck]:
    """Return the picks of a take in order of time."""
    picked = [one for one in ears.onsets if _is_pick(ears, one)]
    out: list[Pluck] = []
    for number, one in enumerate(picked):
        until = picked[number + 1].at if number + 1 < len(picked) else _length(ears)
        end = _end(ears, one.at, until)
        found = _pitches(ears, one, end)
        if found or _dead(ears, one, end):
            out.append(Pluck(one.at, end, found[:2], level=one.level, more=len(found) > 2))
    kept: list[Pluck] = []
    for one, after in pairwise([*out, Pluck(_length(ears) + 1, 0.0, ())]):
        if after.at - one.at < RAKED and after.pitches and one.level < after.level + 3:
            after.raked = True
        else:
            kept.append(one)
    return kept


def tuning(found: Sequence[Pluck]) -> float:
    """Return by how many cents the guitar is above A4 = 440 Hz, from -50 to 50."""
    turns = np.array([pitch for one in found for pitch in one.pitches]) * (np.pi / 50)
    if len(turns) < 3:
        return 0.0
    return float(np.angle(np.exp(1j * turns).mean()) * 50 / np.pi)


def _length(ears: Ears) -> float:
    return ears.source.frames / ears.source.rate


def _power(ears: Ears, start: float, stop: float, *, bright: bool = False) -> float:
    """Return the level between two times in dB, of the highs alone if asked for."""
    rate = ears.source.rate
    sound = ears.source.read(int(start * rate), int(stop * rate)).astype(np.float64)
    if bright:
        sound = np.diff(sound, n=2)
    return float(10 * np.log10(np.mean(sound**2) + 1e-12)) if len(sound) else -120.0


def _is_pick(ears: Ears, one: Onset) -> bool:
    """Tell a pick from a hammer-on, a slide or a bend: it makes the string louder, highs first."""
    if one.level < ears.loud - QUIET:
        return False
    rise = _power(ears, one.at + 0.002, one.at + 0.03) - _power(
        ears, one.at - 0.014, one.at - 0.001
    )
    bright = _power(ears, one.at, one.at + 0.012, bright=True) - _power(
        ears, one.at - 0.012, one.at - 0.001, bright=True
    )
    shape = (min(2.0, one.strength), max(-3.0, min(8.0, rise)), max(-5.0, min(12.0, bright)))
    same = abs(ears.before(one.at) - middle(one.cents[0])) < SAME
    score = sum(weight * value for weight, value in zip(WEIGHTS, shape, strict=True))
    return bool(score > (PICKED_AGAIN if same else PICKED))


def _end(ears: Ears, at: float, until: float) -> float:
    """Return when a note stops, at the next pick at the latest."""
    first, last = round((at + SHORTEST) / ears.hop), round(until / ears.hop)
    level = ears.level[first : last]
    if len(level) <= 2 * STEP:
        return until
    now, soon, then = level[: -2 * STEP], level[STEP:-STEP], level[2 * STEP :]
    falls = (now - soon > DROP) & (soon - then > DROP / 2)
    stops = np.flatnonzero(falls | (now < ears.loud - QUIET - 8))
    return min(until, (first + int(stops[0]) + 1) * ears.hop) if len(stops) else until


def _dead(ears: Ears, one: Onset, end: float) -> bool:
    """Tell whether a muted string was picked: short, without a pitch, but not faint."""
    return end - one.at < 0.12 and one.level > ears.loud - 20


def _pitches(ears: Ears, one: Onset, end: float) -> tuple[float, ...]:
    """Return the pitches with which a note begins: one, or what several strings have."""
    usual = middle(one.cents[0])
    if math.isnan(usual):
        usual = middle(ears.pitched(one.at + 0.03, min(end, one.at + 0.2)))
    start = one.at + (LATER if end - one.at > LATER + 0.1 else 0.03)
    found = _partials(ears, start, min(end - 0.005, start + WINDOW))
    if len(found) < 2:
        return () if math.isnan(usual) else (usual,)
    kept = [pitch for pitch in range(LOWEST, HIGHEST) if _own(found, pitch)]
    single = min((_rest(found, (pitch,)) for pitch in kept), default=1.0)
    if single < ALONE:
        return () if math.isnan(usual) else (usual,)
    for count in (2, 3):
        rest, best = min(
            ((_rest(found, some), some) for some in combinations(kept, count)), default=(1.0, ())
        )
        near = best and min(b - a for a, b in pairwise(best)) < 2
        if rest < TOGETHER and not near:
            return tuple(_tuned(found, pitch) for pitch in best)
    return () if math.isnan(usual) else (usual,)


def _partials(ears: Ears, start: float, stop: float) -> Row:
    """Return the peaks of the spectrum between two times: hertz and height, the highest is 1."""
    rate = ears.source.rate
    sound = ears.source.read(int(start * rate), int(stop * rate))
    if len(sound) < 0.05 * rate:
        return np.empty((0, 2))
    size = 1 << 16
    heights = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    bins = np.arange(int(70 * size / rate), int(min(4000, 0.45 * rate) * size / rate))
    heights = heights / max(1e-12, float(heights[bins].max()))
    here = heights[bins]
    peak = (here > heights[bins - 1]) & (here >= heights[bins + 1]) & (here > FAINTEST)
    return np.stack([bins[peak] * rate / size, here[peak]], axis=1)


def _orders(found: Row, pitch: float) -> tuple[Row, NDArray[np.bool_]]:
    """Return which partial of a pitch each peak would be, and whether it is near enough."""
    first = 440 * 2 ** ((pitch - 69) / 12)
    order = np.maximum(1, np.round(found[:, 0] / first))
    return order, np.abs(1200 * np.log2(found[:, 0] / (order * first))) < PARTIAL


def _own(found: Row, pitch: int) -> bool:
    """Tell whether a pitch has a first partial, and a second or third unless it is strong."""
    order, near = _orders(found, pitch)
    one, two, three = (found[near & (order == n), 1].max(initial=0.0) for n in (1, 2, 3))
    return bool(one > 0.3 or (one > 0.06 and max(two, three) > 0.02))


def _rest(found: Row, pitches: Sequence[int]) -> float:
    """Return the share of the power that belongs to none of some pitches."""
    power = found[:, 1] ** 2
    theirs = np.zeros(len(found), bool)
    for pitch in pitches:
        order, near = _orders(found, pitch)
        theirs |= near & (order <= PARTIALS)
    return float(power[~theirs].sum() / power.sum())


def _tuned(found: Row, pitch: int) -> float:
    """Return a pitch in cents as its strongest low partial has it."""
    order, near = _orders(found, pitch)
    low = near & (order <= 3)
    best = found[low][found[low, 1].argmax()]
    n = order[low][found[low, 1].argmax()]
    return float(6900 + 1200 * np.log2(best[0] / n / 440))
