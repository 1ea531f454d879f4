"""Time whole commands side by side: `make bench`.

Each pair is run in turn, A B A B, after one warm-up; the figures are medians of wall seconds and
the median of the ratios pair by pair. All audio uses the soundfont of the pretty_midi wheel.
"""

from __future__ import annotations

import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

RESULTS = Path(__file__).parent / "RESULTS.md"
RUNS = 5
PHRASE = str(Path(__file__).parents[1] / "examples" / "porch-light.toml")
TWELVE = ["track", "--key", "Bb", "--form", "quick-change", "--tempo", "112", "--choruses", "12"]

# Eight tempos, five passes at each.
FORTY = ["loop", "porch", "--from", "60", "--to", "95", "--step", "5", "--each", "5"]
DEMO = ["demo", "lamp-oil", "--choruses", "12"]


def wheel_soundfont() -> str:
    """Return the soundfont inside the pretty_midi wheel."""
    spec = find_spec("pretty_midi")
    assert spec is not None
    assert spec.origin is not None
    return str(Path(spec.origin).parent / "TimGM6mb.sf2")


def seconds(command: list[str]) -> float:
    """Return the wall seconds of a command that must succeed."""
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - began


def pair(ours: list[str], other: list[str]) -> tuple[float, float, float]:
    """Return median seconds of both and the median ratio, run in turn."""
    seconds(ours), seconds(other)
    rows = [(seconds(ours), seconds(other)) for _ in range(RUNS)]
    ratios = [a / b for a, b in rows]
    first, second = zip(*rows, strict=True)
    return statistics.median(first), statistics.median(second), statistics.median(ratios)


def row(what: str, than: str, figures: tuple[float, float, float], limit: str) -> str:
    """Return a table row."""
    ours, other, ratio = figures
    return f"| {what} | {ours:.3f} | {than} | {other:.3f} | {ratio:.2f} | {limit} |"


def main() -> int:
    """Run the benchmarks, print and keep their table."""
    bare = shutil.which("fluidsynth")
    if bare is None:
        print(
            "the fluidsynth command is needed (Debian: apt-get install fluidsynth)",
            file=sys.stderr,
        )
        return 1
    backing = str(Path(sys.executable).with_name("backing"))
    font = wheel_soundfont()
    os.environ["BACKING_SOUNDFONT"] = font
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        midi, wav, raw = (str(Path(folder) / name) for name in ("t.mid", "t.wav", "bare.wav"))
        save = f"import mido; f = mido.MidiFile({midi!r}); f.save({midi + '2'!r})"
        seconds([backing, *TWELVE, "-o", midi])
        render = [bare, "-ni", "-F", raw, font, midi]
        figures = pair([backing, *TWELVE, "-o", wav], render)
        rows.append(row("12 choruses to WAV", "`fluidsynth -F`, same MIDI", figures, "1.5"))
        seconds([backing, *DEMO, "-o", midi])
        figures = pair([backing, *DEMO, "-o", wav], render)
        rows.append(
            row("12 choruses of a demo to WAV", "`fluidsynth -F`, same MIDI", figures, "-")
        )
        figures = pair([backing, *DEMO, "-o", midi], [sys.executable, "-c", save])
        rows.append(row("12 choruses of a demo to MIDI", "mido loads and saves it", figures, "-"))
        loop = [PHRASE if word == "porch" else word for word in FORTY]
        seconds([backing, *loop, "-o", midi])
        figures = pair([backing, *loop, "-o", wav], render)
        what = "a loop of 40 passes at 8 tempos to WAV"
        rows.append(row(what, "`fluidsynth -F`, same MIDI", figures, "0.35"))
        sheet = str(Path(folder) / "s.pdf")
        figures = pair([backing, "sheet", PHRASE, "-o", sheet], [sys.executable, "-c", "pass"])
        rows.append(row("a sheet to PDF", "bare Python", figures, "1 s"))
        seconds([backing, *TWELVE, "-o", midi])
        figures = pair([backing, *TWELVE, "-o", midi], [sys.executable, "-c", save])
        rows.append(row("12 choruses to MIDI", "mido loads and saves it", figures, "0.5 s"))
        figures = pair([backing, "--help"], [sys.executable, "-c", "import click"])
        rows.append(row("`backing --help`", "`import click`", figures, "-"))
    head = (
        f"# Results\n\nWritten by `make bench`: {RUNS} runs of each, in turn, medians.\n\n"
        f"Python {platform.python_version()}, {platform.system()} {platform.machine()}, "
        f"{os.cpu_count()} cores; mido {version('mido')}, click {version('click')}, "
        f"pyfluidsynth {version('pyfluidsynth')}.\n\n"
        "| what | seconds | beside | seconds | ratio | limit |\n|---|---|---|---|---|---|\n"
    )
    text = head + "\n".join(rows) + "\n"
    RESULTS.write_text(text, encoding="utf-8")
    print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
