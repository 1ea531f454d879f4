from __future__ import annotations

import bisect
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrases.curve import Curve, Glide, Sway

BEND = Curve(glides=(Glide(0.1, 0.2, 200.0),))


def test_a_curve_without_moves_is_still() -> None:
    assert Curve().at(1.0) == 0.0
    assert Curve().points() == [(0.0, 0.0)]


@pytest.mark.parametrize(
    "curve",
    [Curve(first=100.0), BEND, Curve(sways=(Sway(0.0, 1.0, 5.0, 30.0),))],
)
def test_a_curve_with_moves_is_not(curve: Curve) -> None:
    assert len(curve.points()) > 1 or curve.at(0.0)


def test_a_glide_waits_eases_and_stays() -> None:
    assert BEND.at(0.0) == 0.0
    assert BEND.at(0.1) == 0.0
    # Half a cosine passes the middle at half time, and a quarter of the time gives
    # (1 - cos 45 degrees) / 2 of the way.
    assert BEND.at(0.2) == pytest.approx(100.0)
    assert BEND.at(0.15) == pytest.approx(200 * (1 - math.sqrt(0.5)) / 2)
    assert BEND.at(0.3) == 200.0
    assert BEND.at(9.0) == 200.0


def test_a_glide_of_no_time_is_a_step() -> None:
    step = Curve(glides=(Glide(0.5, 0.0, 300.0),))
    assert step.at(0.4999) == 0.0
    assert step.at(0.5) == 300.0


def test_a_glide_starts_from_where_the_one_before_ended() -> None:
    down = Curve(200.0, (Glide(0.0, 0.1, 200.0), Glide(0.2, 0.2, 0.0)))
    assert down.at(0.0) == 200.0
    assert down.at(0.3) == pytest.approx(100.0)
    assert down.at(0.4) == 0.0


def test_vibrato_goes_up_and_back_once_a_turn() -> None:
    curve = Curve(sways=(Sway(1.0, 2.0, 5.0, 40.0),))
    assert curve.at(0.99) == 0.0
    assert curve.at(1.1) == pytest.approx(40.0)  # half of a turn of 0.2 s
    assert curve.at(1.2) == pytest.approx(0.0, abs=1e-9)
    assert curve.at(2.0) == 0.0


def test_a_negative_vibrato_goes_down() -> None:
    curve = Curve(first=200.0, sways=(Sway(0.0, 1.0, 5.0, -40.0),))
    assert curve.at(0.1) == pytest.approx(160.0)


@given(
    goal=st.floats(-300, 300),
    start=st.floats(0, 0.2),
    seconds=st.floats(0, 0.3),
    width=st.floats(0, 60),
)
def test_points_held_until_the_next_follow_the_curve(
    goal: float, start: float, seconds: float, width: float
) -> None:
    curve = Curve(glides=(Glide(start, seconds, goal),), sways=(Sway(0.6, 0.8, 5.0, width),))
    points = curve.points()
    times = [time for time, _ in points]
    assert times == sorted(set(times))
    assert times[0] == 0.0

    def held(at: float) -> float:
        return points[bisect.bisect(times, at) - 1][1]

    for at in [n / 300 for n in range(300)]:
        assert abs(held(at) - curve.at(at)) < 0.6001
    for at in (start + seconds, 0.55, 0.9):  # what is at rest is exact
        assert held(at) == curve.at(at)


def test_a_point_is_the_middle_of_what_it_stands_for() -> None:
    # 200 cents in steps of 20: 10, 30, ..., 190, then the bent pitch itself. Half a cosine has
    # gone a tenth of its way when 1 - cos(pi t) is 0.2, at t = 0.2048.
    points = BEND.points(change=20.0)
    cents = [0, 10, 30, 50, 70, 90, 110, 130, 150, 170, 190, 200]
    assert [value for _, value in points] == pytest.approx(cents, abs=1e-4)
    assert points[2][0] == pytest.approx(0.1 + 0.2 * 0.2048, abs=1e-4)
    assert points[-1][0] == pytest.approx(0.3)


def test_points_are_as_fine_as_asked() -> None:
    assert len(BEND.points(change=1.0)) == 202
    assert len(BEND.points(change=2.0)) == 102


def test_where_nothing_moves_there_is_no_point() -> None:
    shaken = Curve(sways=(Sway(0.5, 0.7, 5.0, 40.0),))
    assert [at for at, _ in shaken.points() if not 0.5 <= at <= 0.7 + 1e-9] == [0.0]


def test_a_glide_that_comes_before_the_last_one_ended_goes_on_from_there() -> None:
    curve = Curve(glides=(Glide(0.0, 0.2, 200.0), Glide(0.1, 0.0, 0.0), Glide(0.3, 0.0, -100.0)))
    assert curve.at(0.1 - 1e-9) == pytest.approx(100.0)
    assert curve.at(0.1) == 0.0
    assert curve.at(0.3) == -100.0


def test_vibrato_lies_over_what_glides() -> None:
    # Half a turn of 5 Hz after 0.1 s is the far side, 40 cents; half a glide is half its way.
    curve = Curve(0.0, (Glide(0.0, 0.2, 200.0),), (Sway(0.0, 1.0, 5.0, 40.0),))
    assert curve.at(0.1) == pytest.approx(140.0)


def test_two_vibratos_in_a_row_do_not_add_up() -> None:
    curve = Curve(sways=(Sway(0.0, 0.5, 5.0, 30.0), Sway(0.5, 1.0, 5.0, 60.0)))
    assert max(curve.at(n / 1000) for n in range(500)) == pytest.approx(30.0)
    assert max(curve.at(n / 1000) for n in range(500, 1000)) == pytest.approx(60.0)


@given(
    st.lists(st.tuples(st.floats(0, 2), st.floats(0.01, 0.5), st.floats(-500, 500)), max_size=5)
)
def test_a_pitch_never_jumps_where_glides_take_time(
    moves: list[tuple[float, float, float]],
) -> None:
    now = 0.0
    glides = []
    for wait, seconds, cents in moves:
        glides.append(Glide(now + wait, seconds, cents))
        now += wait + seconds
    curve = Curve(0.0, tuple(glides))
    for glide in glides:
        for edge in (glide.start, glide.start + glide.seconds):
            assert curve.at(edge + 1e-7) == pytest.approx(curve.at(edge - 1e-7), abs=0.5)
    assert curve.at(now + 1e-6) == (glides[-1].cents if glides else 0.0)
