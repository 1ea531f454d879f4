"""Show the repertoire: for each groove a chorus as a picture, its swing and its loudness.

Writes `repertoire.md` and a picture for each groove into `repertoire/`. Swing is measured on the
notes of the MIDI file, loudness and true peak on the WAV file.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from statistics import median

import mido
import numpy as np
import soundfile

import backing
from backing.events import Stream
from backing.grooves import find_groove, groove_names
from backing.roll import Roll
from backing.sound.limiter import true_peak
from backing.sound.loudness import Meter

HERE = Path(__file__).parent
KEY = "A"
CHORUSES = 3
DRAWN = 2  # the chorus in the picture


def swing_of(path: Path, quarters: float = 1.0) -> float | None:
    """Return the median ratio of long to short part of the beat on the drums of a MIDI file.

    The cymbals tell, or where they have no off-beats the snare and the sticks; None where
    nothing does. In 12/8 a beat is a dotted quarter.
    """
    for keys in ((42, 46, 51), (37, 38), (36, 43, 47, 50)):
        beats = [at / quarters for at in _struck(path, keys)]
        inside = [beat % 1 for beat in beats if 0.45 < beat % 1 < 0.80]
        if len(inside) >= 16:
            place = median(inside)
            return place / (1 - place)
    return None


def _struck(path: Path, keys: tuple[int, ...]) -> list[float]:
    """Return when drums are struck, in quarters of the file's own beat."""
    file = mido.MidiFile(path)
    found = []
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            if message.type == "note_on" and message.channel == 9 and message.note in keys:
                found.append(now / file.ticks_per_beat)
    return found


def measured(path: Path) -> tuple[float, float]:
    """Return integrated loudness in LUFS and true peak in dBTP of a sound file."""
    sound, rate = soundfile.read(path, dtype="float32")
    meter = Meter(1, rate)
    meter.add(sound.T[np.newaxis])
    return meter.loudness(np.ones(1)), true_peak(sound.T)


def row(name: str, folder: Path, scratch: Path) -> list[str]:
    """Make one groove's picture and return its lines of the page."""
    groove = find_groove(name)
    key = f"{KEY} minor" if "minor" in name else KEY
    stream = backing.track(key=key, groove=name, choruses=CHORUSES)
    midi, wave = scratch / "t.mid", scratch / "t.wav"
    backing.write(stream, [midi, wave])
    loudness, peak = measured(wave)
    chorus = stream.sections[1]
    first = int(chorus.first_beat) + (DRAWN - 1) * int(chorus.beats)
    roll = Roll(stream, first, int(chorus.beats), a_beat=20.0, a_tone=4.4, low=27, high=70)
    title = f"{groove.title}, {float(chorus.tempo):g} beats a minute, chorus {DRAWN}"
    (folder / f"{name}.svg").write_text(roll.svg(title), encoding="utf-8")
    return [
        f"## {groove.title} (`{name}`)",
        "",
        f"{groove.feel.capitalize()}.",
        "",
        f"![{groove.title}: a chorus as pitch against time](repertoire/{name}.svg)",
        "",
        f"{groove.meter}, {groove.tempos[0]} to {groove.tempos[2]} beats a minute; "
        f"{_swing_words(stream, midi)}; "
        f"loudness {loudness:.1f} LUFS, true peak {peak:.1f} dBTP.",
        "",
    ]


def _swing_words(stream: Stream, midi: Path) -> str:
    ratio = swing_of(midi, float(stream.meter.quarters))
    if ratio is None:
        return "no off-beats on the drums"
    written = ", written as triplets" if stream.meter.denominator == 8 else ""
    return f"swing {ratio:.2f}:1 as measured{written}"


def main(folder: Path = HERE) -> int:
    """Write the page."""
    pictures = folder / "repertoire"
    pictures.mkdir(parents=True, exist_ok=True)
    lines = [
        "# The repertoire",
        "",
        "Every groove that ships: the second of three choruses of a twelve-bar in A, as the band "
        "plays it with seed 1. `examples/make_repertoire.py` makes this page.",
        "",
    ]
    with tempfile.TemporaryDirectory() as scratch:
        for name in groove_names():
            print(name, file=sys.stderr)
            lines += row(name, pictures, Path(scratch))
    (folder / "repertoire.md").write_text("\n".join(lines), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
