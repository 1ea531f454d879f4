from __future__ import annotations

from fractions import Fraction

import pytest

from backing.tempo import Clock, microseconds, step_tempos, swing_for
from phrases.errors import RangeError


def test_a_clock_counts_whole_beats_exactly() -> None:
    clock = Clock(Fraction(112), 2.0)
    # 60 seconds over 112 beats: 48 beats last 48 * 60 / 112.
    assert clock.exact(48) == Fraction(180, 7)
    assert sum(clock.exact(1) for _ in range(1120)) == 600


@pytest.mark.parametrize(("swing", "place"), [(1.0, 1 / 2), (1.5, 3 / 5), (2.0, 2 / 3)])
def test_swing_moves_the_half_and_leaves_the_triplet(swing: float, place: float) -> None:
    clock = Clock(Fraction(60), swing)
    assert clock.seconds(Fraction(7, 2)) == pytest.approx(3 + place, abs=1e-12)
    assert clock.seconds(Fraction(10, 3)) == pytest.approx(10 / 3, abs=1e-12)
    assert clock.seconds(Fraction(3)) == 3.0


def test_a_swing_that_was_asked_for_is_played_at_any_tempo() -> None:
    assert swing_for(Fraction(3, 2), Fraction(240), Fraction(2)) == 1.5


def test_swing_that_follows_the_tempo_keeps_the_short_note_long_enough() -> None:
    # Friberg & Sundstrom 2002, Music Perception 19(3): short notes of about 100 ms.
    assert swing_for(None, Fraction(240), Fraction(2)) == pytest.approx(1.5)
    assert swing_for(None, Fraction(60), Fraction(2)) == 2.0


@pytest.mark.parametrize(
    ("tempo", "quarters", "expected"),
    # SMF 1.0 (RP-001), set tempo: microseconds a quarter note.
    [(120, Fraction(1), 500_000), (60, Fraction(3, 2), Fraction(2_000_000, 3))],
)
def test_microseconds_a_quarter(tempo: int, quarters: Fraction, expected: Fraction) -> None:
    assert microseconds(Fraction(tempo), quarters) == expected


@pytest.mark.parametrize(
    ("start", "goal", "step", "expected"),
    [
        (60, 80, 10, [60, 70, 80]),
        (60, 75, 10, [60, 70, 75]),
        (80, 60, 10, [80, 70, 60]),
        (80, 65, 10, [80, 70, 65]),
        (60, 62, 10, [60, 62]),
        (90, 90, 10, [90]),
    ],
)
def test_steps_reach_the_goal(start: int, goal: int, step: int, expected: list[int]) -> None:
    assert step_tempos(Fraction(start), Fraction(goal), Fraction(step)) == expected


def test_a_tempo_out_of_range_is_refused() -> None:
    with pytest.raises(RangeError, match=r"tempo 29: it must lie from 30 to 240 felt beats"):
        step_tempos(Fraction(29), Fraction(60), Fraction(5))
