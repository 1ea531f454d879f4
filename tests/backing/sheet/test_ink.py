"""Boxes that know when they meet, and skylines that keep them apart."""

from __future__ import annotations

import re

import pytest

from backing.sheet import ink
from backing.sheet.ink import Box, Ink, Skyline


def block(left: float, right: float, tall: float = 1.0) -> Ink:
    return Ink("block", (Box(left, 0.0, right, tall),), "<path/>")


def test_boxes_that_only_touch_do_not_meet() -> None:
    one = Box(0, 0, 2, 2)
    assert one.meets(Box(1, 1, 3, 3))
    assert not one.meets(Box(2, 0, 3, 2))
    assert one.meets(Box(2.1, 0, 3, 2), room=0.2)


def test_moving_moves_boxes_and_drawing() -> None:
    moved = block(0, 1).moved(2, 3).moved(0, 1)
    assert moved.box == Box(2, 4, 3, 5)
    assert moved.draw() == '<g transform="translate(2.0000 4.0000)"><path/></g>'


def test_a_slanting_line_leaves_its_corners_free() -> None:
    line = ink.line("slide", (0, 0, 8, 8), 0.1)
    assert not line.meets(Ink("x", (Box(6, 0, 8, 2),), ""))
    assert line.meets(Ink("x", (Box(3, 3, 5, 5),), ""))


def test_a_curve_is_covered_by_its_boxes() -> None:
    points = [(0.0, 0.0), (3.0, 0.0), (4.0, -1.0), (4.0, -4.0)]
    boxes = ink.curve("bend", points, 0.2).boxes
    for n in range(101):
        t = n / 100
        weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
        x = sum(w * p[0] for w, p in zip(weights, points, strict=True))
        y = sum(w * p[1] for w, p in zip(weights, points, strict=True))
        assert any(b.left <= x <= b.right and b.top <= y <= b.bottom for b in boxes)


@pytest.mark.parametrize("wide", [False, True])
def test_a_wave_ends_where_it_should_and_stays_in_its_box(*, wide: bool) -> None:
    wave = ink.wave("vibrato", 1.0, 9.0, wide=wide)
    numbers = [float(n) for n in re.findall(r"q[\d.]+ (-[\d.]+)", wave.svg)]
    # A quadratic curve reaches half of its control point.
    assert max(abs(n) for n in numbers) / 2 < wave.box.bottom
    assert (wave.box.left, wave.box.right) == (1.0, 9.0)


def test_skylines_stack() -> None:
    sky = Skyline(0.0)
    first = sky.put(block(0, 4), 0.5)
    second = sky.put(block(3, 6), 0.5)
    beside = sky.put(block(10, 12), 0.5)
    assert first.box.bottom == -0.5
    assert second.box.bottom == first.box.top - 0.5
    assert beside.box.bottom == -0.5
    floor = Skyline(7.5, up=False)
    assert floor.put(block(0, 1), 0.5).box.top == 8.0


def test_words_stand_where_they_are_anchored() -> None:
    middle = ink.words("word", "full", 5.0, 2.0, 1.5).box
    assert (middle.left + middle.right) / 2 == pytest.approx(5.0)
    left = ink.words("word", "full", 5.0, 2.0, 1.5, anchor=0.0).box
    assert left.left == pytest.approx(5.0)
    assert left.bottom < 2.1


def test_a_circle_holds_its_number() -> None:
    one, two = ink.circled("tip", "1", 0, 0, 1.2), ink.circled("tip", "12", 0, 0, 1.2)
    assert one.box.left == -one.box.right == one.box.top
    assert two.box.right >= one.box.right


def test_nothing_is_put_right_of_the_margin() -> None:
    sky = Skyline(0.0, right=10.0)
    assert sky.put(block(8, 12)).box.right == 10.0
    assert sky.put(block(2, 4)).box.left == 2


def test_a_wave_keeps_later_words_further_away() -> None:
    sky = Skyline(0.0)
    first = sky.put(block(0, 4), 0.5, around=0.25)
    assert sky.put(block(1, 2), 0.5).box.bottom == first.box.top - 0.75
    assert sky.put(block(4.2, 5), 0.5, 0.0).box.bottom == first.box.top - 0.75


def test_a_slur_is_as_high_as_asked() -> None:
    drawn = ink.crescent("tie", (0.0, 2.0, 6.0, 2.0), -1.0).box
    # Its line is a fifth of a space wide, half of it above the middle of the line.
    assert drawn.top == pytest.approx(2.0 - 1.0 - 0.1, abs=0.06)
    assert (drawn.left, drawn.right) == pytest.approx((-0.1, 6.1))
