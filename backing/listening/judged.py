"""A take as it was heard: each written note with what became of it, and what nobody wrote.

Conventions: seconds late are positive, cents sharp are positive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from backing.listening.written import Event

__all__ = ["Bend", "Extra", "Judged", "Review", "Vibrato"]


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend: the cents it goes up as written, how far off that it was, and seconds held.

    `off` is not a number where it could not be measured, and `why` says why.
    """

    cents: float
    off: float = math.nan
    held: float = 0.0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Vibrato:
    """A vibrato as played and as written: turns a second, and cents from edge to edge."""

    hertz: float
    cents: float
    written_hertz: float
    written_cents: float


@dataclass(slots=True)
class Judged:
    """One written event and what was heard of it; not a number is what cannot be told."""

    event: Event  # what is written
    how: str = "missed"  # or played, wrong; unclear where it cannot be told
    off: float = math.nan  # seconds late
    pitch: float = math.nan  # cents from what is written at its beginning
    bends: list[Bend] = field(default_factory=list)  # measured where they could be, as vibrato
    vibrato: Vibrato | None = None
    lacks: tuple[str, ...] = ()  # strings of a double stop that are not heard with the others
    held: float = math.nan  # seconds by which it is let go late


@dataclass(frozen=True, slots=True)
class Extra:
    """A note that nobody wrote: when, and its pitch in cents."""

    at: float
    cents: float


@dataclass(frozen=True, slots=True)
class Review:
    """A take as it was heard.

    Attributes
    ----------
    judged
        Every written event, in order of time, but rakes.
    extra
        Notes that nobody wrote.
    late
        Seconds by which all of it is late.
    tuning
        Cents by which the guitar is above A4 = 440 Hz.
    """

    judged: list[Judged]
    extra: list[Extra]
    late: float
    tuning: float

    def share(self, *hows: str) -> float:
        """Return the share of picked notes that were ``played``, ``missed`` and so on."""
        picks = [one for one in self.judged if one.event.kind == "pick"]
        return sum(one.how in hows for one in picks) / max(1, len(picks))
