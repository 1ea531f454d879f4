"""A lesson with films: one of each phrase's demo, and its chapters under the video."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from backing.lesson.catalogue import estimate
from backing.lesson.items import sounds
from backing.lesson.lesson import read_lesson
from backing.lesson.make import make_lesson
from phrases.errors import TextFileError

av = pytest.importorskip("av")

LESSON = """
title   = "One film"
keys    = ["A", "C"]
tempos  = [200, 240]
form    = "turnaround-loop"
choruses = 1
formats = []
make    = ["demo"]
films   = true
[[phrase]]
file = "pot-lid"
variations = []
"""


def test_a_lesson_makes_a_film_and_its_chapters(tmp_path: Path, soundfont: Path) -> None:
    path = tmp_path / "lesson.toml"
    path.write_text(LESSON)
    lesson = read_lesson(path)
    items = sounds(lesson)
    assert [(str(one.key), int(one.tempo)) for one in items if one.film] == [("A", 240)]
    plain = sounds(replace(lesson, films=False))
    told = [one.digest("") == other.digest("") for one, other in zip(items, plain, strict=True)]
    assert told == [not one.film for one in items]

    study = replace(lesson.studies[0], keys=lesson.studies[0].keys[:1], tempos=(Fraction(240),))
    small = replace(lesson, studies=(study,))
    made = make_lesson(small, tmp_path / "made", soundfont)
    assert [name for name, _ in estimate(small).files] == [*made.files]
    (film,) = (name for name in made.files if name.endswith(".mp4"))
    assert film.endswith("_A_1-demo_240bpm.mp4")
    assert film[:-4] + ".vtt" in made.files
    with av.open(str(tmp_path / "made" / film)) as file:
        assert file.metadata["title"] == lesson.studies[0].phrase.title
        assert len(file.chapters()) > 2
    text = (tmp_path / "made" / "description.txt").read_text()
    _, _, rest = text.partition(f"Chapters of the film {film.rpartition('/')[2]}\n")
    assert rest.startswith("0:00 ")
    assert make_lesson(small, tmp_path / "made", soundfont).made == ()


def test_films_without_demos_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "lesson.toml"
    path.write_text(LESSON.replace('["demo"]', '["loop"]'))
    with pytest.raises(TextFileError, match="films are made of the demos"):
        read_lesson(path)
