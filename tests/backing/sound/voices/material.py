"""Notes on strings, rendered and taken apart."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from backing import pieces
from backing.events import Note
from backing.setting import lead_notes
from backing.sound.tone import shaped
from backing.sound.voices.gauges import GUITAR, Neck
from backing.sound.voices.guitar import Strings
from backing.sound.voices.loop import HOP
from backing.sound.voices.wheels import Organ
from phrases.curve import Curve
from phrases.notation import read_line
from tests.praat import pitches

RATE = 44100
CHUNK = 200 * 64
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
    rate: int = RATE, chunk: int = CHUNK,
) -> Sound:  # fmt: skip
    """Return notes of one part on their strings."""
    strings = Strings(neck, notes, pick, rate, answers=neck is GUITAR)
    starts = range(0, math.ceil(seconds * rate), chunk)
    return np.concatenate([strings.play(start, chunk) for start in starts]).astype(float)


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


# Lines of one note that is bent or shaken.
BENT = (
    "| 1 G7 2 b(full) 3 r 4 .", "| 1 E5 2 b(1/2) 3 .", "| 1 B10b(full) 2 ~~ 4 .", "| 1 D9 2 ~",
    "| 1 G7~~(grows) 4 .",
)  # fmt: skip


def off_pitch(string: str, fret: int, rate: int = RATE) -> float:
    """Return by how many cents a plain note is above its pitch (ISO 16), by Praat."""
    sound = render([note(string, fret, 1.0)], 1.0, rate=rate)
    pitch = GUITAR.strings[string].open + fret
    _, found = pitches(sound[round(0.3 * rate) :], rate, pitch - 2, pitch + 2, 0.09, 0.02)
    return float(100 * (np.median(found) - pitch))


def off_curve(text: str) -> Sound:
    """Return by how many cents the one note of a line is off its curve, frame by frame."""
    (one,) = played(text)
    assert one.curve is not None
    sound = render([one], one.end)
    _, cents = track(sound, one.pitch)
    # The tracker blurs what moves: a plain wave that follows the curve is blurred alike.
    moved = [one.pitch + one.curve.at(max(0, n) / RATE - BEFORE) / 100 for n in range(len(sound))]
    turns = np.cumsum(440 * 2 ** ((np.array(moved) - 69) / 12)) / RATE
    _, steady = track(np.cos(2 * np.pi * turns), one.pitch)
    inside = slice(round((BEFORE + 0.1) * RATE), round((one.end - 0.05) * RATE))
    return np.abs(cents - steady)[inside]


def off_frets() -> list[float]:
    """Return by how many cents a slide is off the fret where it begins and that where it ends."""
    sound = render(played("| 1 B5 2 /10 3 .", beat=1.0), 2.0)
    off = []
    for pitch, start, stop in ((64, 0.3, 0.7), (69, 1.25, 1.95)):
        times, cents = track(sound, pitch)
        off.append(float(np.median(cents[(times > start) & (times < stop)])))
    return off


def periodic(sound: Sound) -> float:
    """Return the highest autocorrelation at the periods of a guitar's pitches, 1 for a tone."""
    power = np.abs(np.fft.rfft(sound, 1 << 16)) ** 2
    every = np.fft.irfft(power)
    return float(every[RATE // 1000 : RATE // 60].max() / every[0])


def dead(string: str, velocity: int) -> Sound:
    """Return a muted string from just before it is struck."""
    sound = render([note(string, 0, 0.04, velocity, damped=True)], 0.3)
    return sound[round((BEFORE - 0.005) * RATE) :]


def attacks(text: str) -> list[float]:
    """Return the highest treble just after beats 2 and 3, over that just before the first."""
    treble = np.abs(np.diff(render(played(text), 2.0), 3))
    places = [round((BEFORE + 0.6 * beat) * RATE) for beat in (1, 2)]
    before = treble[places[0] - 2000 : places[0] - 300].max()
    return [float(treble[at : at + 900].max() / before) for at in places]


def below_written(groove: str) -> float:
    """Return the share of an organ's energy below the lowest note that is written for it."""
    stream = pieces.track(groove=groove, comp="organ", choruses=1, count_in=0, seed=3)
    notes = [one for one in stream.sections[0].notes if one.voice == "comp"][:60]
    organ, frames = Organ(notes, RATE), HOP * math.ceil((notes[-1].end + 0.1) * RATE / HOP)
    sound = organ.play(0, frames).mean(axis=0).astype(float)
    power = np.abs(np.fft.rfft(sound * np.hanning(frames))) ** 2
    lowest = hertz(min(one.pitch for one in notes) - 0.5)
    return float(power[: int(lowest * frames / RATE)].sum() / power.sum())


def aliases(tone: str, sounded: int) -> float:
    """Return the loudest of what an amplifier adds to a sine that is no overtone of it, in dB.

    The sine, of a whole number of Hz, is as loud as a plain note; 0 dB is the loudest of all.
    """
    plain = 0.07
    sine = plain * 2**0.5 * np.sin(2 * np.pi * sounded * np.arange(RATE) / RATE).astype(np.float32)
    heard = shaped(np.stack([sine, sine]), RATE, tone, "middle", plain)[0]
    found = np.abs(np.fft.rfft(heard * np.blackman(RATE)))
    away = np.ones(len(found), bool)
    for harmonic in range(0, RATE // 2, sounded):
        away[max(0, harmonic - 8) : harmonic + 9] = False
    return float(20 * np.log10(found[away].max() / found.max()))
