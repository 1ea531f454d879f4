"""Small phrases and streams that several tests use."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from backing.arrangement import arrange
from backing.band import Band, Bar
from backing.events import Note, Section, Stream
from backing.forms import find_form
from backing.grooves import find_groove
from backing.harmony import Chord
from backing.setting import Setting
from backing.sound.limiter import block_peaks
from backing.tempo import Clock
from phrases.files import read_phrase
from phrases.phrase import Phrase
from phrases.pitch import Key

# A call of two bars and a response of two, with a pickup into each.
ANSWERED = """title = "Answered"
key = "A"
groove = "shuffle"
tempo = 96
lines = "{lines}"
[[part]]
role = "call"
notes = '4& e5 | 1 e8p5 2 B8 | 1 G7b(full) 3 .'
[[part]]
role = "response"
notes = '4 B5 | 1 B8 & B5 2 G7/9~ 3 . | 1 D7 2 .'
"""


def noise(seed: int, frames: int, cutoff: float = 0.5) -> NDArray[np.float32]:
    """Return stereo noise that swells and fades, up to a share of half the rate."""
    white = np.random.default_rng(seed).standard_normal((2, frames))
    swell = 0.02 + 0.1 * np.sin(np.arange(frames) / 20_000) ** 2
    return (sosfilt(butter(8, cutoff, output="sos"), white) * swell).astype(np.float32)


def answered(lines: str = "every") -> Phrase:
    return read_phrase(ANSWERED.replace("{lines}", lines))


def line(notes: str, tempo: float = 60, **more: str) -> Phrase:
    """Return a phrase of one part in A."""
    head = {"title": "Line", "key": "A", "groove": "shuffle", **more}
    text = "\n".join(f'{name} = "{value}"' for name, value in head.items())
    return read_phrase(f"{text}\ntempo = {tempo}\n[[part]]\nnotes = '{notes}'\n")


def lead(stream: Stream, number: int) -> list[Note]:
    """Return the guitar's notes of one section."""
    return [note for note in stream.sections[number].notes if note.voice.startswith("lead")]


def setting(
    groove: str = "shuffle", form: str = "twelve-bar", tempo: float = 104, **more: Any
) -> Setting:
    """Return a setting in A with one bar of sticks."""
    named: dict[str, Any] = {"key": Key("A"), **more}
    return Setting(
        groove=find_groove(groove), form=find_form(form), tempo=Fraction(tempo), **named
    )


def voice(notes: tuple[Note, ...] | list[Note], name: str) -> list[Note]:
    return [note for note in notes if note.voice == name]


@dataclass(frozen=True)
class Read:
    """A section and what the band read to play it; a bar's seconds are those of the piece."""

    section: Section
    bars: tuple[Bar, ...]
    clock: Clock
    beats: int

    def at(self, bar: int, beat: Fraction | int = 0) -> float:
        return float(self.section.start + self.clock.exact(bar * self.beats + beat))

    def chords(self) -> Iterator[tuple[float, Fraction, Chord, Bar]]:
        """Yield each chord: its second, how many beats it lasts, itself, its bar."""
        for number, bar in enumerate(self.bars):
            turns = bar.turns(self.beats)
            ends = [at for at, _ in turns[1:]] + [Fraction(self.beats)]
            for (at, chord), end in zip(turns, ends, strict=True):
                yield self.at(number, at), end - at, chord, bar

    def notes(self, name: str) -> list[Note]:
        """Return a voice's notes, in seconds from the piece's start."""
        begin = float(self.section.start)
        return [
            replace(note, start=begin + note.start, end=begin + note.end)
            for note in self.section.notes
            if note.voice == name
        ]


def read(
    given: Setting, choruses: int = 2, phrase: Phrase | None = None, **more: str
) -> tuple[Stream, list[Read]]:
    """Return an arrangement, and each of its sections with the bars that the band read."""
    rows: list[tuple[tuple[Bar, ...], Clock]] = []
    play = Band.play

    def noted(band: Band, bars: Any, clock: Clock, after: Any) -> list[Note]:
        rows.append((tuple(bars), clock))
        return play(band, bars, clock, after)

    with patch.object(Band, "play", noted):
        stream = arrange(given, choruses, phrase, **more)
    played = [section for section in stream.sections if section.name != "count-in"]
    beats = given.groove.meter.beats
    return stream, [
        Read(section, bars, clock, beats)
        for section, (bars, clock) in zip(played, rows, strict=True)
    ]


def true_peak(sound: NDArray[np.float32]) -> float:
    """Return the true peak in dBTP, shape (2, frames) in; -inf for silence."""
    peak = float(block_peaks(sound).max(initial=0.0))
    return 20 * math.log10(peak) if peak else -math.inf
