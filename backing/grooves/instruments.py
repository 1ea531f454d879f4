"""The band's instruments: voices of the drum kit, and who may play bass and comp.

References: General MIDI 1 for the percussion keys and programs (numbered from 0 here).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BASSES", "COMPS", "DRUMS", "PROGRAMS", "TIME", "Comping", "Drum"]


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


@dataclass(frozen=True, slots=True)
class Comping:
    """An instrument that may play the chords."""

    program: int  # General MIDI
    low: int  # and `high`: between which pitches its chords lie, 17 semitones apart or more
    high: int
    like: str = ""  # whose patterns it reads where a groove has none for it
    # On which the roots of its low figures lie, if it has any, as open pitches.
    strings: tuple[int, ...] = ()
    slides: bool = False  # whether a hand slides along strings; keys are crushed, others fall in
    swells: bool = False  # whether a held chord may grow


# Common practice: an organist's right hand from about A3 up, a pianist in two octaves, a guitarist
# below the lead.
COMPS: dict[str, Comping] = {
    "organ": Comping(16, 57, 74, swells=True),
    "piano": Comping(0, 52, 74),
    "guitar": Comping(26, 50, 67, strings=(40, 45, 50), slides=True),
    "horns": Comping(61, 58, 75, like="organ"),
}
BASSES: dict[str, int] = {"finger-bass": 33, "upright-bass": 32}

PROGRAMS: dict[str, int] = {
    **{name: one.program for name, one in COMPS.items()},
    **BASSES,
    "lead": 27,
}
