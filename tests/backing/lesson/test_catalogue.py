"""Many lessons at once: what is alike is rendered once, and everything is told before."""

from __future__ import annotations

import contextlib
import html.parser
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from backing.cli import main
from backing.cli.lesson_command import _time
from backing.lesson import catalogue, workers
from backing.lesson.catalogue import INDEX, estimate, folders, make_catalogue, warnings
from backing.lesson.data import Lesson
from backing.lesson.items import Item, file_digest
from backing.lesson.lesson import read_lesson
from backing.lesson.make import MANIFEST, Progress
from backing.lesson.records import HIDDEN
from backing.output import OutputError
from phrases.replacing import ReplaceError
from tests.backing.lesson.material import LESSON, written

SMALL = 'make = ["backing", "sheet"]\n' + LESSON.replace('["wav"]', '["mp3"]')
OTHER = SMALL.replace("Small lesson", "Another <lesson>")


@contextlib.contextmanager
def quiet(_number: int, _lesson: Lesson) -> Iterator[Progress]:
    yield lambda *_: None


def two(folder: Path) -> list[Lesson]:
    """Return two lessons with one phrase each that ask for the same band."""
    first = written(folder, SMALL)
    other = first.with_name("other.toml")
    other.write_text(OTHER, encoding="utf-8")
    return [read_lesson(first), read_lesson(other)]


@pytest.fixture
def rendered(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    names: list[str] = []
    make = workers._make

    def noted(item: Item, *more: Any) -> Any:
        names.append(item.name)
        return make(item, *more)

    monkeypatch.setattr(workers, "_make", noted)
    return names


def made(lessons: list[Lesson], folder: Path) -> list[Any]:
    return make_catalogue(lessons, folder, None, 1, quiet)


def test_the_same_band_is_rendered_once(tmp_path: Path, rendered: list[str]) -> None:
    out = tmp_path / "out"
    results = made(two(tmp_path), out)
    once = len(rendered)
    assert once == len(set(rendered)) > 0
    sounds = [sorted(p for p in r.files if p.endswith((".mp3", ".mid"))) for r in results]
    assert len(sounds[0]) == len(sounds[1]) > 0
    for one, other in zip(*sounds, strict=True):
        first, second = results[0].folder / one, results[1].folder / other
        assert file_digest(first) == file_digest(second)
        assert first.stat().st_ino != second.stat().st_ino  # nobody edits the one in the other
    assert results[1].seconds == 0
    again = made(two(tmp_path), out)
    assert len(rendered) == once
    assert [r.made for r in again] == [(), ()]


def test_a_copy_that_is_gone_is_made_again(tmp_path: Path, rendered: list[str]) -> None:
    shared = catalogue.Shared()
    shared.add("told", {".mp3": tmp_path / "gone.mp3"}, {})
    assert shared.copied("told", tmp_path) is None
    assert shared.copied("other", tmp_path) is None


class Links(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if tag == "a" and name == "href"]


def test_a_page_and_a_manifest_lead_to_every_lesson(tmp_path: Path) -> None:
    out = tmp_path / "out"
    results = made(two(tmp_path), out)
    words = ["lesson", str(tmp_path / "lesson.toml"), str(tmp_path / "other.toml"), "--dry-run"]
    shown = CliRunner().invoke(main, words).stdout.splitlines()
    there = (path.relative_to(out) for path in out.rglob("*") if path.is_file())
    listed = sorted(str(path) for path in there if HIDDEN not in path.parts)
    assert sorted(line.split(" MB  ")[1] for line in shown) == listed
    text = (out / INDEX).read_text(encoding="utf-8")
    links = Links()
    links.feed(text)
    assert links.found
    assert all((out / link).is_file() for link in links.found)
    assert ">Another &lt;lesson&gt;</a>" in text
    told = json.loads((out / MANIFEST).read_text(encoding="utf-8"))
    for row, result in zip(told["lessons"], results, strict=True):
        assert out / row["folder"] == result.folder
        assert row["manifest"] == file_digest(result.folder / MANIFEST)
        assert row["files"] == len(result.files)


def test_a_page_of_somebody_s_own_is_not_written_over(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / INDEX).write_text("mine", encoding="utf-8")
    with pytest.raises(ReplaceError):
        made(two(tmp_path), out)
    assert [path.name for path in out.iterdir()] == [INDEX]


def test_two_lessons_of_one_name_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    lessons = [read_lesson(written(tmp_path, SMALL)), read_lesson(written(tmp_path / "a", SMALL))]
    with pytest.raises(OutputError, match=r"two lessons would lie in"):
        folders(lessons)


def test_what_it_takes_is_told_before_within_a_third(tmp_path: Path) -> None:
    """Against the files that are made: sizes as they are, whatever the formats."""
    text = 'make = ["backing", "loop"]\n' + LESSON.replace('["wav"]', '["wav", "mp3"]')
    lesson = read_lesson(written(tmp_path, text))
    told = dict(estimate(lesson).files)
    from backing.lesson.make import make_lesson

    result = make_lesson(lesson, tmp_path / "out", processes=1)
    sounds = [path for path in result.files if path.endswith((".wav", ".mp3"))]
    assert set(sounds) <= set(told)
    for suffix in (".wav", ".mp3"):
        paths = [path for path in sounds if path.endswith(suffix)]
        size = sum((result.folder / path).stat().st_size for path in paths)
        assert sum(told[path] for path in paths) == pytest.approx(size, rel=1 / 3)


def test_what_was_made_elsewhere_takes_no_time(tmp_path: Path) -> None:
    first, second = two(tmp_path)
    one = estimate(first)
    assert one.seconds > 0
    assert estimate(second, one.digests).seconds == 0


def test_heavy_pages_and_folders_are_told_before(tmp_path: Path) -> None:
    page = catalogue.Estimate((("a/a_practice.html", 13_000_000),), 0.0)
    heavy = catalogue.Estimate((("a.wav", 2_100_000_000),), 0.0)
    assert [re.sub(r";.*", "", text) for text in warnings({"x": page, "y": heavy})] == [
        "x/a/a_practice.html: the page will have about 13 MB",
        "the folder will have about 2.1 GB",
    ]
    assert list(warnings({"x": catalogue.Estimate((("a.html", 11_000_000),), 0.0)})) == []


@pytest.mark.parametrize(
    ("seconds", "said"), [(4, "4 s"), (90, "90 s"), (200, "3 min"), (5400, "1 h 30 min")]
)
def test_times_are_told_as_people_say_them(seconds: float, said: str) -> None:
    assert _time(seconds) == said
