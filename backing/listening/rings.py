"""A take without a string that still rings under the note that is picked after it.

Conventions: as in `ears`. What rings on keeps its pitch and only dies away, so that a period later
it is nearly the same: the difference of the two has everything else, as through a comb.

References: de Cheveigne 1993, JASA 93(6) (two pitches by cancelling one).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from backing.listening.ears import Ears, middle, yin
from backing.listening.source import Frames, Mono, thinned

__all__ = ["alone", "cleared"]

HEARD = (0.03, 0.13)  # seconds after the pick in which it is asked what is clearer
UNCLEAR, CLEARER = 0.02, 0.6  # aperiodicity of a string alone; the share of it that is left
OTHER, GROWS = 60.0, 3.0  # cents to another pitch; dB by which what only rings on never grows
AROUND = 20  # frames beside what is heard


class _Cleared:
    """Frames less those of a period before."""

    def __init__(self, whole: Frames, period: float) -> None:
        self.whole, self.period = whole, period
        self.rate, self.frames = whole.rate, whole.frames

    def read(self, start: int, stop: int) -> Mono:
        """Return frames from one to before another; silence beyond the ends."""
        late = int(self.period)
        part = np.float32(self.period - late)
        sound = self.whole.read(start - late - 1, stop)
        now, then, before = sound[late + 1 :], sound[1 : stop - start + 1], sound[: stop - start]
        out: Mono = now - (1 - part) * then - part * before
        return out


def cleared(ears: Ears, pitch: float) -> Frames:
    """Return a take without a pitch in cents."""
    return _Cleared(ears.source, ears.source.rate / (440 * 2 ** ((pitch - 6900) / 1200)))


def alone(ears: Ears, at: float, end: float, rang: Sequence[float]) -> Ears:
    """Return the sound of a pick without the strings that only ring on.

    Parameters
    ----------
    ears
        What is heard of the whole take.
    at, end
        Seconds at which it is picked, and until which it sounds.
    rang
        Pitches, in cents, that may still ring.
    """
    low, high = at + HEARD[0], min(end, at + HEARD[1])
    unsure, found = _unsure(ears, low, high), ears
    only = [pitch for pitch in rang if np.isfinite(pitch) and ears.grown(at, pitch) < GROWS]
    while unsure > UNCLEAR and only:
        others = [_without(found, pitch, at - 0.01, end) for pitch in only]
        rows = [(_unsure(other, low, high), n) for n, other in enumerate(others)]
        least, best = min(rows)
        heard = middle(others[best].pitched(low, high))
        if least > CLEARER * unsure or abs(heard - only[best]) < OTHER:
            break
        unsure, found = least, others[best]
        only.pop(best)
    return found


def _unsure(ears: Ears, low: float, high: float) -> float:
    row = ears.unsure[round(low / ears.hop) : round(high / ears.hop)]
    return float(np.median(row)) if len(row) > 2 else 1.0


def _without(ears: Ears, pitch: float, start: float, stop: float) -> Ears:
    """Return the sound between two times without a pitch."""
    rate = ears.source.rate
    sound = cleared(ears, pitch)
    by = 2 if rate > 30_000 else 1
    hop = round(ears.hop * rate / by)
    first, last = max(0, round(start / ears.hop)), min(len(ears.cents), round(stop / ears.hop))
    some = sound.read((first - AROUND) * hop * by, (last + AROUND) * hop * by)
    rows = yin(thinned(some, by) if by > 1 else some, rate / by, hop)
    rows = rows[:, AROUND : AROUND + last - first]
    cents, higher, unsure = ears.cents.copy(), ears.higher.copy(), ears.unsure.copy()
    for row, new in zip((cents, higher, unsure), rows, strict=False):
        row[first:last] = new
    return replace(ears, source=sound, cents=cents, higher=higher, unsure=unsure)
