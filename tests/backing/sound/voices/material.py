"""Notes on strings, rendered and taken apart."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from backing.events import Note
from backing.setting import lead_notes
from backing.sound.voices.gauges import GUITAR, Neck
from backing.sound.voices.guitar import Strings
from phrases.curve import Curve
from phrases.notation import read_line

RATE = 44100
STRETCH = 200 * 64
BEFORE = 0.1  # seconds of silence at the start
Sound = NDArray[np.float64]


class Row(NamedTuple):
    """A measured note: decays in dB a second by partial, B, brightness; None where too weak."""

    string: str
    fret: int
    decays: dict[int, float]
    stiffness: float | None
    brightness: float


def measured() -> list[Row]:
    """Return what was measured on a real guitar (see the head of the file)."""
    path = Path(__file__).parents[4] / "examples" / "sounds" / "measured.txt"
    rows = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            continue
        string, fret, *cells = line.split()
        values = [None if cell == "-" else float(cell) for cell in cells]
        decays = {n: v for n, v in zip((1, 2, 3, 5, 8), values[:5], strict=True) if v is not None}
        stiffness = None if values[5] is None else values[5] * 1e-5
        assert values[6] is not None
        rows.append(Row(string, int(fret), decays, stiffness, values[6]))
    return rows


def held_out(rows: list[Row]) -> list[Row]:
    """Return the third that the gauges were not fitted to, drawn by chance."""
    return random.Random(1983).sample(rows, len(rows) // 3)


def hertz(pitch: float) -> float:
    """Return the frequency of a MIDI pitch (ISO 16, MIDI 1.0)."""
    return float(440 * 2 ** ((pitch - 69) / 12))


def render(
    notes: Iterable[Note], seconds: float, pick: str = "middle", neck: Neck = GUITAR,
    rate: int = RATE, stretch: int = STRETCH,
) -> Sound:  # fmt: skip
    """Return notes of one part on their strings."""
    strings = Strings(neck, notes, pick, rate, answers=neck is GUITAR)
    starts = range(0, math.ceil(seconds * rate), stretch)
    return np.concatenate([strings.play(start, stretch) for start in starts]).astype(float)


def note(
    string: str, fret: int, seconds: float = 2.0, velocity: int = 93, curve: Curve | None = None,
    *, damped: bool = False,
) -> Note:  # fmt: skip
    """Return one picked note."""
    pitch = GUITAR.strings[string].open + fret
    return Note(
        f"lead {string}", BEFORE, BEFORE + seconds, pitch, velocity, curve or Curve(),
        damped=damped,
    )  # fmt: skip


def played(text: str, beat: float = 0.6) -> list[Note]:
    """Return the notes of a line of a phrase."""
    line = read_line(text)
    assert line.problems == []
    notes = lead_notes(line.strokes, lambda at: BEFORE + float(at) * beat)
    return sorted(notes, key=lambda one: one.start)


class Partial(NamedTuple):
    """One partial: Hz, dB a second, how far its level is from a straight fall, strength."""

    hertz: float
    decay: float
    beats: float
    level: float


def partial(sound: Sound, near: float, start: float, stop: float) -> Partial:
    """Return the strongest partial within a sixth of a semitone, from a straight-line fit."""
    cut = sound[round(start * RATE) : round(stop * RATE)]
    size = 1 << 18
    early = cut[:RATE]
    power = np.abs(np.fft.rfft(early * np.hanning(len(early)), size))
    low, high = (round(near * factor * size / RATE) for factor in (0.99, 1.01))
    peak = low + int(np.argmax(power[low:high]))
    a, b, c = np.log(power[peak - 1 : peak + 2])
    found = (peak + 0.5 * (a - c) / (a - 2 * b + c)) * RATE / size
    frame = round(RATE * max(16 / near, 0.06))
    window = np.exp(-2j * np.pi * found * np.arange(frame) / RATE) * np.hanning(frame)
    places = np.arange(0, len(cut) - frame, frame // 4)
    levels = 20 * np.log10([abs((cut[at : at + frame] * window).sum()) + 1e-12 for at in places])
    heard = levels > max(levels.max() - 40, -75)
    times = places[heard] / RATE
    slope, base = np.polyfit(times, levels[heard], 1)
    beats = float(np.std(levels[heard] - slope * times - base))
    return Partial(found, -float(slope), beats, float(20 * np.log10(power[peak])))


def centroid(sound: Sound, start: float, seconds: float) -> float:
    """Return the centre of gravity of the power spectrum, in Hz."""
    cut = sound[round(start * RATE) :][: round(seconds * RATE)]
    power = np.abs(np.fft.rfft(cut * np.hanning(len(cut)))) ** 2
    return float((power * np.arange(len(power))).sum() / power.sum() * RATE / len(cut))


def track(sound: Sound, pitch: float) -> tuple[Sound, Sound]:
    """Return seconds, and cents from a pitch, of the partial near it: by its turning phase."""
    base = hertz(pitch)
    times = np.arange(len(sound)) / RATE
    frame = round(3 * RATE / base)
    window = np.hanning(2 * frame + 1)[1:-1]
    turned = np.convolve(
        np.convolve(sound * np.exp(-2j * np.pi * base * times), window / window.sum(), "same"),
        window / window.sum(), "same",
    )  # fmt: skip
    turns = np.diff(np.unwrap(np.angle(turned))) * RATE / (2 * np.pi)
    return times[1:], 1200 * np.log2(np.maximum(1 + turns / base, 0.1))
