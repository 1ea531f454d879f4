"""Matching of the onsets in a take to the notes that are written.

One edit distance over the written events in order: each is one of the beginnings near it or is
missed, and a beginning that is nobody's costs the more, the stronger it is.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backing.listening.ears import AFTER, Ears, Onset, middle
from backing.listening.written import Event

__all__ = ["NEAR", "Match", "lag", "match", "pitch_off"]

NEAR = 0.18  # seconds from a written event within which it is looked for
SPREAD = 0.045  # seconds, the standard deviation that costs a half
MISSED = {"pick": 3.5, "step": 1.0, "dead": 1.5, "rake": 0.1}
MISSED_SOFT = 1.5
LEFT = -1  # the beginning before is nobody's
FAST = (0.0, -0.03, 0.03, -0.06, 0.06)  # seconds by which a curve may be early or late

Row = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Match:
    """Written events by number with their beginnings, what is nobody's, and pitches apart.

    `off` is the distance in cents of what begins from what is written, not a number where
    nothing pitched is heard.
    """

    pairs: dict[int, int]
    left: list[int]
    off: dict[int, float]


def pitch_off(event: Event, onset: Onset, hop: float, tuning: float = 0.0) -> float:
    """Return the median distance in cents of an onset's pitch from an event's curve.

    Of several strings the nearest counts; where the hand moves fast the curve may come a few
    hundredths of a second earlier or later. Not a number where nothing pitched is heard.
    """
    best = math.nan
    room = max(4, int((event.end - event.at) / hop) - AFTER)
    seconds = (np.arange(min(onset.cents.shape[1], room)) + AFTER) * hop
    for part in event.notes:
        heard = onset.cents[:, : len(seconds)] - 100.0 * part.pitch - tuning
        last = part.since + seconds[-1] + 0.05
        moving = any(
            glide.start < last and glide.start + glide.seconds > part.since
            for glide in part.curve.glides
        )
        for late in FAST if moving else FAST[:1]:
            curve = [part.curve.at(max(0.0, at + late) + part.since) for at in seconds]
            apart = heard - np.array(curve)
            higher = (np.abs(apart[1]) < 60) & ~(np.abs(apart[0]) < 90)
            one = middle(np.where(higher, apart[1], apart[0]))
            if math.isnan(best) or abs(one) < abs(best):
                best = one
    return best


def lag(events: Sequence[Event], ears: Ears, reach: float = 0.25) -> float:
    """Return by how many seconds most of a take is late, from -`reach` to `reach`.

    Where two are as good the smaller one is taken.
    """
    clear = np.array([one.at for one in ears.onsets if one.strength > 0.3])
    picks = np.array([event.at for event in events if event.kind == "pick"])
    if not len(clear) or not len(picks):
        return 0.0
    first = np.searchsorted(clear, picks - reach)
    last = np.searchsorted(clear, picks + reach)
    apart = np.concatenate([clear[a:b] - at for at, a, b in zip(picks, first, last, strict=True)])
    grid = np.arange(-reach, reach + 0.001, 0.002)
    counts, _ = np.histogram(apart, bins=np.append(grid, grid[-1] + 0.002) - 0.001)
    # Players wander by some 20 ms.
    width = np.exp(-0.5 * (np.arange(-30, 31) * 0.002 / 0.02) ** 2)
    heights = np.convolve(counts, width, "full")[30 : 30 + len(grid)]
    return float(grid[(heights * np.exp(-0.5 * (grid / (0.8 * reach)) ** 2)).argmax()])


def match(events: Sequence[Event], ears: Ears, late: float, tuning: float) -> Match:
    """Pair events with beginnings.

    Parameters
    ----------
    events
        In order of time.
    ears
        What is heard.
    late
        Seconds by which all of the take is late.
    tuning
        Cents by which the guitar is above A4 = 440 Hz.
    """
    onsets = ears.onsets
    times = [one.at - late for one in onsets]
    # A state is how many beginnings are used up. Its cost is kept less what those would cost if
    # all were left over, so that leaving one over costs nothing and only pairs change it; beyond
    # the last that is near an event, it stays the same.
    low, costs = 0, [0.0]
    rows: list[tuple[int, list[int | None]]] = []  # by event: the first state, who was paired
    apart: dict[tuple[int, int], float] = {}
    for number, event in enumerate(events):
        first = bisect.bisect_left(times, event.at - NEAR)
        last = bisect.bisect_right(times, event.at + NEAR)
        missing = MISSED_SOFT if event.soft and event.kind == "pick" else MISSED[event.kind]
        new: list[float] = []
        who: list[int | None] = []
        for state in range(first, last + 1):
            cost, pair = costs[min(state - low, len(costs) - 1)] + missing, None
            if state > first:
                onset = onsets[state - 1]
                off = apart[number, state - 1] = pitch_off(event, onset, ears.hop, tuning)
                paired = (
                    costs[min(state - 1 - low, len(costs) - 1)]
                    + 0.5 * ((times[state - 1] - event.at) / SPREAD) ** 2
                    + _pitch_cost(event, off)
                    + max(0.0, 0.6 - 2 * onset.strength)
                    - min(2.0, max(0.0, 4 * (onset.strength - 0.25)))
                )
                if paired < cost:
                    cost, pair = paired, state - 1
                if new[-1] <= cost:
                    cost, pair = new[-1], LEFT
            new.append(cost)
            who.append(pair)
        rows.append((first, who))
        low, costs = first, new
    pairs: dict[int, int] = {}
    state = len(onsets)
    for number in range(len(events) - 1, -1, -1):
        first, who = rows[number]
        state = min(state, first + len(who) - 1)
        while who[state - first] == LEFT:
            state -= 1
        pair = who[state - first]
        if pair is not None:
            pairs[number] = pair
            state -= 1
    used = set(pairs.values())
    left = [n for n in range(len(onsets)) if n not in used]
    return Match(pairs, left, {number: apart[number, n] for number, n in pairs.items()})


def _pitch_cost(event: Event, off: float) -> float:
    if event.kind in ("dead", "rake"):
        return 0.0 if math.isnan(off) else 0.4
    cost = 0.8 if math.isnan(off) else min(2.2, max(0.0, (abs(off) - 50) / 50))
    return cost * 0.3 if len(event.notes) > 1 else cost
