"""The examples run and make what they say."""

from __future__ import annotations

import re
import runpy
from pathlib import Path
from xml.etree import ElementTree

import pytest

import backing
from backing.grooves import groove_names
from backing.lesson.items import check_items, sounds
from backing.lesson.lesson import read_lesson
from soundfonts.find import GAIN, how_to_get

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(autouse=True)
def _as_scripts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the scripts find the module that they share, which lies beside them."""
    monkeypatch.syspath_prepend(str(EXAMPLES))


def test_make_demo_writes_six_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    script = runpy.run_path(str(EXAMPLES / "make_demo.py"))
    # The lesson takes half a minute; tests/backing/lesson makes one, the last test here reads it.
    script["main"].__globals__["make_whole_lesson"] = lambda out: 0
    # As sound the pieces take time; the README's Python, tried beside this, writes one.
    kept = backing.write
    monkeypatch.setattr(
        backing, "write", lambda piece, files: [kept(piece, files[0]), files[1].write_bytes(b"")]
    )
    assert script["main"](tmp_path / "out") == 0
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == [
        "backing.mid", "backing.wav", "demo.mid", "demo.wav", "loop.mid", "loop.wav"
    ]  # fmt: skip
    said = capsys.readouterr().out
    assert "Try next:" in said
    assert "loud headphones" in said
    assert "soundfont" not in said  # the variable names one
    monkeypatch.delenv("BACKING_SOUNDFONT")
    monkeypatch.setattr("soundfonts.find.SYSTEM_FOLDERS", ())
    script["main"].__globals__["make_pieces"] = lambda out: 0
    script["main"](tmp_path / "out")
    assert f"gives {GAIN}:\n    {how_to_get()}\n" in capsys.readouterr().out


def test_the_repertoire_shows_every_groove() -> None:
    page = (EXAMPLES / "repertoire.md").read_text(encoding="utf-8")
    for name in groove_names():
        assert f"(`{name}`)" in page
        ElementTree.parse(EXAMPLES / "repertoire" / f"{name}.svg")
    # Loudness and true peak as measured on the written files: BS.1770, -16 LUFS and -1 dBTP.
    loud = [float(found) for found in re.findall(r"loudness (-[\d.]+) LUFS", page)]
    peaks = [float(found) for found in re.findall(r"true peak (-[\d.]+) dBTP", page)]
    assert len(loud) == len(peaks) == len(groove_names())
    assert all(abs(found + 16) <= 0.5 for found in loud)
    assert max(peaks) <= -1.0


def test_a_picture_of_the_repertoire_is_up_to_date(tmp_path: Path, soundfont: Path) -> None:
    row = runpy.run_path(str(EXAMPLES / "make_repertoire.py"))["row"]
    row("two-beat", tmp_path, tmp_path)
    kept = (EXAMPLES / "repertoire" / "two-beat.svg").read_text(encoding="utf-8")
    made = (tmp_path / "two-beat.svg").read_text(encoding="utf-8")
    assert made == kept, "run examples/make_repertoire.py"


def test_the_picture_is_up_to_date_and_parses(tmp_path: Path) -> None:
    main = runpy.run_path(str(EXAMPLES / "make_picture.py"))["main"]
    main(tmp_path / "p.svg")
    text = (tmp_path / "p.svg").read_text(encoding="utf-8")
    ElementTree.fromstring(text)
    kept = (EXAMPLES / "porch-light.svg").read_text(encoding="utf-8")
    assert text == kept, "run examples/make_picture.py"


def test_the_lesson_can_be_made() -> None:
    lesson = read_lesson(EXAMPLES / "lesson" / "lesson.toml")
    items = sounds(lesson)
    check_items(lesson, items)
    assert {item.kind for item in items} == {"demo", "loop", "trade", "backing"}
    assert len(lesson.studies) == 2
