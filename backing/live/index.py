"""The stream as it is looked up while it plays: bar lines, chords, turns and messages.

Conventions: seconds are the piece's own, exact where they are fractions; a second within a
section counts from the section's start.
"""

from __future__ import annotations

import bisect
from fractions import Fraction

from backing.band import count_in
from backing.events import CHANNELS, Label, Message, Note, Stream, messages, set_up
from backing.tempo import Clock

__all__ = ["StreamIndex"]


class StreamIndex:
    """A stream with what is worked out from it once, and only where it is played."""

    def __init__(self, stream: Stream) -> None:
        self.stream = stream
        self.sections = stream.sections
        self._starts = [section.start for section in stream.sections]
        self._messages: dict[int, list[Message]] = {}
        self._bars: dict[object, tuple[Fraction, ...]] = {}

    def messages(self, number: int) -> list[Message]:
        """Return a section's messages; equal passes share them."""
        notes = self.sections[number].notes
        found = self._messages.get(id(notes))
        if found is None:
            found = self._messages[id(notes)] = messages(notes)
        return found

    def set_up(self) -> list[tuple[int, ...]]:
        """Return the messages that make every channel ready."""
        once = {id(section.notes): section.notes for section in self.sections}
        used = {note.voice for notes in once.values() for note in notes}
        voices = [voice for voice in CHANNELS if voice in used]
        return [data for voice in voices for data in set_up(voice, self.stream.programs)]

    def bars(self, number: int) -> tuple[Fraction, ...]:
        """Return the second of each bar line of a section, its end included."""
        section = self.sections[number]
        key = (section.tempo, section.steps, section.beats)
        if key not in self._bars:
            each = self.stream.meter.beats
            lines = [*range(0, int(section.beats), each), section.beats]
            clock = Clock(section.tempo, section.swing, section.steps)
            self._bars[key] = tuple(map(clock.exact, lines))
        return tuple(section.start + line for line in self._bars[key])

    def section_at(self, second: Fraction) -> int:
        """Return the number of the section that holds a second; the nearest one outside."""
        return max(0, bisect.bisect_right(self._starts, second) - 1)

    def beat_at(self, number: int, second: Fraction) -> tuple[Fraction, Fraction]:
        """Return the beat within a section, never below 0, and the tempo there."""
        section = self.sections[number]
        beat, tempo = Fraction(0), section.tempo
        for start, first, beats, here in section.tempo_runs():
            if second < start:
                break
            beat = first - section.first_beat + min(beats, (second - start) * here / 60)
            tempo = here
        return beat, tempo

    def chords(self, number: int, second: float) -> tuple[str, str, float | None]:
        """Return the chord now, the next other one, and the second in the piece at which it comes.

        The next one may be in a later section; it is looked for in two.
        """
        now = ""
        for section in self.sections[number : number + 3]:
            for label in section.chords:
                at = float(section.start) + label.seconds
                if at <= second + 1e-6:
                    now = label.text
                elif label.text != now:
                    return now, label.text, at
        return now, "", None

    def head(self, number: int) -> str:
        """Return a section's title: its own label, or its name."""
        section = self.sections[number]
        for label in section.labels:
            if label.kind == "section":
                return label.text
        return section.name.capitalize()

    @property
    def meter_beats(self) -> int:
        """Felt beats of a bar."""
        return self.stream.meter.beats

    def sticks(self, tempo: Fraction) -> tuple[Note, ...]:
        """Return a bar of counting in at a tempo, from second 0."""
        beats = self.meter_beats
        return tuple(count_in(1, beats, lambda beat: float(beat * 60 / tempo)))

    def due(self, number: int, second: float, tempo: float) -> float | None:
        """Return how many beats of a tempo it is to the student's next turn; None where far off.

        It is looked for in this section and the next one.
        """
        for section in self.sections[number : number + 2]:
            for label in section.labels:
                left = float(section.start) + label.seconds - second
                if label.yours and left > 1e-6:
                    return left * tempo / 60
        return None

    def turn(self, number: int, second: float) -> Label | None:
        """Return whose turn it is: the latest label but the section's own."""
        section = self.sections[number]
        turn = None
        for label in section.labels:
            if float(section.start) + label.seconds > second + 1e-6:
                break
            if label.kind in ("part", "turn"):
                turn = label
        return turn
