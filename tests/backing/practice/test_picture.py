from __future__ import annotations

from fractions import Fraction
from typing import Any

from backing.practice import Plan, loop, trade
from backing.practice.picture import HEIGHT, WIDTH, picture, table
from phrases.phrase import Phrase
from tests.backing.material import answered, line, setting

SHORT = line("| 1 e5 2 e8 3 .")


def _rows(make: Any = loop, phrase: Phrase = SHORT, **words: Any) -> list[list[str]]:
    """Return the cells of a table, without its head."""
    exact: dict[str, Any] = {
        k: Fraction(str(v)) if k in ("start", "goal", "step") else v for k, v in words.items()
    }
    lines = table(make(setting(tempo=100), phrase, Plan(**exact)))
    assert lines[0].split() == ["min:s", "pass", "beats/min", "whose", "turn"]
    return [line.split() for line in lines[1:]]


def _picture(**words: Any) -> list[str]:
    exact: dict[str, Any] = {
        k: Fraction(v) if k in ("start", "goal", "step") else v for k, v in words.items()
    }
    return picture(loop(setting(tempo=100), SHORT, Plan(**exact)))


def _heights(lines: list[str]) -> list[int]:
    """Return how high each column of a picture is."""
    marks = [line.split("|", 1)[1].ljust(WIDTH) for line in lines if "|" in line]
    return [sum(row[column] == "#" for row in marks) for column in range(WIDTH)]


def test_passes_that_are_alike_share_a_row() -> None:
    # A bar lasts 4, 3 and 2 seconds at 60, 80 and 120 beats a minute.
    assert _rows(start=60, goal=120, step=20, passes=2) == [
        ["0:04", "1", "to", "2", "60", "phrase"], ["0:12", "end"]
    ]  # fmt: skip
    assert _rows(start=60, goal=120, step=60, each=1) == [
        ["0:04", "1", "60", "phrase"], ["0:08", "2", "120", "phrase"], ["0:10", "end"]
    ]  # fmt: skip


def test_a_ramps_row_goes_to_its_last_beat() -> None:
    ((_, _, first, _, last, _), _) = _rows(shape="ramp", start=60, goal=240, passes=1)
    # Each of four beats rises by 45: the first from 60 on, the last from 195 on.
    assert 60 < int(first) < 105
    assert 195 < int(last) < 240


def test_a_row_says_what_is_left_out() -> None:
    rows = _rows(shape="hold", start=60, passes=6, phrase_rests=2, band_rests=3)
    assert [" ".join(row[1:]) for row in rows] == [
        "1 60 phrase",
        "2 60 Your turn",
        "3 60 phrase, no band",
        "4 60 Your turn",
        "5 60 phrase",
        "6 60 Your turn, no band",
        "end",
    ]


def test_a_pass_of_a_phrase_that_was_begun_before_it_is_not_the_students() -> None:
    rows = _rows(phrase=line("4 e5 | 1 ."), shape="hold", start=60, passes=2)
    assert [row[-1] for row in rows] == ["phrase", "end"]


def test_wood_is_no_band() -> None:
    words: dict[str, Any] = {"gap": "echo", "guide": "click", "shape": "hold", "passes": 2}
    rows = _rows(trade, answered(), **words, band_rests=2)
    assert [row[-2:] == ["no", "band"] for row in rows] == [False, True, False]


def test_a_row_says_whose_turn_it_is() -> None:
    rows = _rows(trade, answered(), gap="call", shape="hold", start=60)
    last = ["Your", "turn", "/", "Listen"]
    assert rows[0][:3] == ["0:04", "1", "60"]
    # From the second pass on the turn begins with a pickup in the pass before.
    assert rows[1] == ["0:20", "2", "to", "7", "60", "Listen", "/", "Your", "turn"]
    assert rows[0][3:] == [*last, "/", "Your", "turn"]


def test_a_count_in_takes_time_but_no_row() -> None:
    rows = _rows(shape="hold", start=60, passes=2, counted="each", band_rests=2)
    assert [row[0] for row in rows] == ["0:04", "0:12", "0:16"]


def test_a_ramps_rows_have_both_tempos_and_stay_in_their_columns() -> None:
    rows = _rows(shape="ramp", start=60, goal=120, passes=3)
    for row in rows[:-1]:
        assert len(row) == 6, row
        assert (row[3], row[5]) == ("to", "phrase")
        assert 60 < float(row[2]) < float(row[4]) < 120
    assert len(rows) == 4


def test_a_band_that_stays_at_home_by_itself_is_no_rest() -> None:
    given = setting(tempo=100, without=frozenset({"bass", "comp"}))
    lines = table(loop(given, SHORT, Plan(shape="hold")))
    assert "no band" not in lines[1]  # the drums play


def test_a_picture_rises_as_the_plan_does() -> None:
    lines = _picture(start=60, goal=120, step=20, each=1)
    heights = _heights(lines)
    assert heights == sorted(heights)
    # Three equal steps of a picture of ten rows: 1, 4, 7 and 10.
    assert sorted(set(heights)) == [1, 4, 7, HEIGHT]
    assert lines[0].split("|")[0].strip() == "120"
    assert lines[HEIGHT - 1].split("|")[0].strip() == "60"
    assert lines[-1].split() == ["0:04", "0:15"]  # 4 s of sticks and 4, 3, 2.4 and 2


def test_columns_share_out_the_seconds() -> None:
    # 4 seconds at 60 and 2 at 120 beats a minute.
    heights = _heights(_picture(start=60, goal=120, step=60, each=1))
    # To the nearest column: each shows what is played in its middle.
    assert heights == [1] * round(WIDTH * 4 / 6) + [HEIGHT] * round(WIDTH * 2 / 6)


def test_a_picture_of_a_plan_down_and_there_and_back() -> None:
    heights = _heights(_picture(start=120, goal=60, step=20, each=1))
    assert heights == sorted(heights, reverse=True)
    back = _heights(_picture(shape="back", start=60, goal=120, step=20, each=1))
    # The same to within a column, read from either end.
    assert sum(a != b for a, b in zip(back, back[::-1], strict=True)) <= 8
    assert max(back) == HEIGHT
    assert back[0] == back[-1] == 1


def test_a_ramp_is_drawn_in_all_its_rows() -> None:
    heights = _heights(_picture(shape="ramp", start=60, goal=120, passes=8))
    assert heights == sorted(heights)
    assert set(heights) == set(range(1, HEIGHT + 1))


def test_one_tempo_is_one_row() -> None:
    lines = _picture(shape="hold", start=60)
    assert len(lines) == 3
    assert lines[0] == "    60 |" + "#" * WIDTH


def test_lines_fit_a_terminal() -> None:
    for shape in ("steps", "ramp", "back", "hold"):
        assert max(map(len, _picture(shape=shape, start=60))) <= 79
