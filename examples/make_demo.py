"""Make the demo: a backing, a demo and a practice loop, as MIDI and WAV, and a whole lesson.

`make demo` runs this. It shows the Python interface; the commands do the same.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import backing
from backing.lesson.lesson import read_lesson
from backing.lesson.make import make_lesson
from soundfonts import find_soundfont
from soundfonts.find import GAIN, how_to_get

HERE = Path(__file__).parent
OUT = HERE.parent / "out"
PHRASE = HERE / "porch-light.toml"
LESSON = HERE / "lesson" / "lesson.toml"


def main(out: Path = OUT) -> int:
    """Write everything into a folder; return an exit code."""
    code = make_pieces(out) or make_whole_lesson(out)
    if not code:
        print(
            "Start with the volume low: loud headphones can damage hearing.\n"
            "Try next:\n"
            "    .venv/bin/backing demo examples/porch-light.toml --key C --tempo 80 "
            "-o out/in-c.wav\n"
            "    .venv/bin/backing loop lamp-oil --from 40 --to 56 --step 4 -o out/slow.wav\n"
            "    .venv/bin/backing new my-lesson --lesson\n"
            "    .venv/bin/backing --help"
        )
        if find_soundfont().origin == "wheel":
            print(f"A larger soundfont gives {GAIN}:\n    {how_to_get()}")
    return code


def make_pieces(out: Path) -> int:
    """Write three pieces of one phrase; return an exit code."""
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
    return 0


def make_whole_lesson(out: Path) -> int:
    """Make the lesson of the examples; return an exit code."""
    began = time.perf_counter()
    try:
        lesson = read_lesson(LESSON)
        result = make_lesson(lesson, out / "lesson")
    except backing.BluesError as error:
        print(f"lesson: {error}", file=sys.stderr)
        return 1
    took = time.perf_counter() - began
    here = out.relative_to(out.parent) / "lesson"
    print(
        f'{here}\n    the lesson "{lesson.title}": {len(result.files)} files, '
        f"{len(result.made)} made in {took:.1f} s"
    )
    for path in result.files:
        if path.endswith(".html"):
            what = "a page that leads to all of it" if path == "index.html" else "a practice page"
            print(f"{here / path}\n    {what}: open it in a browser")
    return 0


if __name__ == "__main__":
    sys.exit(main())
