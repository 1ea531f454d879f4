from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from backing.tempo import Clock, clock_time, microseconds, slowing, step_tempos, swing_for
from phrases.errors import RangeError


@pytest.mark.parametrize(
    ("seconds", "decimals", "shown"),
    [
        (0, 0, "0:00"), (59.4, 0, "0:59"), (59.6, 0, "1:00"), (3599.5, 0, "1:00:00"),
        (3725, 0, "1:02:05"), (59.94, 1, "0:59.9"), (59.97, 1, "1:00.0"), (65.25, 2, "1:05.25"),
    ],
)  # fmt: skip
def test_a_time_is_rounded_before_it_is_divided(seconds: float, decimals: int, shown: str) -> None:
    assert clock_time(seconds, decimals) == shown


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


def test_a_clock_changes_its_tempo_in_steps() -> None:
    steps = ((Fraction(1), Fraction(30)), (Fraction(3), Fraction(20)))
    clock = Clock(Fraction(60), 1.0, steps)
    # One beat of a second, two of two seconds, then three seconds each.
    assert [clock.exact(n) for n in range(6)] == [0, 1, 3, 5, 8, 11]
    assert clock.seconds(Fraction(3, 2)) == 2.0
    assert clock.seconds(Fraction(7, 2)) == 6.5


def test_swing_goes_on_in_a_slow_down() -> None:
    clock = Clock(Fraction(60), 2.0, ((Fraction(1), Fraction(30)),))
    assert clock.seconds(Fraction(1, 2)) == pytest.approx(2 / 3)
    assert clock.seconds(Fraction(3, 2)) == pytest.approx(1 + 2 * 2 / 3)


@pytest.mark.parametrize("tempo", [30, 97, 240])
def test_a_slow_down_follows_a_stopping_runner(tempo: int) -> None:
    """Friberg & Sundberg 1999, JASA 105(3) (from memory): v(x) = (1 + (w^q - 1) x)^(1/q), q 3."""
    clock = slowing(Fraction(tempo), 8)
    tempos = [clock.tempo, *(later for _, later in clock.steps)]
    assert [beat for beat, _ in clock.steps] == [1, 2, 3, 4, 5, 6, 7]
    assert all(a > b for a, b in pairwise([Fraction(tempo), *tempos]))
    falls = [float(a - b) for a, b in pairwise(tempos)]
    assert all(b > a for a, b in pairwise(falls))  # ever faster, as a runner stops
    for beat, now in enumerate(tempos):
        speed = (1 + (0.6**3 - 1) * (beat + 0.5) / 8) ** (1 / 3)
        assert float(now) == pytest.approx(tempo * speed, abs=0.006)
    assert clock.exact(8) == sum(60 / now for now in tempos)


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
