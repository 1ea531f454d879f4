"""Guitar and bass: the strings of a section's notes, chunk by chunk.

Conventions: sound is one row of frames. Every string is a loop that goes on from chunk to
chunk. A string that swings across the top swings a little towards it too, not quite in step, and
strings that nobody plays answer softly what the others play.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations, groupby

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from backing.events import Note
from backing.sound.filters import Samples, filtered, once
from backing.sound.voices.gauges import PICKS, Neck
from backing.sound.voices.hands import LEVEL, RINGS, Hands
from backing.sound.voices.loop import HOP, LOWEST, RAMP, Loop, between
from backing.sound.voices.plucks import Pulses

__all__ = ["Strings", "fingered"]

Floats = NDArray[np.float64]

OTHER_WAY, TURNS = 0.07, 0.15  # how much a string swings the other way; Hz of the slow change
ANSWER, ANSWERS = 0.00025, 0.7  # of what is played; seconds that idle strings ring
IDLE_TAPS = 128  # what is so soft needs no more
RESTING = (30.0, 15.0)  # what takes from idle strings: dB a second, and as much more for each kHz
# Of the lowest string's frequency, from where on all is passed on: a string that is stopped
# elsewhere while it rings keeps an offset.
COUPLED = 0.25
STRUM = 0.004  # seconds from string to string
DIGS = 1.3  # times as hard is struck what lies under the palm, to be heard through it
LAST = 15  # the highest fret on which a chord is taken


class _String:
    """One string and the hands on it."""

    def __init__(
        self, neck: Neck, name: str, notes: Sequence[Note], place: float, rate: int
    ) -> None:
        gauge = neck.strings[name]
        self.rate = rate
        self.loop = Loop(gauge, rate)
        self.hands = Hands(notes, gauge, _pulses(neck, gauge, rate), place)
        self.ends = round((max(note.end for note in notes) + RINGS) * rate)
        self._over: Samples = np.zeros(0, np.float32)  # what the last pulses still put in

    def play(self, start: int, frames: int) -> Samples | None:
        """Return frames from `start` on, a whole number of hops; None where it is at rest."""
        if start >= self.ends:
            return None
        hops = frames // HOP
        before = self.rate // (LOWEST * HOP) + 2  # hops whose pitch still tells the delay
        edges = start + HOP * np.arange(-before, hops + 1)
        pitch, sway, hand, sounding = self.hands.at(edges / self.rate)
        now = slice(before, None)
        given = np.zeros(frames + 4096, np.float32)
        given[: len(self._over)] = self._over
        put = [(0, len(self._over))]
        for at, pulse in self.hands.given(start, start + frames):
            given[at : at + len(pulse)] += pulse
            put.append((at, max(put[-1][1], at + len(pulse))))
        self._over = given[frames : max(frames, put[-1][1])]
        live = sounding[now]
        live = live[:-1] | live[1:]
        if not live.any():
            self.loop.rest()
            return None
        periods = _periods(pitch, self.rate)[now]
        frets = np.maximum(0.0, pitch - self.loop.gauge.open)[now]
        heard = self.loop.run(periods, frets, hand[now], live, given[:frames], put)
        # A string swings two ways, and these drift apart and together: its partials beat slowly.
        turn = 2 * np.pi * TURNS * edges[now] / self.rate
        rows = np.flatnonzero(live)
        late = (1 + periods * (1 - np.cos(turn)) / 2).round().astype(np.intp)
        hop = sliding_window_view(heard, HOP)
        place = self.loop.pad + HOP * rows
        sound = hop[place - late[rows]]
        moved = np.flatnonzero(late[rows + 1] != late[rows])
        sound[moved] += (hop[place[moved] - late[rows + 1][moved]] - sound[moved]) * RAMP
        sound *= np.float32(OTHER_WAY)
        sound += hop[place]
        if sway.any():
            level = 10 ** (-LEVEL / 2000 * np.abs(sway[now]))
            shaken = np.flatnonzero((level[rows] < 1) | (level[rows + 1] < 1))
            sound[shaken] *= between(level, rows[shaken]).astype(np.float32)
        out = np.zeros((hops, HOP), np.float32)
        out[rows] = sound
        return out.reshape(-1)


_pulses = lru_cache(maxsize=32)(Pulses)  # one for all sections


def _periods(pitch: Floats, rate: int) -> Floats:
    """Return the delay at each edge with which the phase in a loop is that of the pitch.

    What comes round was sent one turn of the pitch ago, however that moved meanwhile.
    """
    turns = 440 * 2 ** ((pitch - 69) / 12) * HOP / rate
    phase = np.concatenate([[0.0], np.cumsum((turns[1:] + turns[:-1]) / 2)])
    frames = np.arange(len(pitch)) * float(HOP)
    found: Floats = frames - np.interp(phase - 1, phase, frames)
    found[phase < 1] = HOP / turns[phase < 1]
    return found


@once(4)
def _idle(neck: Neck, rate: int) -> Samples:
    """Return the impulse response of the strings that nobody plays."""
    size = 1 << round(ANSWERS * rate).bit_length()
    answer = np.zeros(size // 2 + 1, complex)
    for gauge in neck.strings.values():
        loop = Loop(gauge, rate)
        period = rate / (440 * 2 ** ((gauge.open - 69) / 12))
        count = min(loop.taps, IDLE_TAPS)
        lead = min(count - 16, int(0.45 * period))
        whole = int(period) - lead
        (taps,) = loop.filters(np.array([[period, whole, lead, 0.0, *RESTING]]), count)
        once_round = np.fft.rfft(np.concatenate([np.zeros(whole), taps[::-1]]), size)
        answer += once_round / (1 - once_round)
    frames = round(ANSWERS * rate)
    response = np.fft.irfft(answer)[:frames] * np.linspace(1, 0, frames)
    return (ANSWER * response).astype(np.float32)


class Strings:
    """The strings of one part, chunk by chunk.

    Parameters
    ----------
    neck
        The instrument.
    notes
        Those of the part, in order of time.
    pick
        A key of `gauges.PICKS`, or empty for fingers.
    rate
        Frames a second.
    answers
        Whether idle strings answer, which is heard where one plays alone.

    Attributes
    ----------
    frames
        After so many nothing sounds.
    """

    def __init__(
        self, neck: Neck, notes: Iterable[Note], pick: str, rate: int, *, answers: bool = False
    ) -> None:
        by_string: dict[str, list[Note]] = defaultdict(list)
        for string, note in fingered(neck, notes):
            by_string[string].append(note)
        place = PICKS[pick] if pick else neck.fingers
        self.neck, self.rate = neck, rate
        self.strings = [_String(neck, name, own, place, rate) for name, own in by_string.items()]
        self._idle = _idle(neck, rate) if answers else None
        self._rings: Samples = np.zeros(0, np.float32)
        self._offset = 0.0
        ends = max((string.ends for string in self.strings), default=0)
        self.frames = ends + (0 if self._idle is None else len(self._idle))

    def play(self, start: int, frames: int) -> Samples:
        """Return frames from `start` on, a whole number of hops; called in order."""
        dry = np.zeros(frames, np.float32)
        for string in self.strings:
            sound = string.play(start, frames)
            if sound is not None:
                dry += np.float32(self.neck.gain) * sound
        if self._idle is None:
            return self._coupled(dry)
        out = np.zeros(frames + len(self._idle) - 1, np.float32)
        out[: len(self._rings)] = self._rings
        if dry.any():
            filtered(dry, self._idle, out=out)
        self._rings = out[frames:]
        return dry + out[:frames]

    def _coupled(self, dry: Samples) -> Samples:
        """Return it without its offset."""
        hops = dry.reshape(-1, HOP) @ np.full(HOP, 1 / HOP, np.float32)
        lowest = 440 * 2 ** ((min(one.open for one in self.neck.strings.values()) - 69) / 12)
        share = 1 - math.exp(-2 * math.pi * COUPLED * lowest * HOP / self.rate)
        offset = self._offset
        edges = [offset, *(offset := offset + share * (hop - offset) for hop in hops.tolist())]
        self._offset = offset
        dry -= between(np.array(edges, np.float32), np.arange(len(hops))).reshape(-1)
        return dry


def fingered(neck: Neck, notes: Iterable[Note]) -> Iterator[tuple[str, Note]]:
    """Yield notes with the string that each is played on.

    A lead's voice names its string; what is struck together is a chord, strummed from the side of
    its first note on, whose curve holds for all.
    """
    for start, together in groupby(notes, key=lambda note: note.start):
        struck = list(together)
        chord = sorted(struck, key=lambda note: note.pitch)
        if " " in chord[0].voice:
            yield from ((note.voice.split()[1], note) for note in chord)
            continue
        curve = next((note.curve for note in chord if note.curve is not None), None)
        names = _shape(neck, tuple(note.pitch for note in chord))
        strings = list(zip(names, chord, strict=False))
        if struck[0].pitch > struck[-1].pitch:
            strings.reverse()
        for number, (name, note) in enumerate(strings):
            later = start + number * min(STRUM, (note.end - start) / 8)
            hard = min(127, round(note.velocity * (DIGS if note.damped else 1.0)))
            yield name, replace(note, start=later, velocity=hard, curve=curve)


@lru_cache(maxsize=256)
def _shape(neck: Neck, pitches: tuple[int, ...]) -> tuple[str, ...]:
    """Return strings for pitches from low to high: near each other, near the nut, the highest."""
    names = list(neck.strings)

    def reach(chosen: tuple[str, ...]) -> tuple[int, int, int]:
        frets = [p - neck.strings[name].open for p, name in zip(pitches, chosen, strict=True)]
        wrong = sum(max(0, -fret, fret - LAST) for fret in frets)
        stopped = [fret for fret in frets if fret > 0]
        return wrong, max(stopped, default=0) - min(stopped, default=0), sum(frets)

    return min(combinations(names, min(len(pitches), len(names))), key=reach)
