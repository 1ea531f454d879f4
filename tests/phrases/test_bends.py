from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.linalg import eigvalsh_tridiagonal

from phrases.bends import (
    HEAVINESS,
    LIGHT_SET,
    SCALE_LENGTH,
    YOUNG,
    bend,
    cents,
    heaviness,
    side_force,
    tension,
)
from phrases.errors import ChoiceError, RangeError
from phrases.fretboard import LAST_FRET, STRINGS

NEWTON = 4.4482  # in a pound-force
PLAIN, WOUND = ("G", "B", "e"), ("E", "A", "D")


@pytest.mark.parametrize(
    ("string", "pounds"),
    # D'Addario, tension chart for 25.5 in: NW046 at E2, NW036 at A2, NW026 at D3, PL017 at G3,
    # PL013 at B3, PL010 at E4.
    [("E", 17.5), ("A", 19.5), ("D", 18.4), ("G", 16.6), ("B", 15.4), ("e", 16.2)],
)
def test_tensions_are_the_makers(string: str, pounds: float) -> None:
    assert tension(string) / NEWTON == pytest.approx(pounds, abs=0.06)


@pytest.mark.parametrize("string", STRINGS)
def test_unit_weights_agree_with_the_steel_in_the_string(string: str) -> None:
    # Steel weighs 0.284 lb in a cubic inch; round wire wound closely fills pi/4 of its shell.
    kind = LIGHT_SET[string]
    core = math.pi / 4 * kind.core**2
    shell = math.pi / 4 * kind.gauge**2 - core
    assert kind.unit_weight == pytest.approx(0.284 * (core + math.pi / 4 * shell), rel=0.02)
    assert kind.wound == (string in WOUND)


@pytest.mark.parametrize("string", STRINGS)
@pytest.mark.parametrize("push", [2.0, 8.0, 15.0])
def test_at_the_twelfth_fret_the_pitch_is_that_of_grimes(string: str, push: float) -> None:
    # Grimes 2014, PLoS ONE 9(7) e102088: the bent string's frequency over the straight one's, for
    # a length l that ends at the finger; at the 12th fret both sides have it. Formula from memory.
    angle = math.atan(push / (SCALE_LENGTH / 2))
    stiffness = YOUNG * LIGHT_SET[string].area
    tuned = tension(string)
    ratio = math.sqrt((stiffness + math.cos(angle) * (tuned - stiffness)) / tuned)
    assert cents(string, 12, push) == pytest.approx(1200 * math.log2(ratio), abs=1e-6)


def bent_by_numbers(string: str, fret: int, push: float) -> tuple[float, float, float]:
    """Return cents, tension and sideways force of a bend, solved from a slack string.

    Grimes's measurements could not be had as numbers, so the formulas are held against mechanics
    alone: Hooke's law from the slack length (not from the tuned one), the lowest mode of 400 beads
    between finger and bridge, and the force as the slope of the stored energy. SI units but for
    the push, which is in mm.
    """
    kind = LIGHT_SET[string]
    stiffness = 200e9 * math.pi / 4 * (kind.core * 0.0254) ** 2
    mass = kind.unit_weight * 0.45359237 / 0.0254  # kg in a metre of the tuned string
    scale, sounding = 0.648, 0.648 / 2 ** (fret / 12)
    open_hertz = {"E": 82.407, "A": 110.0, "D": 146.832, "G": 195.998, "B": 246.942, "e": 329.628}
    slack = scale / (1 + mass * (2 * scale * open_hertz[string]) ** 2 / stiffness)
    whole = mass * scale

    def length(side: float) -> float:
        return math.hypot(scale - sounding, side) + math.hypot(sounding, side)

    def energy(side: float) -> float:
        return stiffness * (length(side) - slack) ** 2 / (2 * slack)

    def hertz(side: float) -> float:
        pull = stiffness * (length(side) / slack - 1)
        beads = 400
        gap = math.hypot(sounding, side) / beads
        bead = whole / length(side) * gap
        springs = [2.0] * (beads - 1), [-1.0] * (beads - 2)  # the diagonal, and those beside it
        (slowest,) = eigvalsh_tridiagonal(*springs, select="i", select_range=(0, 0))
        return float(np.sqrt(slowest * pull / gap / bead) / math.tau)

    side, little = push / 1000, 1e-6
    force = (energy(side + little) - energy(side - little)) / (2 * little)
    return (
        1200 * math.log2(hertz(side) / hertz(0.0)),
        stiffness * (length(side) / slack - 1),
        force,
    )


@pytest.mark.parametrize("string", STRINGS)
@pytest.mark.parametrize(("fret", "push"), [(2, 5.0), (7, 9.0), (12, 14.0), (19, 8.0)])
def test_the_formulas_agree_with_the_mechanics(string: str, fret: int, push: float) -> None:
    # A tuned string is up to 1 % longer than a slack one, and that is what the formulas leave out.
    size, pull, force = bent_by_numbers(string, fret, push)
    assert cents(string, fret, push) == pytest.approx(size, rel=0.012)
    assert tension(string, push, fret) == pytest.approx(pull, rel=0.005)
    assert side_force(string, fret, push) == pytest.approx(force, rel=0.005)


@pytest.mark.parametrize("string", STRINGS)
@pytest.mark.parametrize("fret", [1, 5, 12, 19, 24])
def test_pushing_farther_raises_pitch_and_force(string: str, fret: int) -> None:
    pushes = [n / 2 for n in range(60)]
    pitches = [cents(string, fret, push) for push in pushes]
    forces = [side_force(string, fret, push) for push in pushes]
    assert pitches[0] == 0
    assert forces[0] == 0
    assert all(a < b for a, b in pairwise(pitches[1:]))
    assert all(a < b for a, b in pairwise(forces))


@pytest.mark.parametrize("string", STRINGS)
@pytest.mark.parametrize("fret", [1, 7, 15, LAST_FRET])
@pytest.mark.parametrize("size", [50, 200, 500])
def test_the_push_gives_the_size(string: str, fret: int, size: float) -> None:
    cost = bend(string, fret, size)
    assert cents(string, fret, cost.push) == pytest.approx(size, abs=1e-6)
    assert cost.force == side_force(string, fret, cost.push)
    assert cost.tension == tension(string, cost.push, fret)


def test_a_full_bend_raises_the_tension_by_a_quarter() -> None:
    # Frequency goes with the root of tension: two semitones are a factor of 2 ** (4 / 12); the
    # geometry takes less than 1 % of it.
    for string in STRINGS:
        assert bend(string, 12, 200).tension / tension(string) == pytest.approx(1.26, rel=0.01)


def test_the_plain_g_is_hardest_near_the_nut() -> None:
    forces = [bend("G", fret, 200).force for fret in range(1, 13)]
    assert all(a > b for a, b in pairwise(forces))
    assert forces[0] > 2 * forces[6]
    assert bend("G", 1, 200).heaviness == "heavy"
    assert bend("G", 7, 200).heaviness != "heavy"
    assert "nut" in bend("G", 1, 200).why


@pytest.mark.parametrize("fret", [5, 7, 9, 12])
def test_wound_strings_are_heavier_than_the_plain_g(fret: int) -> None:
    for string in WOUND:
        assert bend(string, fret, 200).force > bend("G", fret, 200).force


@pytest.mark.parametrize("fret", [5, 9, 14])
def test_thinner_plain_strings_go_farther(fret: int) -> None:
    g, b, e = (bend(string, fret, 200).push for string in PLAIN)
    assert g < b < e
    # Common practice: a full bend is about a string's distance, 7 to 10 mm, or two.
    assert 7 <= g <= 20
    assert e <= 21


def test_a_curl_is_light_everywhere_but_at_the_nut() -> None:
    for string in STRINGS:
        assert bend(string, 8, 50).heaviness in ("light", "moderate")
    assert bend("G", 7, 50).heaviness == "light"


def test_heaviness_changes_at_its_thresholds() -> None:
    assert [heaviness(force) for force in (0.0, 4.9, 5.0, 9.9, 10.0, 30.0)] == [
        "light", "light", "moderate", "moderate", "heavy", "heavy",
    ]  # fmt: skip
    assert list(HEAVINESS.values()) == sorted(HEAVINESS.values())


def test_what_is_beyond() -> None:
    assert bend("e", 3, 300).beyond == "it takes 21 N, 20 at most"
    assert "would break" in bend("e", 10, 500).beyond
    assert "pushed" in bend("B", 12, 500).beyond
    for string in PLAIN:
        assert not bend(string, 7, 200).beyond
        assert not bend(string, 10, 300).beyond


def test_only_heavy_ones_say_why() -> None:
    for string in STRINGS:
        for fret in range(1, LAST_FRET + 1):
            for size in (50, 100, 200, 300):
                cost = bend(string, fret, size)
                assert bool(cost.why) == (cost.heaviness == "heavy")


@pytest.mark.parametrize(
    ("string", "fret", "size", "error", "message"),
    [
        ("H", 5, 100, ChoiceError, "a string"),
        ("G", 0, 100, RangeError, "frets 1 to 24"),
        ("G", 25, 100, RangeError, "frets 1 to 24"),
        ("G", 5, 0, RangeError, "more than 0 and at most 500"),
        ("G", 5, 501, RangeError, "more than 0 and at most 500"),
    ],
)
def test_faults(string: str, fret: int, size: float, error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        bend(string, fret, size)
