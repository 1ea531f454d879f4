"""A stream drawn as pitch against time, drums below as a grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from xml.sax.saxutils import escape

from backing.events import Note, Section, Stream, part_of
from phrases.pitch import pitch_name

__all__ = ["Roll"]

LEFT, TOP = 64, 58
NAME_ROWS = (TOP + 10, TOP - 2, TOP - 14)  # a name that has no room goes a row up
LETTER = 7.6  # the width of one in a chord symbol, on the whole at most
DRUM_ROWS = {
    "crash": (49,),
    "ride": (51,),
    "hat": (42, 46),
    "sticks": (37,),
    "toms": (50, 47, 43),
    "snare": (38,),
    "kick": (36,),
    "hat foot": (44,),
}
COLOURS = {"bass": "#7a5c3e", "comp": "#b9a88c", "lead": "#a3341f", "drums": "#4a4a45"}
PAPER, INK, FAINT = "#fbf7ee", "#2f2a24", "#ddd3c0"


def _line(x1: float, y1: float, x2: float, y2: float, colour: str) -> str:
    return f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}"/>'


def _text(x: float, y: float, text: str, anchor: str = "start", colour: str = INK) -> str:
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text {place} fill="{colour}">{escape(text)}</text>'


@dataclass(frozen=True)
class Roll:
    """A picture of some beats of a stream."""

    stream: Stream  # what is drawn
    first: int  # and `beats`: the first felt beat drawn and how many
    beats: int
    a_beat: float = 42.0  # and `a_tone`: width of a beat, height of a semitone
    a_tone: float = 5.2
    # `low` and `high`: the range of pitches; the default has room for the highest chord under its
    # name.
    low: int = 28
    high: int = 84

    def _x(self, beat: float) -> float:
        return LEFT + (beat - self.first) * self.a_beat

    def _y(self, pitch: float) -> float:
        return TOP + 20 + (self.high - pitch) * self.a_tone

    def _drum_y(self, key: int) -> float:
        rows = list(DRUM_ROWS.values())
        row = next(number for number, keys in enumerate(rows) if key in keys)
        return self._y(self.low) + 20 + row * 12

    def svg(self, title: str) -> str:
        """Return the picture."""
        width = round(self._x(self.first + self.beats) + 10)
        height = round(self._y(self.low) + 20 + 12 * len(DRUM_ROWS) + 2)
        last = self.first + self.beats
        out = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
            f'font-family="serif" font-size="12" role="img">',
            f"<title>{escape(title)}: pitch against time</title>",
            f'<rect width="{width}" height="{height}" fill="{PAPER}"/>',
            _text(LEFT, 20, title),
        ]
        parts = [p for p in ("bass", "comp", "lead") if p in self.stream.programs]
        used = {part_of(voice) for voice in self.stream.voices}
        for number, part in enumerate(p for p in parts if p in used):
            x = width - 20 - 80 * number
            out.append(_text(x, 20, f"\N{BLACK SQUARE} {part}", "end", COLOURS[part]))
        for pitch in range(36, self.high, 12):
            out.append(_line(LEFT, self._y(pitch), width - 10, self._y(pitch), FAINT))
            out.append(_text(LEFT - 8, self._y(pitch) + 4, pitch_name(pitch), "end"))
        for name, keys in DRUM_ROWS.items():
            out.append(_text(LEFT - 8, self._drum_y(keys[0]) + 4, name, "end"))
        for beat in range(self.first, last + 1):
            bar = beat % self.stream.meter.beats == 0
            out.append(_line(self._x(beat), TOP, self._x(beat), height - 6, INK if bar else FAINT))
        for section in self.stream.sections:
            out += self._section(section, last)
        return "\n".join([*out, "</svg>"]) + "\n"

    def _section(self, section: Section, last: int) -> list[str]:
        out = []
        rate = float(section.tempo) / 60
        start = float(section.first_beat)
        if section.kind == "count-in" and start >= self.first:
            out.append(_text(self._x(start) + 4, TOP + 10, "count-in"))
        ends = [0.0] * len(NAME_ROWS)  # where the last name of each row ends
        for chord in section.chords:
            beat = start + chord.seconds * rate
            if self.first <= round(beat, 3) < last:
                x = self._x(beat) + 3
                row = next((n for n, end in enumerate(ends) if end < x), 0)
                ends[row] = x + LETTER * (len(chord.text) + 1)
                out.append(_text(x, NAME_ROWS[row], chord.text))
        for note in section.notes:
            beat = start + note.start * rate
            if not self.first - 0.1 <= beat < last - 0.05:
                continue
            if note.voice == "drums":
                if not any(note.pitch in keys for keys in DRUM_ROWS.values()):
                    continue
                size = 1.0 + 2.8 * note.velocity / 127
                x, y = self._x(beat), self._drum_y(note.pitch)
                colour = COLOURS["drums"]
                out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}" fill="{colour}"/>')
            else:
                out.append(self._pitched(note, beat, rate))
        return out

    def _pitched(self, note: Note, beat: float, rate: float) -> str:
        part = part_of(note.voice)
        colour = COLOURS[part]
        x, end = self._x(beat), self._x(beat + (note.end - note.start) * rate)
        if part != "lead" or note.curve is None:
            return (
                f'<rect x="{x:.1f}" y="{self._y(note.pitch) - 2.1:.1f}" '
                f'width="{max(2.0, end - x - 1):.1f}" height="4.2" fill="{colour}"/>'
            )
        length = note.end - note.start
        steps = max(2, math.ceil(length / 0.008))
        places = []
        for step in range(steps + 1):
            seconds = length * step / steps
            pitch = note.pitch + note.curve.at(min(seconds, length - 1e-4)) / 100
            places.append(f"{self._x(beat + seconds * rate):.1f} {self._y(pitch):.1f}")
        return (
            f'<path d="M{"L".join(places)}" fill="none" stroke="{colour}" stroke-width="2.6"/>'
            f'<circle cx="{x:.1f}" cy="{self._y(note.pitch + note.curve.at(0.0) / 100):.1f}" '
            f'r="3.2" fill="{colour}"/>'
        )
