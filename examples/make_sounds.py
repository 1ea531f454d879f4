"""Make `examples/sounds.md`, its sounds and its picture: `python examples/make_sounds.py`.

Each sound is a line of a phrase on the strings alone, in the room, in a tone. The picture shows a
bend by the soundfont and by the strings, and how partials decay beside those of a real guitar
(`examples/sounds/measured.txt`). It needs matplotlib, which the development environment has.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent.parent))

from backing import track
from backing.events import Note
from backing.setting import lead_notes
from backing.sound.mix import layered
from backing.sound.synth import PARTS
from backing.sound.voices.ensemble import plain_level, played
from phrases.curve import Curve
from phrases.fretboard import STANDARD
from phrases.notation import read_line

HERE = Path(__file__).parent / "sounds"
RATE = 44100
BEAT = 0.6  # seconds
PROGRAMS = {"lead": 27}
LOUD = 0.5  # of full scale
LINE = "| 1 G5h7 2 B5 2& B8b(full) 4 B5 | 1 G7~~ 3 ."

# File, what it is, the line, the tone, where it is picked.
SOUNDS: tuple[tuple[str, str, str, str, str], ...] = (
    ("bend", "a full bend and its release", "| 1 B8 2 b(full) 3 r 4 .", "clean", "middle"),
    ("pre-bend", "a pre-bend, let down", "| 1 B8pb(full) 3 r 4 .", "clean", "middle"),
    ("curl", "a quarter-tone curl", "| 1 G5 2 b(1/4) 3 .", "clean", "middle"),
    ("vibrato", "narrow vibrato, then wide", "| 1 G7~ 3 G7~~ | 1 .", "clean", "middle"),
    ("hammer-pull", "hammer-on and pull-off", "| 1 G5 1& h7 2 p5 3 D7 4 .", "clean", "middle"),
    ("trill", "a trill", "| 1 B5tr8 3 .", "clean", "middle"),
    ("slide", "slides, plain and wound", "| 1 B5/10 2& . 3 A5/10 4& .", "clean", "middle"),
    ("palm", "palm mute, then open", "| 1 E3{pm} 2 E3{pm} 3 E3 4& .", "clean", "middle"),
    ("dead", "dead notes between others", "| 1 D5 1& Dx 2 D5 2& Dx 3 D7 4 .", "clean", "middle"),
    ("rake", "a rake into a note", "| 1& . 2 B8{rake} 3& .", "clean", "middle"),
    ("loudness", "ghost, plain, accent", "| 1 G5{ghost} 2 G5 3 G5{accent} 4 .", "clean", "middle"),
    ("strings", "one pitch on three strings", "| 1 B5 2 G9 3 D14 4 .", "clean", "middle"),
    ("tone-clean", "the tone `clean`", LINE, "clean", "middle"),
    ("tone-driven", "the tone `driven`", LINE, "driven", "middle"),
    ("tone-fuzz", "the tone `fuzz`", LINE, "fuzz", "middle"),
    ("pick-bridge", "picked near the bridge", LINE, "clean", "bridge"),
    ("pick-middle", "picked in the middle", LINE, "clean", "middle"),
    ("pick-neck", "picked near the neck", LINE, "clean", "neck"),
)  # fmt: skip

# The same of a bass: the groove whose first bars it plays.
BASSES: tuple[tuple[str, str, str], ...] = (
    ("bass-electric", "an electric bass", "boogie"),
    ("bass-upright", "an upright bass, plucked", "jump"),
    ("bass-two-beat", "an upright bass in two", "two-beat"),
)
BARS = 8.0  # seconds

HEAD = """# What the strings sound like

Made by `python examples/make_sounds.py`; start with the volume low. Any piece is
played so; `--voice soundfont` plays it from samples.

![A bend by the soundfont and by the strings; decays of partials](sounds/strings.png)

| sound | what | written |
|---|---|---|
"""


def notes_of(text: str) -> list[Note]:
    """Return what a line of a phrase plays."""
    line = read_line(text)
    assert not line.problems, line.problems

    def seconds(at: Fraction) -> float:
        return 0.1 + float(at) * BEAT

    return sorted(lead_notes(line.strokes, seconds), key=lambda note: note.start)


def font() -> Path:
    """Return the soundfont that comes with the program's packages."""
    spec = find_spec("pretty_midi")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "TimGM6mb.sf2"


def bass_of(groove: str) -> tuple[list[Note], dict[str, int]]:
    """Return what the bass plays first in a groove, and its programs."""
    stream = track(groove=groove, choruses=1)
    notes = [note for note in stream.sections[1].notes if note.voice == "bass"]
    return [note for note in notes if note.end < BARS], stream.programs


def sound(
    notes: Sequence[Note], tone: str, pick: str, voice: str = "strings",
    programs: dict[str, int] = PROGRAMS,
) -> NDArray[np.float32]:  # fmt: skip
    """Return notes as they are heard, shape (2, frames)."""
    stems = played(tuple(notes), programs, font(), RATE, voice, pick)
    layers = layered(
        stems, RATE, ("band", "lead"), tone, "middle",
        lambda: plain_level(voice, programs, font(), RATE),
    )  # fmt: skip
    heard = np.concatenate([*layers], axis=2).sum(axis=0)
    loud: NDArray[np.float32] = heard * np.float32(LOUD / np.abs(heard).max())
    return loud


def dry(notes: Sequence[Note], voice: str) -> NDArray[np.float64]:
    """Return notes without room, one row of frames."""
    stems = np.concatenate([*played(tuple(notes), PROGRAMS, font(), RATE, voice)], axis=2)
    return np.asarray(stems[PARTS.index("lead")].mean(axis=0), float)


def decay(sound: NDArray[np.float64], near: float) -> float:
    """Return how many dB a second the partial near a frequency falls by, from a straight line."""
    cut = sound[round(0.15 * RATE) : round(1.9 * RATE)]
    power = np.abs(np.fft.rfft(cut[:RATE] * np.hanning(RATE), 1 << 18))
    low, high = (round(near * share * (1 << 18) / RATE) for share in (0.985, 1.015))
    found = (low + int(np.argmax(power[low:high]))) * RATE / (1 << 18)
    frame = round(RATE * max(16 / near, 0.06))
    window = np.exp(-2j * np.pi * found * np.arange(frame) / RATE) * np.hanning(frame)
    places = np.arange(0, len(cut) - frame, frame // 4)
    levels = 20 * np.log10([abs((cut[at : at + frame] * window).sum()) + 1e-9 for at in places])
    heard = levels > levels.max() - 35
    return -float(np.polyfit(places[heard] / RATE, levels[heard], 1)[0])


def picture(path: Path) -> None:
    """Draw one bend by both voices, and decays beside measured ones."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(1, 3, figsize=(12, 3.6), width_ratios=(1, 1, 1.1))
    for axis, (voice, title) in zip(
        axes,
        (("soundfont", "a bend, sampled"), ("strings", "a bend on the strings")),
        strict=False,
    ):
        heard = dry(notes_of("| 1 B8 2 b(full) 3 ~~ 4& ."), voice)
        heard = heard / np.abs(heard).max() + 1e-6 * np.random.default_rng(1).standard_normal(
            len(heard)
        )
        axis.specgram(heard, NFFT=2048, noverlap=1792, Fs=RATE, vmin=-150, vmax=-40, cmap="magma")
        axis.set(title=title, ylim=(0, 6000), xlim=(0, 2.2), xlabel="seconds", ylabel="Hz")
    lines = (HERE / "measured.txt").read_text(encoding="utf-8").splitlines()
    rows = [line.split() for line in lines if not line.startswith("#")]
    places = [("E", "5"), ("A", "7"), ("D", "9"), ("B", "7"), ("e", "7")]  # held out of the fit
    numbers = (1, 2, 3, 5)
    chart = axes[2]
    for at, (string, fret) in enumerate(places):
        row = next(row for row in rows if row[:2] == [string, fret])
        pitch = STANDARD[string] + int(fret)
        note = Note(f"lead {string}", 0.1, 2.1, pitch, 93, Curve())
        base = 440 * 2 ** ((pitch - 69) / 12)
        for voice, colour, mark in (("soundfont", "tab:gray", "x"), ("strings", "tab:red", "o")):
            heard = dry([note], voice)
            found = [decay(heard, base * number) for number in numbers]
            steps = [at + 0.18 * n for n in range(len(numbers))]
            chart.plot(steps, found, mark, color=colour, label=voice if not at else None)
        real = [
            float(cell) if cell != "-" else np.nan for cell in (row[2], row[3], row[4], row[5])
        ]
        chart.plot(
            [at + 0.18 * n for n in range(len(numbers))], real, "_", color="black", markersize=12,
            label="a real guitar" if not at else None,
        )  # fmt: skip
    chart.set_xticks([at + 0.27 for at in range(len(places))], [" ".join(one) for one in places])
    chart.set(title="decay of partials 1, 2, 3 and 5", ylabel="dB a second", ylim=(0, 40))
    chart.legend(fontsize=8)
    figure.tight_layout()
    figure.savefig(path, dpi=80)


def _row(name: str, what: str, written: str, heard: NDArray[np.float32]) -> str:
    """Write a sound and return its row."""
    soundfile.write(HERE / f"{name}.ogg", heard.T, RATE, subtype="VORBIS")
    return f"| [{name}.ogg](sounds/{name}.ogg) | {what} | `{written}` |"


def main() -> None:
    """Write all of it."""
    rows = []
    for name, what, text, tone, pick in SOUNDS:
        written = text.replace("|", "\\|")
        rows.append(_row(name, what, written, sound(notes_of(text), tone, pick)))
    for name, what, groove in BASSES:
        notes, programs = bass_of(groove)
        heard = sound(notes, "clean", "middle", programs=programs)
        rows.append(_row(name, what, f"--groove {groove}", heard))
    picture(HERE / "strings.png")
    page = HERE.parent / "sounds.md"
    page.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
