"""The effort of a bend: how far the string is pushed, with which force, at which tension.

Conventions: one usual set of strings, .010 to .046, on a 648 mm scale in standard tuning; lengths
in mm, forces in N. The finger stands at the fret and pushes the string sideways there, so it makes
a triangle with the nut and the bridge. The string's ends are fixed, nothing slips, and the string
behind nut and bridge is left out; a real one gives a little more, and asks for a longer push. A
string bent by one finger feels the whole force, a supported one shares it.

References: Grimes 2014, PLoS ONE 9(7) e102088: stretching by ``dl`` raises the tension by
``E A dl / l``. His frequency of a bent string, ``sqrt((E A + cos(t) (T - E A)) / mu) / (2 l)`` for
an angle ``t``, is what `cents` gives where both sides have the same length, at the 12th fret; his
measurements were not to be had. Unit weights are those of D'Addario's tension chart (plain steel
and XL nickel wound); core diameters of the wound strings and the moduli are common values, from
memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from phrases.errors import RangeError
from phrases.fretboard import LAST_FRET, STANDARD, STRINGS
from phrases.pitch import frequency
from phrases.words import choose

__all__ = [
    "ASSUMED", "HEAVINESS", "LIGHT_SET", "BendCost", "ElectricString", "bend", "cents",
    "heaviness", "side_force", "tension",
]  # fmt: skip

SCALE_LENGTH = 648.0  # mm, 25.5 in
YOUNG = 200_000.0  # N per square mm, steel
INCH = 25.4
POUND_PER_INCH = 17.858  # kg in a metre
FARTHEST = 60.0  # mm, searched for the push that gives a pitch

# Assumptions, from memory of what hands do. Where a word of `HEAVINESS` begins, in N.
HEAVINESS: dict[str, float] = {"light": 0.0, "moderate": 5.0, "heavy": 10.0}
HARDEST = 20.0  # N, that three fingers push with
WIDEST = 25.0  # mm, before the string runs out of neck or into too many others
STRONGEST = 2400.0  # N per square mm that thin music wire bears

ASSUMED = (
    "Estimated after Grimes 2014: .010-.046 strings, 648 mm, standard tuning; "
    f"heavy: {HEAVINESS['heavy']:g} N or more."
)


@dataclass(frozen=True, slots=True)
class ElectricString:
    """One string of a set."""

    gauge: float  # and `core`: diameters in inches; they are the same where it is plain
    core: float
    unit_weight: float  # pounds in an inch, as makers print it

    @property
    def wound(self) -> bool:
        """Whether wire is wound around a core, which alone bears the tension."""
        return self.core < self.gauge

    @property
    def area(self) -> float:
        """The core's cross-section in square mm."""
        return math.pi / 4 * (self.core * INCH) ** 2


LIGHT_SET: dict[str, ElectricString] = {
    "E": ElectricString(0.046, 0.016, 0.00038216),
    "A": ElectricString(0.036, 0.014, 0.00023964),
    "D": ElectricString(0.026, 0.014, 0.00012671),
    "G": ElectricString(0.017, 0.017, 0.00006402),
    "B": ElectricString(0.013, 0.013, 0.00003744),
    "e": ElectricString(0.010, 0.010, 0.00002215),
}


@dataclass(frozen=True, slots=True)
class BendCost:
    """An estimate of what a bend costs."""

    # `string` to `cents`: where, and how far above the fretted pitch.
    string: str
    fret: int
    cents: float
    push: float  # how far the string is pushed sideways, mm
    tension: float  # what the string bears meanwhile, N
    force: float  # with which the fingers hold it there, N
    heaviness: str  # a key of `HEAVINESS`
    beyond: str = ""  # why it is more than the model takes for possible; empty where it is not
    why: str = ""  # what makes a heavy one heavy; empty for the others


def tension(string: str, push: float = 0.0, fret: int = 12, tuned: int = 0) -> float:
    """Return a string's tension in N, pushed sideways by some mm at a fret.

    ``T = mu (2 l f) ** 2`` in tune, and ``T + E A dl / l`` when stretched by ``dl``.
    """
    kind = LIGHT_SET[string]
    metres = SCALE_LENGTH / 1000
    weight, pitch = kind.unit_weight * POUND_PER_INCH, STANDARD[string] + tuned
    return weight * (2 * metres * frequency(pitch)) ** 2 + YOUNG * kind.area * _strain(fret, push)


def cents(string: str, fret: int, push: float, tuned: int = 0) -> float:
    """Return by how many cents a push of some mm raises a fretted string.

    ``f = sqrt(T / mu) / (2 L)``, where ``L`` is the bent length from the finger to the bridge and
    ``mu`` thins as the string stretches.
    """
    sounding = _sides(fret)[1]
    longer = math.hypot(sounding, push) / sounding
    stretch = 1 + _strain(fret, push)
    taut = tension(string, push, fret, tuned) * stretch
    ratio = math.sqrt(taut / tension(string, tuned=tuned)) / longer
    return 1200 * math.log2(ratio)


def side_force(string: str, fret: int, push: float, tuned: int = 0) -> float:
    """Return the force in N that holds a string pushed sideways by some mm at a fret.

    Both sides pull back: ``T (sin(t1) + sin(t2))``.
    """
    sines = sum(push / math.hypot(side, push) for side in _sides(fret))
    return tension(string, push, fret, tuned) * sines


def heaviness(force: float) -> str:
    """Return the word of `HEAVINESS` for a force in N."""
    return [word for word, least in HEAVINESS.items() if force >= least][-1]


@lru_cache(maxsize=1024)
def bend(string: str, fret: int, size: float, tuned: int = 0) -> BendCost:
    """Estimate a bend of a fret, 1 to 24, by cents above its pitch, more than 0 and at most 500.

    `tuned` are the semitones by which the string is above its usual pitch. Raises `ChoiceError` or
    `RangeError` if there is no such string, fret or size; an open string is held by the nut.
    """
    choose("a string", string, STRINGS)
    if not 1 <= fret <= LAST_FRET:
        raise RangeError(f"fret {fret}: a string is bent at frets 1 to {LAST_FRET}")
    if not 0 < size <= 500:
        raise RangeError(f"a bend of {size:g} cents: it must be more than 0 and at most 500")
    low, high = 0.0, FARTHEST
    for _ in range(48):
        middle = (low + high) / 2
        low, high = (middle, high) if cents(string, fret, middle, tuned) < size else (low, middle)
    force = side_force(string, fret, high, tuned)
    held = tension(string, high, fret, tuned)
    word = heaviness(force)
    return BendCost(
        string,
        fret,
        size,
        high,
        held,
        force,
        word,
        _beyond(string, high, held, force),
        _why(string, fret, size) if word == "heavy" else "",
    )


def _sides(fret: int) -> tuple[float, float]:
    """Return the lengths in mm from a fret to the nut and to the bridge."""
    sounding = SCALE_LENGTH * 2 ** (-fret / 12)
    return SCALE_LENGTH - sounding, sounding


def _strain(fret: int, push: float) -> float:
    """Return by what part of its length a string grows when it is pushed sideways at a fret."""
    return sum(math.hypot(side, push) for side in _sides(fret)) / SCALE_LENGTH - 1


def _beyond(string: str, push: float, held: float, force: float) -> str:
    if held > STRONGEST * LIGHT_SET[string].area:
        return f"the string would break ({held:.0f} N)"
    if push > WIDEST:
        return f"the string would have to be pushed {push:.0f} mm, {WIDEST:.0f} at most"
    if force > HARDEST:
        return f"it takes {force:.0f} N, {HARDEST:.0f} at most"
    return ""


def _why(string: str, fret: int, size: float) -> str:
    reasons = []
    if fret <= 4:
        reasons.append("close to the nut a string gives least")
    if size > 200:
        reasons.append("more than a full bend")
    if LIGHT_SET[string].wound:
        reasons.append("a wound string stretches at its thin core")
    elif string == "e" or not reasons:
        reasons.append("a thin string must go far")
    return ", ".join(reasons)
