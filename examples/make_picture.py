"""Draw the first bars of the demo as pitch against time, from the same stream that sounds.

Writes `porch-light.svg` beside this script; the README shows it.
"""

from __future__ import annotations

import math
from pathlib import Path
from xml.sax.saxutils import escape

import backing
from backing.events import Note, Stream, part_of
from phrases.pitch import pitch_name

HERE = Path(__file__).parent
WIDTH, LEFT, TOP, ROW, BEAT = 980, 64, 46, 5.2, 42.0
LOW, HIGH = 31, 77
DRUM_ROWS = {"crash": 49, "ride": 51, "hat": 42, "sticks": 37, "snare": 38, "kick": 36}
COLOURS = {"bass": "#7a5c3e", "comp": "#b9a88c", "lead": "#a3341f", "drums": "#4a4a45"}
PAPER, INK, FAINT = "#fbf7ee", "#2f2a24", "#ddd3c0"


def _line(x1: float, y1: float, x2: float, y2: float, colour: str) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}"/>'


def _text(x: float, y: float, text: str, anchor: str = "start", colour: str = INK) -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text {place} fill="{colour}">{escape(text)}</text>'


def _y(pitch: float) -> float:
    return TOP + 20 + (HIGH - pitch) * ROW


def _drum_y(key: int) -> float | None:
    rows = list(DRUM_ROWS.values())
    return _y(LOW) + 26 + rows.index(key) * 13 if key in rows else None


def _pitched(note: Note, start: float, a_second: float) -> str:
    x, end = LEFT + start * BEAT, LEFT + (start + (note.end - note.start) * a_second) * BEAT
    part = part_of(note.voice)
    if part != "lead":
        return (
            f'<rect x="{x:.1f}" y="{_y(note.pitch) - 2.1:.1f}" '
            f'width="{max(2.0, end - x - 1):.1f}" height="4.2" fill="{COLOURS[part]}"/>'
        )
    assert note.curve is not None
    length = note.end - note.start
    steps = max(2, math.ceil(length / 0.008))
    places = []
    for step in range(steps + 1):
        seconds = length * step / steps
        pitch = note.pitch + note.curve.at(min(seconds, length - 1e-4)) / 100
        places.append(f"{x + seconds * a_second * BEAT:.1f} {_y(pitch):.1f}")
    return (
        f'<path d="M{"L".join(places)}" fill="none" '
        f'stroke="{COLOURS["lead"]}" stroke-width="2.6"/>'
        f'<circle cx="{x:.1f}" cy="{_y(note.pitch + note.curve.at(0.0) / 100):.1f}" r="3.2" '
        f'fill="{COLOURS["lead"]}"/>'
    )


def draw(stream: Stream, chords: list[str], beats: int) -> str:
    """Return an SVG of the first beats of a stream, the count-in included."""
    height = round(_y(LOW) + 26 + 13 * len(DRUM_ROWS) + 8)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'font-family="serif" font-size="12" role="img">',
        f"<title>{escape(stream.title)}: pitch against time</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="{PAPER}"/>',
        _text(LEFT, 20, f"{stream.title}, in {stream.key}: the first bars of the demo"),
    ]
    for number, part in enumerate(("lead", "comp", "bass")):
        out.append(_text(560 + number * 130, 20, f"\N{BLACK SQUARE} {part}", colour=COLOURS[part]))
    for pitch in range(36, HIGH, 12):
        out += [_line(LEFT, _y(pitch), WIDTH - 8, _y(pitch), FAINT)]
        out += [_text(LEFT - 8, _y(pitch) + 4, pitch_name(pitch), "end")]
    for name, key in DRUM_ROWS.items():
        out.append(_text(LEFT - 8, (_drum_y(key) or 0) + 4, name, "end"))
    for beat in range(beats + 1):
        x = LEFT + beat * BEAT
        bar = beat % stream.meter.beats == 0
        out.append(_line(x, TOP, x, height - 8, INK if bar else FAINT))
        if bar and 0 <= beat // 4 - 1 < len(chords) and beat < beats:
            out.append(_text(x + 4, TOP + 10, chords[beat // 4 - 1]))
    out.append(_text(LEFT + 4, TOP + 10, "count-in"))
    for section in stream.sections:
        a_second = float(section.tempo) / 60
        for note in section.notes:
            start = float(section.first_beat) + note.start * a_second
            if start >= beats:
                continue
            if note.voice != "drums":
                out.append(_pitched(note, start, a_second))
            elif (y := _drum_y(note.pitch)) is not None:
                size = 1.2 + 3.0 * note.velocity / 127
                x = LEFT + start * BEAT
                out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}" fill="#4a4a45"/>')
    return "\n".join([*out, "</svg>"]) + "\n"


def main(target: Path = HERE / "porch-light.svg") -> None:
    """Write the picture."""
    stream = backing.demo(HERE / "porch-light.toml", choruses=1)
    target.write_text(draw(stream, ["A7", "A7", "A7", "A7"], 21), encoding="utf-8")


if __name__ == "__main__":
    main()
