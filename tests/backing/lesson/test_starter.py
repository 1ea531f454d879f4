"""New files: whole as they stand, and true to what they teach."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from backing.lesson import lesson as formats
from backing.lesson.items import check_items, sounds
from backing.lesson.lesson import read_lesson
from backing.lesson.starter import starter, write_starter
from phrases.check import check
from phrases.errors import RangeError, TextFileError
from phrases.files import PHRASE_KEYS, read_phrase
from phrases.rewrite import tidy


def test_a_new_phrase_is_a_tidy_one_without_warnings() -> None:
    text = starter("first-steps.toml")
    phrase = read_phrase(text)
    assert phrase.title == "First steps"
    assert tidy(text) == text
    assert check(phrase).cautions == ()
    assert {part.role for part in phrase.parts} == {"call", "response"}


def test_a_new_phrases_comments_are_true() -> None:
    lines = starter("a.toml").splitlines()
    # What is commented out is right when the sign before it goes.
    own = re.compile(r"# (\[|[a-z-]+ *= )")
    text = "\n".join(line[2:] if own.match(line) else line for line in lines)
    phrase = read_phrase(text.replace('meter  = "12/8"', 'meter  = "4/4"'))
    assert [name for name, _ in phrase.variations] == ["busier"]
    data = tomllib.loads(text)
    assert set(PHRASE_KEYS) <= {*data, "tip", "variation"}


def test_a_new_lesson_can_be_made(tmp_path: Path) -> None:
    path = write_starter(tmp_path / "evening", lesson=True)
    assert path.name == "evening.toml"
    lesson = read_lesson(path)
    assert lesson.title == "Evening"
    items = sounds(lesson)
    check_items(lesson, items)
    assert {item.kind for item in items} == {"demo", "loop", "trade", "backing"}


def test_a_new_lesson_names_every_key() -> None:
    named = set(re.findall(r"^#? ?([a-z-]+) *=", starter("a.toml", lesson=True), re.M))
    assert named == {
        *formats.LESSON_KEYS,
        *formats.STUDY_KEYS,
        *formats.STEP_KEYS,
    } - {"phrase", "session"}


def test_lines_are_short() -> None:
    both = starter("a.toml") + starter("a.toml", lesson=True)
    assert max(map(len, both.splitlines())) <= 99


@pytest.mark.parametrize("name", ["a\"b\\c'd", "{x}", "ö ü"])
def test_any_name_makes_a_file_that_can_be_read(tmp_path: Path, name: str) -> None:
    read_phrase(write_starter(tmp_path / name).read_text(encoding="utf-8"))
    assert read_lesson(write_starter(tmp_path / f"{name}2", lesson=True)).studies


def test_no_file_is_replaced(tmp_path: Path) -> None:
    path = write_starter(tmp_path / "a.toml")
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(TextFileError, match="is there already"):
        write_starter(tmp_path / "a", lesson=True)
    assert path.read_text(encoding="utf-8") == "mine"
    (tmp_path / "b.toml").symlink_to(tmp_path / "nowhere")
    with pytest.raises(TextFileError, match="is there already"):
        write_starter(tmp_path / "b")
    with pytest.raises(TextFileError, match="does not exist"):
        write_starter(tmp_path / "no" / "c")


@pytest.mark.parametrize("name", ["", ".", "..", "x" * 200, "a\nb", " "])
def test_no_name(tmp_path: Path, name: str) -> None:
    with pytest.raises(RangeError, match="cannot be a file's name"):
        write_starter(Path(name) if not name.strip(". ") else tmp_path / name)
    assert not list(tmp_path.iterdir())
