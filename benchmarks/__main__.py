"""Measure the whole product: `make bench`, written to `RESULTS.md`.

Whole commands run in turn beside others, A B A B, after a warm-up; the figures are medians of wall
seconds and the median of the ratios pair by pair. All audio uses the soundfont of the pretty_midi
wheel. `python -m benchmarks quick` leaves out the minutes: the lesson, the growth and the hour;
`python -m benchmarks voices` measures the strings alone, in about three minutes, and writes
`VOICES.md`: the renders, the first live sound where there is a JACK server, and the hour.
"""

from __future__ import annotations

import json
import math
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from datetime import date
from importlib.metadata import version
from pathlib import Path

from benchmarks.timed import BACKING, RUNS, Figures, memory, pair, seconds, wheel_soundfont
from phrases.files import shipped

RESULTS = Path(__file__).parent / "RESULTS.md"
VOICES = RESULTS.with_name("VOICES.md")
HERE = Path(__file__).parents[1]
PHRASE = str(HERE / "examples" / "porch-light.toml")
TRACK = ["track", "--key", "Bb", "--form", "quick-change", "--tempo", "112"]
TWELVE = [*TRACK, "--choruses", "12"]
DEMO = ["demo", "lamp-oil", "--choruses", "12"]
LOOP = ["loop", PHRASE, "--from", "60", "--to", "95", "--step", "5", "--each", "5"]
HOUR = ["track", "--groove", "slow-blues", "--tempo", "48", "--choruses", "60"]
CHORUSES = (1, 2, 4, 8, 16, 32, 64)
LESSON = """title = "Measured"
[[phrase]]
file = "{phrase}"
keys = ["A", "C", "E"]
tempos = [60, 66, 72, 78, 84, 90]
"""

# Build and write, and save what was built, in one process and in turn.
MIDI = """
import io, statistics, time, mido, backing
from backing.midi import midi_bytes
def build():
    return midi_bytes(backing.track(key="Bb", form="quick-change", tempo=112, choruses=12))
file = mido.MidiFile(file=io.BytesIO(build()))
def save():
    file.save(file=io.BytesIO())
def timed(do):
    began = time.perf_counter(); do(); return time.perf_counter() - began
rows = [(timed(build), timed(save)) for _ in range(15)]
first, second = zip(*rows)
print(statistics.median(first), statistics.median(second),
      statistics.median(a / b for a, b in rows))
"""


def row(what: str, than: str, figures: Figures, limit: str) -> str:
    """Return a table row."""
    ours, other, ratio = figures
    return f"| {what} | {ours:.3f} | {than} | {other:.3f} | {ratio:.2f} | {limit} |"


def renders(folder: Path, runs: int = RUNS) -> Iterator[str]:
    """Yield the rows of what is rendered, beside the bare synthesiser on the exported MIDI."""
    midi, wav, raw = (str(folder / name) for name in ("t.mid", "t.wav", "bare.wav"))
    bare = ["fluidsynth", "-ni", "-F", raw, wheel_soundfont(), midi]
    for what, words, limit in (
        ("12 choruses to WAV, with the organ", [*TWELVE, "--comp", "organ"], "0.8"),
        ("the same with the guitar", [*TWELVE, "--comp", "guitar"], "1.2"),
        ("the same sampled", [*TWELVE, "--comp", "guitar", "--voice", "soundfont"], "-"),
        ("a loop of 40 passes at 8 tempos to WAV", LOOP, "0.5"),
        ("12 choruses of a demo to WAV", DEMO, "1.3"),
    ):
        if runs < RUNS and "soundfont" in words:
            continue
        plain = [word for word in words if word not in ("--voice", "soundfont")]  # MIDI has none
        seconds([BACKING, *plain, "-o", midi])
        figures = pair([BACKING, *words, "-o", wav], bare, runs)
        yield row(what, "`fluidsynth -F`, same MIDI", figures, limit)


def commands(folder: Path) -> Iterator[str]:
    """Yield the rows of what is quick."""
    python = [sys.executable, "-c"]
    found = subprocess.run([*python, MIDI], check=True, capture_output=True, text=True).stdout
    ours, other, ratio = map(float, found.split())
    yield row("12 choruses built and written as MIDI", "mido saves it", (ours, other, ratio), "7")
    midi = [BACKING, *TWELVE, "-o", str(folder / "t.mid")]
    yield row("the same as a command", "bare Python", pair(midi, [*python, "pass"]), "-")
    figures = pair([BACKING, "--help"], [*python, "import click"])
    yield row("`backing --help`", "`import click`", figures, "3")
    sheet = [BACKING, "sheet", PHRASE, "-o", str(folder / "s.pdf")]
    yield row("a sheet to PDF", "bare Python", pair(sheet, [*python, "pass"]), "1 s")
    names = list(shipped())[:30]
    thirty = [BACKING, "sheet", *names, "-o", str(folder / "sheets")]
    yield row("thirty sheets to PDF", "one of them", pair(thirty, sheet), "6 s")


# One of a film's frames as often as the film has frames, by the same encoder.
STILL = """
import sys, av
from backing.film.write import CODING
with av.open(sys.argv[1]) as film:
    count = film.streams.video[0].frames
    film.seek(30_000_000)
    frame = next(film.decode(video=0)).reformat(format="yuv420p")
with av.open(sys.argv[2], "w") as out:
    still = out.add_stream("libx264", rate=30, options=CODING["libx264"])
    still.width, still.height, still.pix_fmt = frame.width, frame.height, "yuv420p"
    for number in range(count):
        frame.pts = number
        out.mux(still.encode(frame))
    out.mux(still.encode(None))
"""


def films(folder: Path) -> Iterator[str]:
    """Yield the row of a film of a minute, beside the encoder alone."""
    film = str(folder / "f.mp4")
    words = [BACKING, "film", "loop", PHRASE, "--shape", "hold", "--to", "96", "--passes", "6"]
    still = [sys.executable, "-c", STILL, film, str(folder / "still.mp4")]
    seconds([*words, "-o", film])
    figures = pair([*words, "-o", film], still, 3)
    yield row("a film of 69 s, 1080p30", "x264 alone on a still frame", figures, "1.5")


def growth(folder: Path) -> Iterator[str]:
    """Yield how time and memory grow with the choruses."""
    yield "| choruses | seconds | MB |\n|---|---|---|"
    points = []
    for choruses in CHORUSES:
        words = [BACKING, *TRACK, "--choruses", str(choruses), "-o", str(folder / "g.wav")]
        taken = [memory(words) for _ in range(3)]
        points.append(
            (choruses, *(statistics.median(every) for every in zip(*taken, strict=True)))
        )
        yield f"| {choruses} | {points[-1][1]:.2f} | {points[-1][2]:.0f} |"
    yield ""
    for number, what in ((1, "time"), (2, "memory")):
        steep = _exponent([(point[0], point[number]) for point in points])
        late = _exponent([(point[0], point[number]) for point in points[-3:]])
        yield (
            f"Exponent of {what}: {steep:.2f} over all, {late:.2f} from 16 to 64 choruses "
            "(limit 1.05)."
        )
    yield from hour(folder)


def hour(folder: Path) -> Iterator[str]:
    """Yield the memory of an hour."""
    took, most = memory([BACKING, *HOUR, "-o", str(folder / "h.wav")])
    words = " ".join(HOUR)
    yield f"\nAn hour (`{words}`) to WAV: {took:.1f} s, at most {most:.0f} MB (limit 200)."


def first(_: Path) -> Iterator[str]:
    """Yield how soon commands sound on a sound card that is none."""
    from benchmarks.first_sound import first_sounds
    from benchmarks.timing import FIRST, server

    if shutil.which("jackd") is None:
        yield "Not measured: the jackd command is needed (Debian: apt-get install jackd2)."
        return
    yield FIRST.split("\n\n", 1)[1]
    with server():
        yield from first_sounds(None)


def _exponent(points: Sequence[tuple[float, float]]) -> float:
    """Return the slope of the straight line through points on two logarithmic axes."""
    places = [(math.log(x), math.log(y)) for x, y in points]
    return statistics.linear_regression(*zip(*places, strict=True)).slope


def lesson(folder: Path) -> Iterator[str]:
    """Yield the time of a lesson beside the bare renders of every MIDI file in it."""
    file, made = folder / "lesson.toml", folder / "lesson"
    shutil.copy(PHRASE, folder / "phrase.toml")  # a lesson reads nothing outside its folder
    file.write_text(LESSON.format(phrase="phrase.toml"), encoding="utf-8")
    ours = seconds([BACKING, "lesson", str(file), "-o", str(made)])
    again = seconds([BACKING, "lesson", str(file), "-o", str(made)])
    midi = sorted(made.rglob("*.mid"))
    bare = [
        sum(
            seconds(["fluidsynth", "-ni", "-r", rate, "-F", str(folder / "bare.wav"),
                     wheel_soundfont(), str(path)])
            for path in midi
        )
        for rate in ("44100", "48000")
    ]  # fmt: skip
    yield (
        f"1 phrase, 3 keys, 6 tempos: {ours:.1f} s. The bare renders of its {len(midi)} MIDI "
        f"files, one after another: {bare[0]:.1f} s at 44100 frames a second, {bare[1]:.1f} s at "
        f"48000, which a lesson has; ratios {ours / bare[0]:.2f} and {ours / bare[1]:.2f} (aim "
        f"1.0). Again, nothing changed: {again:.2f} s."
    )


def where() -> Iterator[str]:
    """Yield where the time goes, in one thread."""
    kinds = {"12 choruses": TWELVE, "the loop": LOOP}
    found = {}
    for kind, words in kinds.items():
        command = [sys.executable, "-m", "benchmarks.stages", *words]
        text = subprocess.run(command, check=True, capture_output=True, text=True, cwd=HERE).stdout
        found[kind] = json.loads(text)
    yield "| stage | " + " | ".join(f"{kind}, s" for kind in kinds) + " |"
    yield "|---|" + "---|" * len(kinds)
    first = found[next(iter(kinds))]
    for stage in sorted(first, key=lambda name: -first[name]):
        yield f"| {stage} | " + " | ".join(f"{found[k].get(stage, 0):.2f}" for k in kinds) + " |"


def main() -> int:
    """Run the benchmarks, print and keep their tables."""
    if shutil.which("fluidsynth") is None:
        print(
            "the fluidsynth command is needed (Debian: apt-get install fluidsynth)",
            file=sys.stderr,
        )
        return 1
    os.environ["BACKING_SOUNDFONT"] = wheel_soundfont()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # who installs it has its code compiled
    alone = "voices" in sys.argv[1:]
    runs = 2 if alone else RUNS
    lines = [
        f"# Results\n\nWritten by `python -m benchmarks{' voices' * alone}` on "
        f"{date.today()}: {runs} runs of each, in turn, medians.\n\n"
        f"Python {platform.python_version()}, {platform.system()} {platform.machine()}, "
        f"{os.cpu_count()} cores; mido {version('mido')}, click {version('click')}, "
        f"pyfluidsynth {version('pyfluidsynth')}, numpy {version('numpy')}.\n\n"
        "| what | seconds | beside | seconds | ratio | limit |\n|---|---|---|---|---|---|"
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts: list[tuple[str | None, Iterator[str]]] = [
            (None, renders(folder, runs)),
            *([] if alone else [(None, commands(folder)), (None, films(folder))]),
            ("First sound", first(folder)),
            ("An hour", hour(folder)) if alone else ("Where the time goes", where()),
        ]
        if not alone and "quick" not in sys.argv[1:]:
            parts += [("Growth", growth(folder)), ("A lesson", lesson(folder))]
        for title, part in parts:
            if title is not None:
                lines.append(f"\n## {title}\n")
            for line in part:
                print(line, file=sys.stderr, flush=True)
                lines.append(line)
    text = "\n".join(lines) + "\n"
    (VOICES if alone else RESULTS).write_text(text, encoding="utf-8")
    print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
