"""What each string of a guitar and of a bass is like.

Conventions: frequencies in Hz, losses in dB a second, lengths in metres from the bridge.
Inharmonicity B is that of Fletcher's stiff string: partial n sounds at
``n f sqrt((1 + B n^2) / (1 + B))`` where the first sounds at ``f``.

References: the guitar's losses are fitted to two thirds of the places measured in
`examples/sounds/measured.txt`, drawn by chance; `python -m benchmarks.strings` fits them again and
says how far off they are where they were not fitted. Drag of the air grows with the root of the
frequency (from memory, after Fletcher & Rossing, The Physics of Musical Instruments), and a finger
makes it more. The basses' are from memory: heavier strings, fingers. A double bass's air sounds
near 60 Hz and its top near 105 (from memory, after Askenfelt 1982 and Brown 2004); broader here
than on wood, so that no note is dead. It decays like a pizzicato: in 2.5 s on the lowest string.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

__all__ = ["BASS", "FLOOR", "GUITAR", "PICKS", "RHYTHM", "UPRIGHT", "Gauge", "Neck", "tuned"]

FLOOR = 2.0  # dB a second that every partial loses at least
HIGH, HIGH_LOSS = 4.0, 6.0  # kHz from which a string loses so much more for each further kHz


@dataclass(frozen=True, slots=True)
class Gauge:
    """One string.

    A partial of f kHz on fret r loses ``loss + (drag + stopped r / 12) sqrt(f)`` dB a second,
    `FLOOR` at least.
    """

    open: int  # MIDI pitch
    loss: float
    drag: float
    stopped: float
    stiffness: float  # B of the open string; it doubles with every six frets, with length squared
    wound: float  # how rough its winding is, 0 to 1
    taps: int  # of the loop's filter, at 44100 frames a second: stiffness spreads a period in time


@dataclass(frozen=True, eq=False)
class Neck:
    """An instrument with strings; lengths are in metres from the bridge."""

    strings: dict[str, Gauge]  # from low to high, by name
    scale: float  # length of an open string
    pickup: float
    coil: float  # resonance of the pickup and its cable, Hz, and its quality
    resonance: float
    # How long the lowest string takes to leave pick or finger, in seconds, at velocity 0 and at
    # 127; a lighter one is quicker, as its waves are.
    soft: float
    hard: float
    gain: float  # of full scale
    fingers: float = 0.13  # where they pluck
    power: float = 1.7  # of the velocity, with which a pluck grows
    even: float = 0.0  # the power of the frequency by which a player holds high notes back
    # Modes of a body that is heard in place of a pickup: Hz, quality and share.
    body: tuple[tuple[float, float, float], ...] = ()
    glide: float = (
        0.0  # cents by which the hardest pluck is sharp at first: it stretches the string
    )


GUITAR = Neck(
    {
        "E": Gauge(40, -0.35, 10.01, 6.21, 16.1e-5, 1.0, 272),
        "A": Gauge(45, -0.52, 9.66, 6.01, 8.6e-5, 0.9, 200),
        "D": Gauge(50, -1.20, 9.11, 5.65, 9.3e-5, 0.7, 144),
        "G": Gauge(55, -0.46, 9.60, 6.19, 15.6e-5, 0.0, 112),
        "B": Gauge(59, -0.55, 9.34, 5.73, 5.2e-5, 0.0, 64),
        "e": Gauge(64, -0.61, 9.53, 5.23, 5.1e-5, 0.0, 48),
    },
    scale=0.648, pickup=0.130, coil=4000.0, resonance=1.8, soft=0.0070, hard=0.00006, gain=0.25,
)  # fmt: skip
BASS = Neck(
    {
        "E": Gauge(28, 1.0, 16.0, 9.0, 12e-5, 0.6, 192),
        "A": Gauge(33, 1.0, 15.0, 9.0, 10e-5, 0.6, 160),
        "D": Gauge(38, 1.5, 14.0, 9.0, 9e-5, 0.5, 144),
        "G": Gauge(43, 2.0, 14.0, 9.0, 8e-5, 0.5, 128),
    },
    scale=0.864, pickup=0.120, coil=2600.0, resonance=0.9, soft=0.0008, hard=0.00008, gain=0.25,
    power=1.9, even=0.42,
)  # fmt: skip
UPRIGHT = Neck(
    {
        "E": Gauge(28, 15.0, 40.0, 45.0, 6e-5, 0.2, 160),
        "A": Gauge(33, 16.0, 40.0, 45.0, 5e-5, 0.2, 128),
        "D": Gauge(38, 18.0, 38.0, 45.0, 5e-5, 0.1, 128),
        "G": Gauge(43, 20.0, 40.0, 45.0, 5e-5, 0.1, 96),
    },
    scale=1.05, pickup=0.0, coil=1800.0, resonance=0.7, soft=0.0007, hard=0.00012, gain=0.65,
    fingers=0.22, power=1.9, even=0.15, glide=20.0,
    body=((60.0, 1.6, 1.0), (106.0, 3.5, -1.15), (168.0, 1.15, 0.7), (460.0, 1.5, -0.5)),
)  # fmt: skip

# A rhythm player strums lightly and evenly with a hard pick; softness takes level, little treble.
RHYTHM = replace(GUITAR, soft=0.00060, hard=0.00006, power=1.8, even=0.8)

# Where the pick meets the string, by the words of a phrase.
PICKS: dict[str, float] = {"bridge": 0.040, "middle": 0.095, "neck": 0.170}


@lru_cache(maxsize=8)
def tuned(shifts: tuple[tuple[str, int], ...]) -> Neck:
    """Return the guitar with some strings so many semitones above their usual pitch.

    Frets are counted from there. Tension goes with the square of the frequency, and B with its
    inverse (Fletcher): a slack string is stiffer.
    """
    strings = dict(GUITAR.strings)
    for name, up in shifts:
        one = strings[name]
        strings[name] = replace(one, open=one.open + up, stiffness=one.stiffness * 2 ** (-up / 6))
    return replace(GUITAR, strings=strings)
