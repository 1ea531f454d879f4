"""Show the repertoire: for each groove a whole track as a picture, its swing and its loudness.

Writes `repertoire.md` and a picture for each groove into `repertoire/`. Swing is measured on the
notes of the MIDI file, loudness and true peak on the WAV file.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any
from xml.sax.saxutils import escape

import mido
import numpy as np
import soundfile

import backing
from backing.events import Note, Section, Stream, part_of
from backing.grooves import find_groove, groove_names
from backing.sound.limiter import block_peaks
from backing.sound.loudness import LoudnessMeter
from phrases.files import read_phrase

HERE = Path(__file__).parent
KEY = "A"
CHORUSES = 8
PHRASE = """title = "Between the chords"
key = "A"
tempo = 96
[[part]]
role = "call"
notes = '| 1 e8p5 2 B8 & G7b(full)~{accent} 3 .'
[[part]]
role = "response"
notes = '| 1 B5 & G7 2 G5 & D7~ 3 .'
"""
SIDE, HEAD, ROW, BEAT = 76, 30, 92, 17.0
COLOURS = {"bass": "#7a5c3e", "comp": "#8f8a76", "drums": "#4a4a45", "lead": "#a3341f",
           "answers": "#1f5fa3"}  # fmt: skip
LANES = ((49,), (51, 42, 46), (50, 47, 43), (38, 37), (36,))


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
    meter = LoudnessMeter(1, rate)
    meter.add(sound.T[np.newaxis])
    return meter.loudness(np.ones(1)), 20 * float(np.log10(block_peaks(sound.T).max()))


def whole(stream: Stream, alone: Stream, title: str) -> str:
    """Draw a track with a phrase, a chorus a row; `alone` is the band without the phrase.

    A row's ground is as dark as the chorus is strong. What somebody plays where the phrase rests
    for two beats or more, and does not play when the band is alone, is an answer.
    """
    choruses = [s for s in stream.sections if s.kind == "chorus"]
    beats = max(int(section.beats) for section in choruses) + stream.meter.beats
    width, height = round(SIDE + beats * BEAT + 8), round(HEAD + len(choruses) * ROW + 4)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'font-family="serif" font-size="11" role="img"><title>{escape(title)}</title>'
        f'<rect width="{width}" height="{height}" fill="#fbf7ee"/><text x="8" y="18">'
        f"{escape(title)}</text>"
    ]
    for n, (name, colour) in enumerate(reversed(COLOURS.items())):
        out.append(f'<text x="{width - 12 - 62 * n}" y="18" text-anchor="end" fill="{colour}">'
                   f"\N{BLACK SQUARE} {name}</text>")  # fmt: skip
    drawn: dict[str, list[str]] = {name: [] for name in COLOURS}
    known = {_heard(s, n) for s in alone.sections for n in s.notes if n.voice in ("comp", "drums")}
    rests = _rests(stream)
    for number, section in enumerate(choruses):
        top = HEAD + number * ROW
        told = stream.plan[number].split(None, 4)
        strength = len(told[1]) / 10
        out.append(f'<rect x="{SIDE}" y="{top}" width="{int(section.beats) * BEAT}" '
                   f'height="{ROW - 6}" fill="#b9a88c" opacity="{0.1 + 0.4 * strength:.2f}"/>'
                   f'<text x="8" y="{top + 14}">{number + 1}</text>')  # fmt: skip
        words = [w for w in ("crash", "break", "riff", "stop") if w in stream.plan[number].split()]
        out += [f'<text x="8" y="{top + 28 + 12 * n}" font-size="10">{word}</text>'
                for n, word in enumerate([told[3], *words])]  # fmt: skip
        bars = range(0, int(section.beats) + 1, stream.meter.beats)
        lines = "".join(f"M{SIDE + BEAT * beat:g} {top}v{ROW - 6}" for beat in bars)
        out.append(f'<path d="{lines}" stroke="#2f2a24" stroke-width=".5"/>')
    for section in stream.sections:
        if section.kind == "count-in":
            continue
        last = section.kind == "ending"
        number = len(choruses) - 1 if last else choruses.index(section)
        along = float(choruses[-1].beats) if last else 0.0
        for note in section.notes:
            at, end = (along + t * float(section.tempo) / 60 for t in (note.start, note.end))
            heard = _heard(section, note)
            answers = heard not in known and any(a < heard[0] < b for a, b in rests)
            _draw(drawn, note, at, end, HEAD + number * ROW, answers=answers)
    for name, places in drawn.items():
        out.append(f'<path d="{"".join(places)}" stroke="{COLOURS[name]}" stroke-width="2"/>')
    return "\n".join([*out, "</svg>"]) + "\n"


def _heard(section: Section, note: Note) -> tuple[float, str, int]:
    return round(float(section.start) + note.start, 3), note.voice, note.pitch


def _rests(stream: Stream) -> list[tuple[float, float]]:
    """Return where the phrase rests for two beats or more, in seconds."""
    spans = sorted(
        (float(s.start) + n.start, float(s.start) + n.end)
        for s in stream.sections for n in s.notes if n.voice.startswith("lead")
    )  # fmt: skip
    two, found, until = 120 / float(stream.sections[1].tempo), [], 0.0
    for low, high in spans:
        if low - until >= two:
            found.append((until, low))
        until = max(until, high)
    return found


def _draw(
    drawn: dict[str, list[str]], note: Note, at: float, end: float, top: float, *, answers: bool
) -> None:
    """Add a note to the strokes of its part."""
    part = part_of(note.voice)
    x, y = SIDE + at * BEAT, top + 54 - (note.pitch - 28) * 0.9
    if part == "drums":
        lane = next((n for n, keys in enumerate(LANES) if note.pitch in keys), None)
        if lane is None:
            return
        y = top + 60 + 5 * lane
        end = at + (0.1 + 0.25 * note.velocity / 127)
    name = "answers" if answers and part in ("comp", "drums") else part
    drawn[name].append(f"M{x:.0f} {y:.0f}h{max(1.5, (end - at) * BEAT - 1):.0f}")


def row(name: str, folder: Path, scratch: Path) -> list[str]:
    """Make one groove's picture and return its lines of the page."""
    groove = find_groove(name)
    key = f"{KEY} minor" if "minor" in name else KEY
    words: Any = {"groove": name, "choruses": CHORUSES, "key": key, "tempo": groove.tempos[1]}
    words["looseness"] = 0.0
    alone = backing.track(**words)
    stream = backing.demo(read_phrase(PHRASE), **words)
    midi, wave = scratch / "t.mid", scratch / "t.wav"
    backing.write(backing.track(**{**words, "choruses": 2}), [midi, wave])
    loudness, peak = measured(wave)
    title = f"{groove.title}, {groove.tempos[1]} beats a minute"
    (folder / f"{name}.svg").write_text(whole(stream, alone, title), encoding="utf-8")
    return [
        f"## {groove.title} (`{name}`)",
        "",
        f"{groove.feel.capitalize()}.",
        "",
        f"![{groove.title}: {CHORUSES} choruses with a phrase](repertoire/{name}.svg)",
        "",
        f"{groove.meter}, {groove.tempos[0]} to {groove.tempos[2]} beats a minute; "
        f"{_swing_words(alone, midi)}; "
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
        "Every groove that ships: a twelve-bar in A, eight choruses, a row each, as the band "
        "plays it with seed 1 under one phrase. The darker a row, the stronger the chorus; beside "
        "it stands its turnaround, and whether it has a crash, a break, a riff or stops. Crash, "
        "cymbals, toms, snare and kick lie under the pitches. Blue is what answers the phrase. "
        "`examples/make_repertoire.py` makes this page.",
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
