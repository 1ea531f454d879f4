"""Draw the first bars of the demo as pitch against time, from the same stream that sounds.

Writes `porch-light.svg` beside this script; the README shows it.
"""

from __future__ import annotations

from pathlib import Path

import backing
from backing.roll import Roll

HERE = Path(__file__).parent


def main(target: Path = HERE / "porch-light.svg") -> None:
    """Write the picture."""
    stream = backing.demo(HERE / "porch-light.toml", choruses=1)
    title = f"{stream.title}, in {stream.key}: the first bars of the demo"
    target.write_text(Roll(stream, 0, 21).svg(title), encoding="utf-8")


if __name__ == "__main__":
    main()
