"""The fretboard diagram: which places, which degrees, which way round."""

from __future__ import annotations

import re
from itertools import combinations

import pytest

from backing.sheet.diagram import diagram, places
from backing.sheet.ink import Ink
from phrases.files import load_phrase, read_phrase, shipped
from phrases.phrase import Phrase


def phrase(notes: str, scale: str = "minor pentatonic") -> Phrase:
    return read_phrase(
        f'title = "T"\nkey = "A"\nscale = "{scale}"\ngroove = "shuffle"\ntempo = 90\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )


def dots(inks: list[Ink], kind: str) -> list[Ink]:
    return [one for one in inks if one.kind == f"{kind} dot"]


def test_places_of_hammer_ons_and_slides_count_and_bends_do_not() -> None:
    music = phrase("| 1 G5h7 2 G7b9 3 D7/9 4 Gx")
    assert places(music) == {("G", 5), ("G", 7), ("D", 7), ("D", 9)}


def test_the_root_is_filled() -> None:
    # A minor pentatonic in position five: roots at E5, D7 and e5, common practice.
    inks = diagram(phrase("| 1 E5 2 D7 3 e5 4 G5"))
    assert len(dots(inks, "root")) == 3
    assert len(dots(inks, "used")) == 1
    # The box has twelve notes; four are played.
    assert len([one for one in dots(inks, "scale") if one.box.left < 16]) >= 8


def test_left_handed_is_the_mirror() -> None:
    music = phrase("| 1 E5 2 D7 3 e8 4 G5")
    right, left = diagram(music), diagram(music, left_handed=True)

    def middles(inks: list[Ink], sign: int) -> list[tuple[float, float, str]]:
        return sorted(
            (
                round(sign * (one.box.left + one.box.right) / 2, 3),
                round((one.box.top + one.box.bottom) / 2, 3),
                one.kind,
            )
            for one in inks
            if one.kind.endswith("dot") or one.kind == "fret wire"
        )

    assert middles(left, -1) == middles(right, 1)


def test_open_strings_stand_before_a_nut() -> None:
    inks = diagram(phrase("| 1 E0 2 A2 3 ."))
    nut = [one for one in inks if one.kind == "fret wire" and one.box.right - one.box.left > 0.3]
    assert len(nut) == 1
    assert min(one.box.left for one in dots(inks, "root") + dots(inks, "used")) < nut[0].box.left


def test_a_muted_phrase_still_has_a_neck() -> None:
    assert dots(diagram(phrase("| 1 Gx 2 .")), "used") == []


@pytest.mark.parametrize("name", shipped())
def test_nothing_overlaps(name: str) -> None:
    inks = diagram(load_phrase(name))
    lines = {"string", "fret wire"}
    for one, other in combinations(inks, 2):
        if one.kind not in lines and other.kind not in lines:
            assert not one.meets(other), (one.kind, other.kind)


@pytest.mark.parametrize("left", [False, True])
def test_the_dots_are_explained(*, left: bool) -> None:
    inks = diagram(phrase("| 1 E5 2 D7 3 e8 4 G5"), left_handed=left)
    legend = [one for one in inks if one.kind == "legend"]
    words = [found[1] for one in legend if (found := re.search(r">([^<]+)</text>", one.svg))]
    assert words == ["root", "played", "in the scale"]
    # Root: filled. Played: a ring. In the scale: a dashed one.
    dots = [one for one in legend if "<circle" in one.svg]
    looks = [('fill="none"' in one.svg, "dasharray" in one.svg) for one in dots]
    assert looks == [(False, False), (True, False), (True, True)]
    assert len({round(one.box.bottom, 1) for one in dots}) == 1
    wires = [one.box for one in inks if one.kind == "fret wire"]
    assert min(one.box.left for one in legend) > min(box.left for box in wires)
    assert max(one.box.right for one in legend) < max(box.right for box in wires)


def test_only_dots_that_are_drawn_are_explained() -> None:
    inks = diagram(phrase("| 1 G7 2 ."))
    words = [one for one in inks if one.kind == "legend" and "<text" in one.svg]
    assert len(words) == 2  # no root is played
