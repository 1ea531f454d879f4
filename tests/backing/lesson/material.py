"""A lesson that is made in seconds: two bars at 240 beats a minute over a form of two."""

from __future__ import annotations

from pathlib import Path

from backing.lesson.data import Lesson
from backing.lesson.lesson import read_lesson

PHRASE = """
title = "Two bars"
key = "A"
groove = "shuffle"
tempo = 240
tips = "Play it."

[[part]]
role = "call"
notes = '| 1 B5 & G7 2 B5 3 G5~ 4 .'

[[part]]
role = "response"
notes = '| 1 B5 & G7 2 G5 3 D7~ 4 .'

[[tip]]
at = "call 1 2"
text = "Up here."

[[variation]]
name = "Other End!"

[[variation.part]]
role = "response"
notes = '| 1 B5 & G7 2 G7 3 D5~ 4 .'
"""

LESSON = """
title = "Small lesson"
text = "Slowly."
keys = ["A"]
tempos = [200, 240]
form = "turnaround-loop"
choruses = 1
formats = ["wav"]
full-tempo-only = ["demo", "backing", "trade"]
opening = 20

[[phrase]]
file = "two-bars.toml"
"""


def written(folder: Path, lesson: str = LESSON, phrase: str = PHRASE) -> Path:
    """Write a lesson and its phrase; return the lesson's path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "two-bars.toml").write_text(phrase, encoding="utf-8")
    path = folder / "lesson.toml"
    path.write_text(lesson, encoding="utf-8")
    return path


def small(folder: Path, lesson: str = LESSON, phrase: str = PHRASE) -> Lesson:
    """Write a lesson and read it."""
    return read_lesson(written(folder, lesson, phrase))
