from __future__ import annotations

import textwrap
from typing import Any

import pytest

from backing.cautions import LOUD
from backing.live.screen import KEYS_LINE, TextPicture, picture
from backing.live.tab import Tab
from backing.live.transport import Where

TAB = Tab(
    tuple(f"{string}|-{'>5<' if string == 'G' else '---'}-|" for string in "eBGDAE"), ((2, 3, 6),)
)


def moment(**more: Any) -> Where:
    told: dict[str, Any] = {
        "section": 1, "name": "Pass 1: 84", "bar": 2, "bars": 4, "beat": 3, "beats": 4,
        "place": 6.0, "tempo": 84.0, "written": 84.0, "chord": "A7", "soon": "D7", "wait": 2.0,
        "turn": "Call", "going": True, "stopping": False, "muted": False, "over": False,
        "target": "",
    }  # fmt: skip
    told["coming"] = more.get("tempo", told["tempo"])
    return Where(**{**told, **more})


def text(shown: TextPicture) -> str:
    return "\n".join(shown.lines)


def test_it_says_where_one_is() -> None:
    shown = picture("Porch light in A", moment(), TAB, output="stage", height=40)
    assert shown.lines == (
        "Porch light in A",
        "",
        "  ###          ##   ####",
        "     #        #  #     #",
        "   ##         ####    #",
        "     #        #  #   #",
        "  ###         #  #   #",
        "",
        "Pass 1: 84  bar 2 of 4    beat  1  2 [3] 4 ",
        "[#>..]",
        "chord A7        then D7       in 2 beats",
        "tempo 84 beats a minute",
        "turn: Call",
        "",
        *TAB.lines,
        "",
        *textwrap.wrap(KEYS_LINE, 80, subsequent_indent="  "),
        LOUD,
        "Playing on stage",
    )


@pytest.mark.parametrize("width", [40, 57, 80, 133, 200])
def test_nothing_is_clipped_from_forty_columns_on(width: int) -> None:
    where = moment(name="Pass 12: 84 to 96", bars=12, beat=4, target="Pass 13: 96",
                   turn="Your turn", muted=True, held=True, due=3.0, tempo=90.0)  # fmt: skip
    title = "What an old house says when nobody is at home in C# minor"
    shown = picture(title, where, TAB, output="A card with a long name (ALSA)", width=width,
                    height=60, more=["recording take.wav  [####....] -12 dB"])  # fmt: skip
    assert all(len(line) <= width for line in shown.lines)
    told = " ".join(" ".join(shown.lines).split())
    for words in (title, "Pass 12: 84 to 96", "bar 2 of 12", "[4]", "turn: Your turn",
                  "your turn in 3", "at the bar line: Pass 13: 96", "phrase off", "-12 dB",
                  "round and round", "A card with a long name (ALSA)", LOUD,
                  " ".join(KEYS_LINE.split())):  # fmt: skip
        assert words in told, words


@pytest.mark.parametrize(
    ("due", "said"), [(0.2, "in 1"), (3.0, "in 3"), (4.0, "in 1 bar"), (9.5, "in 3 bars")]
)
def test_a_turn_is_announced(due: float, said: str) -> None:
    assert f"your turn {said}\n" in text(picture("x", moment(due=due))) + "\n"


def test_beat_and_chord_are_large_where_there_is_room() -> None:
    wide, narrow = (picture("x", moment(chord="Bb9"), width=w).lines for w in (80, 20))
    assert "".join(wide).count("#") > 2 * "".join(narrow).count("#") > 18
    assert picture("x", moment(going=False)).lines[2].startswith("Pass 1")


def test_what_is_lit_is_marked_as_well() -> None:
    shown = picture("Porch light in A", moment(), TAB)
    assert [shown.lines[row][start:end] for row, start, end in shown.lit] == ["[3]", ">5<"]


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ({"tempo": 90.0}, "tempo 90 beats a minute (written 84)"),
        ({"tempo": 62.22222}, "tempo 62.22 beats a minute (written 84)"),
        ({"wait": 0.4}, "then D7       in 1 beat\n"),
        ({"stopping": True}, "turn: Call   stops at the bar line"),
        ({"going": False}, "STOPPED: space goes on from this bar"),
        ({"going": False, "over": True}, "that was the end"),
        ({"target": "Pass 2: 84"}, "at the bar line: Pass 2: 84"),
        ({"muted": True}, "phrase off"),
        ({"turn": "Your turn"}, "turn: Your turn"),
        ({"soon": "", "wait": None}, "chord A7      \n"),
    ],
)
def test_it_says_what_is_so(what: dict[str, Any], said: str) -> None:
    assert said in text(picture("x", moment(**what), TAB)) + "\n"


@pytest.mark.parametrize("width", [1, 10, 80, 200])
@pytest.mark.parametrize("height", [1, 3, 9, 15, 24, 60])
def test_it_fits_any_terminal(width: int, height: int) -> None:
    where = moment(name="N" * 90, chord="C" * 30, turn="T" * 90, bars=64, tempo=99.0)
    shown = picture("t" * 200, where, TAB, output="o" * 200, width=width, height=height)
    assert len(shown.lines) <= height
    assert all(len(line) <= width for line in shown.lines)
    for row, start, end in shown.lit:
        assert 0 <= start < end <= len(shown.lines[row])


def test_bar_and_chord_stay_longest() -> None:
    shown = picture("x", moment(), TAB, height=2)
    assert "bar 2 of 4" in shown.lines[0]
    assert "chord A7" in shown.lines[1]


def test_what_could_steer_the_terminal_is_not_shown() -> None:
    assert picture("a\x1b[2Jb\nc", moment()).lines[0] == "a?[2Jb?c"
