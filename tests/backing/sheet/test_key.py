"""The key to the signs: what stands on the page, and nothing else, is explained."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from backing.forms import find_form
from backing.sheet.key import DRAWN, signs
from backing.sheet.page import Paper, sheet
from backing.sheet.writing import write
from phrases.files import load_phrase
from phrases.techniques import MARKS, TECHNIQUES
from tests.backing.sheet.lines import library, one


def told(notes: str, staves: str = "both", *, marks: bool = True) -> list[str]:
    return [words for _, words in signs([write(one(notes))], staves, marks=marks)]


@pytest.mark.parametrize(
    ("notes", "words"),
    [
        ("| 1 G5 2 .", []),
        ("| 1 G5{d 1} 2 G7{u} 3 .", ["down-stroke", "up-stroke", "fingers, from the index on"]),
        ("| 1 G5h7p5 2 .", ["hammer-on", "pull-off"]),
        ("| 1 G5~~ 2 Gx 3 .", ["wide vibrato", "muted string"]),
        ("| 1 /G5{45ms ghost} 2 .", ["slide up", "ghost note", "late"]),
        ("| 1 G7b(full)r 2 .", ["bend", "release", "in notes"]),
    ],
)
def test_each_sign_is_told_once(notes: str, words: list[str]) -> None:
    assert [line.partition(":")[0] for line in told(notes)] == words


def test_strokes_are_not_told_where_there_are_none_and_stems_where_they_tell_the_rhythm() -> None:
    assert told("| 1 G5{d 1} 2 .", marks=False) == []
    assert [line[:5] for line in told("| 1 G5 2 .", "tab")] == ["stems"]


def test_every_technique_and_mark_has_a_sign() -> None:
    for name, technique in TECHNIQUES.items():
        assert name in DRAWN or technique.over
    for name, mark in MARKS.items():
        bend = "b(full)" * (mark.kind in ("bend", "support"))
        assert len(told(f"| 1 G12{bend}{{{name}}} 2 .")) == 1 + 2 * bool(bend)


def test_nothing_of_a_sign_is_empty() -> None:
    for phrase in library():
        for inks, words in signs([write(phrase)], "both", marks=True):
            assert words
            assert all(ink.box.right > ink.box.left for ink in inks)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
@pytest.mark.parametrize(
    ("name", "paper", "there"),
    [
        ("cold-stove", Paper(), True),
        ("cold-stove", Paper(signs=False), False),
        ("churn-handle", Paper(), False),
        ("churn-handle", Paper(signs=True), True),
    ],
)
def test_easy_phrases_have_it_and_others_where_it_is_asked_for(
    name: str, paper: Paper, *, there: bool
) -> None:
    pdf = sheet(load_phrase(name), find_form("twelve-bar"), paper)
    text = subprocess.run(["pdftotext", "-", "-"], input=pdf, capture_output=True, check=True)
    assert (b"Signs" in text.stdout.splitlines()) == there
