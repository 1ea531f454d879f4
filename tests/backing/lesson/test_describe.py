"""The description: chapter times that add up."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

from backing.lesson.describe import ROUNDS, SHORTEST, chapters, describe
from backing.lesson.items import sounds
from tests.backing.lesson.material import LESSON, small

SECONDS = {"demo": 40.0, "loop": 10.4, "trade": 31.3, "backing": 40.0}


def test_chapters_add_up(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON + "variations = []\n")
    facts = {item: {"seconds": SECONDS[item.kind]} for item in sounds(lesson)}
    rows = chapters(lesson, facts)
    starts = [second for second, _ in rows]
    # 20 s of talk, the demo, two loops four times round, the trade track, the backing.
    assert starts == [0, 20, 60, round(60 + ROUNDS * 10.4), round(60 + 2 * ROUNDS * 10.4), 174]
    assert rows[0] == (0, "Before we play")
    assert rows[1][1] == "The phrase over the band, 240 beats a minute"
    assert rows[2][1] == "Slowly, round and round, 200 beats a minute"
    assert rows[3][1] == "Round and round, 240 beats a minute"


def test_chapters_are_long_enough_and_begin_at_nought(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON.replace("opening = 20", "opening = 3"))
    facts = {item: {"seconds": 1.3} for item in sounds(lesson)}
    starts = [second for second, _ in chapters(lesson, facts)]
    assert starts[0] == 0
    assert all(b - a >= SHORTEST for a, b in pairwise(starts))


def test_a_video_plays_the_first_of_several_grooves(tmp_path: Path) -> None:
    lesson = small(tmp_path, 'grooves = ["jump", "two-beat"]\n' + LESSON)
    items = sounds(lesson)
    facts = {item: {"seconds": 20.0} for item in items}
    played = len(chapters(lesson, {i: f for i, f in facts.items() if i.groove == "jump"}))
    assert len(chapters(lesson, facts)) == played > 3
    assert "Two bars, in A, over Jump, Two-beat, at 200" in describe(lesson, facts)


def test_each_phrase_has_its_chapters(tmp_path: Path) -> None:
    text = (
        LESSON + 'variations = ["Other End!"]\n\n[[phrase]]\nfile = "pot-lid"\nvariations = []\n'
    )
    lesson = small(tmp_path, 'make = ["demo"]\n' + text)
    facts = {item: {"seconds": 20.0} for item in sounds(lesson)}
    assert [name for _, name in chapters(lesson, facts)] == [
        "Before we play",
        "Two bars: the phrase over the band, 240 beats a minute",
        "Two bars, Other End!: the phrase over the band, 240 beats a minute",
        "Pot lid: the phrase over the band, 240 beats a minute",
    ]


def test_trades_are_told_apart(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON + 'gaps = ["response", "echo"]\nvariations = []\n')
    facts = {item: {"seconds": 20.0} for item in sounds(lesson)}
    names = [name for _, name in chapters(lesson, facts)]
    assert [name for name in names if "turn" in name] == [
        "Your turn to answer, 240 beats a minute",
        "Your turn to play it back, 240 beats a minute",
    ]


def test_the_video_decides(tmp_path: Path) -> None:
    lesson = small(tmp_path, 'video = ["backing"]\n' + LESSON)
    facts = {item: {"seconds": SECONDS[item.kind]} for item in sounds(lesson)}
    assert [text for _, text in chapters(lesson, facts)][1:] == [
        "The band alone, 240 beats a minute"
    ]


def test_the_text(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON + 'text = "Mind the *end*."\n')
    facts = {item: {"seconds": 1000 * SECONDS[item.kind]} for item in sounds(lesson)}
    text = describe(lesson, facts)
    lines = text.splitlines()
    assert lines[0] == "Small lesson"
    assert "Slowly." in lines
    assert "Mind the end." in lines
    assert "Two bars, in A, at 200 and 240 beats a minute. Also: Other End!." in text
    times = [line.split()[0] for line in lines if re.match(r"\d+:\d", line)]
    assert times[0] == "0:00"
    assert any(re.fullmatch(r"\d+:\d\d:\d\d", time) for time in times)  # over an hour
