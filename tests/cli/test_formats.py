"""Each row of the table of formats: made by its command, told of, refused by the others."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import soundfile
from click.testing import CliRunner

from backing.cli import main
from backing.formats import CHARTS, FILMS, FORMATS, REVIEWS, SHEETS, STRIPS

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
# A chorus of two bars of four beats at 240 beats a minute: a bar lasts a second.
SHORT = "track --form turnaround-loop --choruses 1 --tempo 240"
# Which kinds of file each command writes.
WRITES = {
    SHORT: tuple(FORMATS),
    "demo lamp-oil": tuple(FORMATS),
    "loop lamp-oil": tuple(FORMATS),
    "trade lamp-oil": tuple(FORMATS),
    "sheet lamp-oil": SHEETS,
    "sheet --form quick-change": CHARTS,
    "hear take.wav lamp-oil": REVIEWS,
    "vary lamp-oil": (".toml", *CHARTS),
    "film lamp-oil": tuple(suffix for suffix in FILMS if suffix not in STRIPS),
    "film lamp-oil --strip": STRIPS,
}
EVERY = {suffix for kinds in WRITES.values() for suffix in kinds}
# How a file begins: Standard MIDI Files 1.0, RIFF, RFC 9639, RFC 3533, ID3v2, ISO 32000, XML 1.0.
BEGINS = {
    ".mid": b"MThd", ".wav": b"RIFF", ".flac": b"fLaC", ".ogg": b"OggS", ".opus": b"OggS",
    ".mp3": b"ID3", ".pdf": b"%PDF-", ".svg": b"<svg ", ".musicxml": b"<?xml ", ".txt": b"",
}  # fmt: skip


@pytest.mark.parametrize("words", [SHORT, "sheet lamp-oil", "sheet --form quick-change"])
def test_each_is_made(words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Films and reviews take their time: `tests/backing/film` and `listening` make them."""
    monkeypatch.chdir(tmp_path)
    outputs = [word for suffix in WRITES[words] for word in ("-o", f"x{suffix}")]
    result = CliRunner().invoke(main, [*words.split(), *outputs])
    assert result.exit_code == 0, result.output
    for suffix in WRITES[words]:
        file = tmp_path / f"x{suffix}"
        assert file.read_bytes().startswith(BEGINS[suffix]), suffix
        if words == SHORT and suffix != ".mid":
            # Count-in, two bars and an ending, and what rings on.
            assert 4.0 <= soundfile.info(file).duration <= 4.0 + 4.1
    assert ("loud headphones can damage hearing" in result.stderr) == (words == SHORT)


@pytest.mark.parametrize("words", WRITES)
def test_each_is_told_of(words: str) -> None:
    shown = CliRunner().invoke(main, [words.split()[0], "--help"]).output
    for suffix in WRITES[words]:
        assert re.search(rf"{re.escape(suffix)}\b", shown), suffix
        assert re.search(rf"{re.escape(suffix)}\b", README), suffix


@pytest.mark.parametrize("words", WRITES)
def test_each_is_refused_by_the_others(
    words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for suffix in sorted(EVERY - {*WRITES[words]}):
        result = CliRunner().invoke(main, [*words.split(), "-o", f"x{suffix}"])
        assert result.exit_code in (1, 2), result.output
        said = result.stderr.splitlines()[-1]
        assert suffix in said
        assert any(right in said for right in WRITES[words]), said
    assert list(tmp_path.iterdir()) == []
