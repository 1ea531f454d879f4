"""The examples run and make what they say."""

from __future__ import annotations

import runpy
from pathlib import Path
from xml.etree import ElementTree

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"


def test_make_demo_writes_six_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main = runpy.run_path(str(EXAMPLES / "make_demo.py"))["main"]
    assert main(tmp_path / "out") == 0
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == [
        "backing.mid", "backing.wav", "demo.mid", "demo.wav", "loop.mid", "loop.wav"
    ]  # fmt: skip
    said = capsys.readouterr().out
    assert "Try next:" in said
    assert "loud headphones" in said


def test_the_picture_is_up_to_date_and_parses(tmp_path: Path) -> None:
    main = runpy.run_path(str(EXAMPLES / "make_picture.py"))["main"]
    main(tmp_path / "p.svg")
    text = (tmp_path / "p.svg").read_text(encoding="utf-8")
    ElementTree.fromstring(text)
    kept = (EXAMPLES / "porch-light.svg").read_text(encoding="utf-8")
    assert text == kept, "run examples/make_picture.py"
