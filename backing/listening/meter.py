"""How each note comes, while it is played: early, in time or late.

Conventions: as in `written` and `match`. A note is told a fifth of a second after it was due. Of a
sound card that was not calibrated, what most notes are late by is taken off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

import numpy as np
from numpy.typing import NDArray

from backing.events import Stream
from backing.listening.ears import listen
from backing.listening.match import match
from backing.listening.source import Memory
from backing.listening.thresholds import Limits
from backing.listening.written import Event, Segment, written

__all__ = ["EARLY", "IN_TIME", "LATE", "MISSED", "TimingMeter"]

EARLY, IN_TIME, LATE, MISSED = "<", "|", ">", "."  # told apart without colour
SHOWN = 16  # notes
SOON = 0.2  # seconds after a note was due
BEFORE = 0.45  # seconds before it that are heard with it
QUIET = 10 ** (-50 / 20)
USUAL = 4  # notes from which it is told what all are late by


class TimingMeter:
    """Hears a take while it grows.

    Parameters
    ----------
    stream
        What is played.
    turns
        Whether only what it leaves open is the student's.
    """

    def __init__(self, stream: Stream, *, turns: bool) -> None:
        self.measured = False
        self._stream = stream
        self._turns = turns
        self._events: list[Event] = []
        self._rate = 0
        self._sound: NDArray[np.float32] = np.zeros(0, np.float32)
        self._frames = 0  # that were heard
        self._after = 0.0  # seconds of the take up to which notes are told
        self.late: list[float] = []  # seconds by note, not a number where it was not heard

    def told(self, rows: Sequence[Sequence[float | None]], rate: int, *, measured: bool) -> None:
        """Take how the stream is played, the rows of a take's slate.

        `measured` says whether the sound card's delay is known.
        """
        events = written(self._stream, [Segment.of(row) for row in rows], turns=self._turns)
        self._events = [event for event in events if event.kind == "pick"]
        self._rate, self.measured = rate, measured

    def heard(self, block: NDArray[np.float32]) -> None:
        """Take the next frames of the take, shape (frames, sides)."""
        self._frames += len(block)
        kept = round((BEFORE + 2 * SOON) * self._rate) + len(block)
        self._sound = np.concatenate([self._sound, block.mean(axis=1)])[-kept:]
        now = self._frames / self._rate - SOON
        for event in [one for one in self._events if self._after <= one.at < now]:
            self.late.append(self._off(event))
        self._after = max(self._after, now)

    def _off(self, event: Event) -> float:
        """Return by how many seconds a note that was due is late."""
        since = self._frames / self._rate - len(self._sound) / self._rate
        first = max(since, event.at - BEFORE)
        low, high = (int((at - since) * self._rate) for at in (first, event.at + SOON))
        sound = self._sound[low:high]
        if len(sound) < self._rate // 10 or np.sqrt(np.mean(sound**2)) < QUIET:
            return math.nan
        near = [one for one in self._events if first < one.at < event.at + SOON]
        ears = listen(Memory(np.pad(sound, (0, self._rate // 10)), self._rate))
        moved = [one.moved(-first) for one in near]
        number = match(moved, ears, 0.0, 0.0).pairs.get(near.index(event))
        return math.nan if number is None else ears.onsets[number].at + first - event.at

    def line(self) -> str:
        """Return the last notes as marks, and how the last one came in words."""
        known = [late for late in self.late[-SHOWN:] if math.isfinite(late)]
        usual = median(known) if len(known) >= USUAL and not self.measured else 0.0
        limit = Limits.usual().single
        row = [
            MISSED if math.isnan(late)
            else EARLY if late - usual < -limit
            else LATE if late - usual > limit
            else IN_TIME
            for late in self.late[-SHOWN:]
        ]  # fmt: skip
        if not row:
            return ""
        off = self.late[-1] - usual
        words = {
            EARLY: f"{-1000 * off:.0f} ms early" if row[-1] == EARLY else "",
            LATE: f"{1000 * off:.0f} ms late" if row[-1] == LATE else "",
            IN_TIME: "in time",
            MISSED: "not heard",
        }
        return f"{''.join(row):>{SHOWN}} {words[row[-1]]}"
