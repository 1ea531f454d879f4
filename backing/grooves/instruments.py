"""The band's instruments: voices of the drum kit, and who may play bass and comp.

References: General MIDI 1 for the percussion keys and programs (numbered from 0 here).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BASSES", "COMPS", "DRUMS", "PROGRAMS", "TIME", "Drum"]


@dataclass(frozen=True, slots=True)
class Drum:
    """A voice of the kit: its General MIDI key, its velocity at full loudness, its limb."""

    key: int
    velocity: int
    limb: str


DRUMS: dict[str, Drum] = {
    "ride": Drum(51, 94, "hand"),
    "hat": Drum(42, 92, "hand"),
    "open-hat": Drum(46, 84, "hand"),
    "crash": Drum(49, 100, "hand"),
    "snare": Drum(38, 108, "hand"),
    "side-stick": Drum(37, 100, "hand"),
    "high-tom": Drum(50, 104, "hand"),
    "mid-tom": Drum(47, 104, "hand"),
    "low-tom": Drum(43, 106, "hand"),
    "kick": Drum(36, 106, "foot"),
    "hat-foot": Drum(44, 76, "foot"),
}

# A lane of its own: the hand that keeps time, on what the chorus wants.
TIME = "time"

PROGRAMS: dict[str, int] = {
    "piano": 0,
    "organ": 16,
    "guitar": 26,
    "finger-bass": 33,
    "upright-bass": 32,
    "lead": 27,
}

COMPS = ("organ", "piano", "guitar")
BASSES = ("finger-bass", "upright-bass")
