"""How loud each part is: `python -m benchmarks.levels`, into LEVELS.md. It takes half an hour.

A cell is in LU: by how much a part is louder in the band on strings and wheels than sampled, with
the small soundfont and with a large one, and by how much with the large one than with the small.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

from backing import pieces
from backing.grooves import groove_names
from backing.sound.synth import PARTS
from benchmarks.timed import wheel_soundfont
from tests.backing.sound.voices.levels import levels

RESULTS = Path(__file__).with_name("LEVELS.md")
LARGE = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")  # Debian: fluid-soundfont-gm
KINDS = {
    "track": partial(pieces.track, choruses=1),
    "demo": partial(pieces.demo, "lamp-oil", choruses=1),
    "organ": partial(pieces.track, choruses=1, comp="organ"),
    "guitar": partial(pieces.track, choruses=1, comp="guitar"),
}
HEAD = """# How loud each part is

Written by `python -m benchmarks.levels`, in LU: on strings and wheels against sampled, with the
small soundfont (TimGM6mb) and the large one (FluidR3), and the large one against the small one
with strings and sampled. Organ and guitar are tracks with those. Wanted: 1.

| groove | piece | part | small | large | strings | sampled |
|---|---|---|---|---|---|---|"""


def rows(case: tuple[str, str]) -> list[tuple[str, tuple[float, ...]]]:
    """Return the cells of each part of a piece."""
    groove, kind = case
    stream = KINDS[kind](groove=groove)
    small, large = (
        [levels(replace(stream, voice=voice), font) for voice in ("strings", "soundfont")]
        for font in (Path(wheel_soundfont()), LARGE)
    )
    pairs = (small, large, (large[0], small[0]), (large[1], small[1]))
    return [
        (part, tuple(one[part] - other[part] for one, other in pairs))
        for part in PARTS
        if part in small[0]
    ]


def _lines(grooves: list[str]) -> Iterator[str]:
    cases = [(groove, kind) for groove in grooves for kind in KINDS]
    most: dict[str, tuple[float, ...]] = {}
    over = [0] * 4
    count = 0
    with ProcessPoolExecutor(2) as pool:
        for (groove, kind), found in zip(cases, pool.map(rows, cases), strict=True):
            for part, cells in found:
                yield _row((groove, kind, part), [f"{cell:+.1f}" for cell in cells])
                each = zip(most.get(part, cells), cells, strict=True)
                most[part] = tuple(max(abs(a), abs(b)) for a, b in each)
                over = [n + (abs(cell) > 1.05) for n, cell in zip(over, cells, strict=True)]
                count += 1
    for part, cells in most.items():
        yield _row(("all, at most", "", part), [f"{cell:.1f}" for cell in cells])
    yield _row((f"more than 1, of {count}", "", ""), map(str, over))


def _row(of: Iterable[str], cells: Iterable[str]) -> str:
    return f"| {' | '.join([*of, *cells])} |"


def main() -> None:
    """Write LEVELS.md."""
    grooves = sys.argv[1:] or list(groove_names())
    lines = [HEAD]
    for line in _lines(grooves):
        print(line, file=sys.stderr, flush=True)
        lines.append(line)
    if not sys.argv[1:]:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
