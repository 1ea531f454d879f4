"""Make the demo: from one phrase file, a backing, a demo and a practice loop, as MIDI and WAV.

`make demo` runs this. It shows the Python interface; the commands do the same.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import backing

HERE = Path(__file__).parent
OUT = HERE.parent / "out"
PHRASE = HERE / "porch-light.toml"


def main(out: Path = OUT) -> int:
    """Write everything into a folder; return an exit code."""
    out.mkdir(parents=True, exist_ok=True)
    phrase = backing.load_phrase(PHRASE)
    pieces = {
        "backing": (
            "the band alone: two choruses to play over",
            backing.track(key=str(phrase.key), groove=phrase.groove, tempo=phrase.tempo),
        ),
        "demo": ("the phrase over the band", backing.demo(phrase)),
        "loop": (
            "the phrase over its own four bars, two passes at each tempo",
            backing.loop(phrase, start=60, goal=phrase.tempo, step=12),
        ),
    }
    for name, (what, piece) in pieces.items():
        began = time.perf_counter()
        files = [out / f"{name}.mid", out / f"{name}.wav"]
        try:
            backing.write(piece, files)
        except backing.BluesError as error:
            print(f"{name}: {error}", file=sys.stderr)
            return 1
        minutes, seconds = divmod(round(float(piece.seconds)), 60)
        took = time.perf_counter() - began
        shown = " and ".join(str(file.relative_to(out.parent)) for file in files)
        print(f"{shown}\n    {what}; {minutes}:{seconds:02d} long, made in {took:.1f} s")
    print(
        "Start with the volume low: loud headphones can damage hearing.\n"
        "Try next:\n"
        "    .venv/bin/backing demo examples/porch-light.toml --key C --tempo 80 -o out/in-c.wav\n"
        "    .venv/bin/backing loop lamp-oil --from 40 --to 56 --step 4 -o out/slow.wav\n"
        "    .venv/bin/backing --help"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
