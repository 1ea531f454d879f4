"""Lesson files: what they say, and how each mistake is told."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from backing.lesson.data import KINDS
from backing.lesson.lesson import USUAL_FORMATS, check_files, inside, read_lesson
from backing.page.session import Step
from phrases.errors import BluesError, ChoiceError, TextFileError
from tests.backing.lesson.material import LESSON, PHRASE, small, written


def test_what_a_lesson_says(tmp_path: Path) -> None:
    lesson = small(tmp_path)
    (study,) = lesson.studies
    assert lesson.title == "Small lesson"
    assert lesson.text == "Slowly."
    assert lesson.formats == ("wav",)
    assert lesson.make == tuple(KINDS)
    assert lesson.full_tempo_only == ("demo", "backing", "trade")
    assert (lesson.opening, lesson.choruses, lesson.stems) == (20, 1, False)
    assert study.name == "two-bars"
    assert [name for name, _ in study.versions] == ["", "Other End!"]
    assert [str(key) for key in study.keys] == ["A"]
    assert list(map(float, study.tempos)) == [200, 240]
    assert study.gaps == ("response",)


def test_what_it_does_not_say(tmp_path: Path) -> None:
    text = 'title = "Bare"\n[[phrase]]\nfile = "lamp-oil"\n'
    lesson = small(tmp_path, text)
    (study,) = lesson.studies
    assert lesson.formats == USUAL_FORMATS
    assert study.keys == (study.phrase.key,)
    assert study.tempos[-1] == study.phrase.tempo == 56
    # From about 60 % of it in whole steps.
    assert list(study.tempos) == [36, 40, 44, 48, 52, 56]
    assert (study.grooves, study.form, study.take) == (("",), "twelve-bar", None)


def test_a_phrase_says_otherwise(tmp_path: Path) -> None:
    text = LESSON + 'keys = ["E", "C# minor", "E"]\ntempos = [90.5, 60]\ngaps = ["two", "call"]\n'
    (study,) = small(tmp_path, text).studies
    assert [str(key) for key in study.keys] == ["E", "C# minor"]
    assert list(study.tempos) == [Fraction(60), Fraction("90.5")]
    assert study.gaps == ("two", "call")


def test_no_variations(tmp_path: Path) -> None:
    (study,) = small(tmp_path, LESSON + "variations = []\n").studies
    assert [name for name, _ in study.versions] == [""]


def test_a_session_is_the_teachers(tmp_path: Path) -> None:
    assert small(tmp_path).session == ()
    steps = '[[session]]\ndo = "listen"\npasses = 2\ntext = "Hush."\n[[session]]\ndo = "alone"\n'
    found = small(tmp_path, LESSON + steps).session
    assert found == (Step("listen", 2, "Hush."), Step("alone"))


def test_a_phrase_of_one_line_trades_echoes(tmp_path: Path) -> None:
    head = 'title = "A"\nkey = "A"\ntempo = 90\n'
    text = head + '[[part]]\nrole = "line"\nnotes = "| 1 G5 2 . | 1 G5"\n'
    (study,) = small(tmp_path, LESSON, text).studies
    assert study.gaps == ("echo",)


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ('title = "S', 'titel = "S', 2, 'did you mean "title"?'),
        ('"two-bars.toml"', '"../two-bars.toml"', 13, "leads out of the lesson's folder"),
        ('"two-bars.toml"', '"/etc/passwd"', 13, "leads out of the lesson's folder"),
        ('"two-bars.toml"', '"two-bar.toml"', 13, 'did you mean "two-bars.toml"?'),
        ('"two-bars.toml"', '"lamp-oli"', 13, 'did you mean "lamp-oil"?'),
        ('["A"]', '["A", "H"]', 4, '"H" is not a key'),
        ('["A"]', '"A"', 4, '"keys" must be a list'),
        ("[200, 240]", "[200, 20]", 5, "from 30 to 240"),
        ("[200, 240]", '["fast"]', 5, "tempos are numbers"),
        ('"turnaround-loop"', '"turnaround"', 6, 'did you mean "turnaround-loop"?'),
        ('"turnaround-loop"', '"../x.toml"', 6, "leads out of the lesson's folder"),
        ('"turnaround-loop"', '"x.toml"', 6, "there is no such file"),
        ("choruses = 1", "choruses = 0", 7, "1 to 200"),
        ('["wav"]', '["wave"]', 8, 'did you mean "wav"?'),
        ('["demo", "b', '["demos", "b', 9, 'did you mean "demo"?'),
        ("opening = 20", "opening = -1", 10, "0 to 3600"),
        ('two-bars.toml"', 'two-bars.toml"\ngaps = ["reply"]', 14, "is not a gap"),
        ('two-bars.toml"', 'two-bars.toml"\ngrooves = ["polka"]', 14, "is not a groove"),
        ('two-bars.toml"', 'two-bars.toml"\nswing = "9:1:1"', 14, "swing"),
        ('two-bars.toml"', 'two-bars.toml"\nvariations = ["other"]', 14, 'mean "Other End!"?'),
        ('two-bars.toml"', 'two-bars.toml"\ntake = "x.wav"', 14, "there is no such file"),
        ('two-bars.toml"', 'two-bars.toml"\ntake = "../x.wav"', 14, "leads out"),
        (
            'two-bars.toml"',
            'two-bars.toml"\ntake = "lesson.toml"\ntake-tempo = 100',
            14,
            "in A at 100 beats a minute, in which this lesson has no demo",
        ),
        ("[[phrase]]", "[[phrases]]", 12, 'did you mean "phrase"?'),
        ('two-bars.toml"', 'two-bars.toml"\n[[session]]\ndo = "lissen"', 15, 'mean "listen"?'),
        ('two-bars.toml"', 'two-bars.toml"\n[[session]]\ndo = "key"\npasses = 0', 16, "1 to 32"),
        ('two-bars.toml"', 'two-bars.toml"\n[[session]]\npasses = 2', 14, "do"),
    ],
)
def test_a_mistake_is_told_at_its_place(
    tmp_path: Path, old: str, new: str, line: int, message: str
) -> None:
    assert old in LESSON
    path = written(tmp_path, LESSON.replace(old, new))
    with pytest.raises(TextFileError) as caught:
        read_lesson(path)
    told = [problem for problem in caught.value.problems if message in problem.message]
    assert told, str(caught.value)
    assert told[0].line == line


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('"two-bars.toml"', '"{}"', 13),
        ('"turnaround-loop"', '"{}.toml"', 6),
        ('"two-bars.toml"', '"two-bars.toml"\ntake = "{}.wav"', 14),
    ],
)
def test_a_name_that_is_too_long(tmp_path: Path, old: str, new: str, line: int) -> None:
    path = written(tmp_path, LESSON.replace(old, new.format("A" * 300)))
    with pytest.raises(TextFileError) as told:
        read_lesson(path)
    (message,) = str(told.value).splitlines()
    assert message.startswith(f"{path}:{line}:")
    assert len(message) < len(str(path)) + 500


def test_thousands_of_phrases_are_refused_at_once(tmp_path: Path) -> None:
    path = written(tmp_path, 'title = "x"\n' + '[[phrase]]\nfile = "lamp-oil"\n' * 5000)
    with pytest.raises(TextFileError, match=r"402:.*a lesson has 200 phrases at most") as told:
        read_lesson(path)
    assert len(str(told.value).splitlines()) == 1


def test_a_link_out_of_the_folder(tmp_path: Path) -> None:
    outside = tmp_path / "elsewhere.toml"
    outside.write_text(PHRASE, encoding="utf-8")
    path = written(tmp_path / "in", LESSON.replace("two-bars", "link"))
    (tmp_path / "in" / "link.toml").symlink_to(outside)
    with pytest.raises(TextFileError, match="leads out of the lesson's folder"):
        read_lesson(path)


@pytest.mark.parametrize("word", ["..", "a/../../b", "/a", "a\0b"])
def test_inside(tmp_path: Path, word: str) -> None:
    with pytest.raises(ChoiceError, match="leads out"):
        inside(tmp_path, word)
    assert inside(tmp_path, "a/b.wav") == tmp_path / "a" / "b.wav"


def test_a_phrase_files_own_mistake(tmp_path: Path) -> None:
    path = written(tmp_path, phrase=PHRASE.replace("B5 & G7", "B5 & G77"))
    with pytest.raises(TextFileError) as caught:
        read_lesson(path)
    assert caught.value.name.endswith("two-bars.toml")


def test_a_groove_of_the_teachers_own(tmp_path: Path) -> None:
    phrase = PHRASE.replace('"shuffle"', '"mine.toml"')
    path = written(tmp_path, phrase=phrase)
    with pytest.raises(TextFileError, match=r"mine\.toml: there is no such file"):
        read_lesson(path)
    (tmp_path / "mine.toml").write_text("title = 1", encoding="utf-8")
    lesson = read_lesson(path)
    assert lesson.studies[0].versions[0][1].groove == str(tmp_path / "mine.toml")
    with pytest.raises(BluesError, match=r"mine\.toml"):
        check_files(lesson)


def test_a_lesson_that_makes_nothing(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON.replace("choruses", "make = []\nchoruses"))
    with pytest.raises(TextFileError, match="makes nothing"):
        check_files(lesson)
