"""The SVG looks the same in viewers that share no code: a browser, librsvg, and typst's resvg."""

from __future__ import annotations

import shutil
import subprocess
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from backing.forms import find_form
from backing.sheet.page import Paper, chart_page, sheet
from phrases.files import load_phrase
from phrases.hands import suggest
from phrases.pitch import parse_key
from tests.waiting import PATIENCE

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
RSVG = shutil.which("rsvg-convert")
WIDE = 1800  # pixels
BLOCK = 12  # pixels
MOST = 25.0  # of 255, between two blocks; what a missing sign exceeds, and smoothing does not
FORM = find_form("twelve-bar")

Grey = NDArray[Any]


def grey(png: bytes) -> Grey:
    """Return a picture on white, 255 for white."""
    image = Image.open(BytesIO(png)).convert("RGBA")
    paper = Image.new("RGBA", image.size, "white")
    paper.alpha_composite(image)
    return np.asarray(paper.convert("L"), dtype=float)


def in_typst(svg: bytes, folder: Path) -> Grey:
    import typst

    (folder / "s.svg").write_bytes(svg)
    (folder / "s.typ").write_text(
        f'#set page(width: {WIDE}pt, height: auto, margin: 0pt)\n#image("s.svg", width: 100%)'
    )
    made = typst.compile(folder / "s.typ", format="png", ppi=72.0)
    assert isinstance(made, bytes)
    return grey(made)


def in_librsvg(svg: bytes, folder: Path) -> Grey:
    assert RSVG is not None
    done = subprocess.run([RSVG, "-w", str(WIDE)], input=svg, capture_output=True, check=True)
    return grey(done.stdout)


def in_browser(svg: bytes, folder: Path, tall: int) -> Grey:
    assert CHROMIUM is not None
    (folder / "s.svg").write_bytes(svg)
    style = f"width:{WIDE}px;display:block"
    (folder / "s.html").write_text(f'<body style="margin:0"><img src="s.svg" style="{style}">')
    subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--disable-background-networking", "--hide-scrollbars",
            f"--user-data-dir={folder / 'browser'}", f"--window-size={WIDE},{tall}",
            f"--screenshot={folder / 's.png'}", (folder / "s.html").as_uri(),
        ],
        check=True, capture_output=True, timeout=PATIENCE,
    )  # fmt: skip
    return grey((folder / "s.png").read_bytes())


def apart(one: Grey, other: Grey) -> float:
    """Return by how much two pictures differ in the block in which they differ most.

    What lies between the darkest and the lightest pixel around the same place does not differ.
    """
    tall = min(one.shape[0], other.shape[0]) // BLOCK * BLOCK
    return max(_beyond(one[:tall], other[:tall]), _beyond(other[:tall], one[:tall]))


def _beyond(one: Grey, other: Grey) -> float:
    around = [np.roll(other, (y, x), (0, 1)) for y in (-1, 0, 1) for x in (-1, 0, 1)]
    darkest, lightest = np.min(around, axis=0), np.max(around, axis=0)
    apart = np.maximum(0.0, np.maximum(darkest - one, one - lightest))
    tall, wide = one.shape[0] // BLOCK, WIDE // BLOCK
    return float(apart.reshape(tall, BLOCK, wide, BLOCK).mean((1, 3)).max())


def svg_of(what: str) -> bytes:
    if what == "chart":
        return chart_page(find_form("quick-change"), parse_key("Bb"), kind="svg")
    return sheet(suggest(load_phrase(what)), FORM, Paper(left_handed=True), kind="svg")


@pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium")
@pytest.mark.parametrize("what", ["quarry-pond", "chart"])
def test_every_viewer_shows_the_same(what: str, tmp_path: Path) -> None:
    svg = svg_of(what)
    seen = in_typst(svg, tmp_path)
    shown = in_browser(svg, tmp_path, seen.shape[0])
    assert abs(seen.shape[0] - shown.shape[0]) <= 1
    assert apart(seen, shown) < MOST
    # A picture that lacks one fret number, or any other glyph, would be told.
    holed = shown.copy()
    dark = np.argwhere(holed[: holed.shape[0] // 2] < 60)
    y, x = (int(n) for n in dark[len(dark) // 2])
    holed[max(0, y - 8) : y + 8, max(0, x - 8) : x + 8] = 255
    assert apart(seen, holed) > MOST
    if RSVG is not None:
        assert apart(in_librsvg(svg, tmp_path), shown) < MOST
