from __future__ import annotations

import re
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import pytest
from PIL import ImageFont

import backing
from backing.forms.turnarounds import TURNAROUNDS
from backing.roll import Roll

TEXT = re.compile(r'<text x="([\d.]+)" y="([\d.]+)" text-anchor="start"[^>]*>([^<]+)</text>')


@pytest.mark.parametrize("key", ["F#", "Db", "A minor", "G# minor"])
def test_the_names_of_dense_turnarounds_do_not_touch(key: str) -> None:
    """In a wide serif of 12 px, the one that comes with matplotlib."""
    spec = find_spec("matplotlib")
    assert spec is not None
    assert spec.origin is not None
    path = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / "DejaVuSerif.ttf"
    font = ImageFont.truetype(str(path), 12)
    for turnaround in TURNAROUNDS["minor" if "minor" in key else "major"]:
        stream = backing.track(key=key, turnaround=turnaround, choruses=1, ending="none")
        rows: dict[float, list[tuple[float, float]]] = {}
        for x, y, text in TEXT.findall(Roll(stream, 4, 48).svg("")):
            rows.setdefault(float(y), []).append((float(x), float(x) + font.getlength(text)))
        assert sum(map(len, rows.values())) >= 12
        for row in rows.values():
            row.sort()
            assert all(end < begin for (_, end), (begin, _) in pairwise(row))
