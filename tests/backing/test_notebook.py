"""A piece in a notebook, and the notebook that lies in the examples.

The format is nbformat 4.5 (jupyter.org); what a cell shows is its last expression.
"""

from __future__ import annotations

import ast
import base64
import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
import soundfile

import backing

EXAMPLES = Path(__file__).parents[2] / "examples"
NOTEBOOK = json.loads((EXAMPLES / "practice.ipynb").read_text(encoding="utf-8"))


def shown(source: str, names: dict[str, Any]) -> Any:
    """Run a cell and return its last expression, as a notebook does."""
    *before, last = ast.parse(source).body
    exec(compile(ast.Module(before, []), "cell", "exec"), names)
    assert isinstance(last, ast.Expr)
    return eval(compile(ast.Expression(last.value), "cell", "eval"), names)


def test_every_cell_of_the_example_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(EXAMPLES)
    monkeypatch.setattr("backing.notebook._player", lambda _: "<audio>")  # heard below, once
    assert (NOTEBOOK["nbformat"], NOTEBOOK["nbformat_minor"]) == (4, 5)
    names: dict[str, Any] = {}
    pieces = 0
    for cell in NOTEBOOK["cells"]:
        assert re.fullmatch(r"[\w-]{1,64}", cell["id"])
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            value = shown("".join(cell["source"]), names)
            pieces += hasattr(value, "_repr_html_")
            assert not hasattr(value, "_repr_html_") or "<svg" in value._repr_html_()
    assert pieces == 3


def test_a_piece_is_seen_and_heard() -> None:
    piece = backing.track(form="turnaround-loop", choruses=1, tempo=130, ending="none")
    html = piece._repr_html_()
    assert "Ride shuffle" in html
    assert "Start with the volume low" in html
    found = re.search(r'src="data:audio/mpeg;base64,([^"]+)"', html)
    assert found is not None
    info = soundfile.info(io.BytesIO(base64.b64decode(found[1])))
    assert info.duration == pytest.approx(float(piece.seconds), abs=4)  # it rings on
    assert html.count("<rect") > 10


def test_where_no_sound_can_be_made_it_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BACKING_SOUNDFONT", "/nowhere.sf2")
    html = backing.track(choruses=1)._repr_html_()
    assert "/nowhere.sf2" in html
    assert "<audio" not in html
    assert "<svg" in html


def test_a_piece_plays_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    played: list[Any] = []
    monkeypatch.setattr(backing, "play", lambda stream, **ways: played.append(ways))
    backing.track(choruses=1).play(card="USB")
    assert played == [{"card": "USB"}]


def test_the_version_is_the_package_s() -> None:
    from importlib.metadata import version

    assert backing.__version__ == version("porchband")
