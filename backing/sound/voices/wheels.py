"""The organ: tone wheels, drawbars, the click of keys, percussion, and a cabinet with two rotors.

Conventions: frequencies in Hz; sound is stereo, shape (2, frames); what is held is told at the
edges of hops. A key closes a contact for each drawbar, and each of these leads to a wheel. All
wheels are summed by one matrix product for each chunk.

References, from memory: each semitone has a pair of gears that comes near equal temperament, of a
shaft that turns 20 times a second, and wheels of 2 to 128 teeth, of 192 at the top; drawbars are
marked by lengths of pipes, and a step is 3 dB. Horn and drum turn 0.7 times a second, 6 to 7 times
where they are fast, and the light horn follows sooner; it has what is over about 800 Hz.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from backing.events import SOFT, Note
from backing.sound.filters import Samples
from backing.sound.voices.loop import HOP, between
from backing.sound.voices.plucks import noise

__all__ = ["DRAWBARS", "REGISTRATION", "Organ", "wheel_hertz"]

Floats = NDArray[np.float64]


# Teeth of the driving and the driven gear, from C to B.
GEARS: tuple[tuple[int, int], ...] = (
    (85, 104), (71, 82), (67, 73), (105, 108), (103, 100), (84, 77),
    (74, 64), (98, 80), (96, 74), (88, 64), (67, 46), (108, 70),
)  # fmt: skip
SHAFT = 20.0
FIRST, TOP, HIGHEST = 24, 108, 114  # MIDI pitches of wheels: of 2 teeth, of 192, and the last

# Semitones above the key, by drawbar.
DRAWBARS: dict[str, int] = {
    "16": -12, "5 1/3": 7, "8": 0, "4": 12, "2 2/3": 19, "2": 24, "1 3/5": 28, "1 1/3": 31,
    "1": 36,
}  # fmt: skip
# How far each is drawn, up to 8. The 16 would sound an octave below what is written.
REGISTRATION: dict[str, int] = {"8": 8, "4": 7, "2 2/3": 6, "2": 4, "1 1/3": 3, "1": 2}
STEP = 3.0  # dB
PERCUSSION, STRUCK, FALL = 12, 0.7, 55.0  # semitones above the key, how loud, dB a second
FREE = 0.02  # seconds that all keys must have been up for it

BOUNCE = np.array([0.75, 0.35, 0.9, 1.0])  # how far a contact is closed, hop by hop
LATEST = 0.003  # seconds from the first contact of a key to the last

CROSS = 800.0
HORN, DRUM = (0.72, 6.7, 0.9), (0.66, 5.9, 3.0)  # turns a second, slow and fast; seconds to 63 %
HORN_DEPTH, DRUM_DEPTH = 0.30, 0.16  # of loudness
REACH = 0.19 / 343.0  # seconds to the horn's mouth: its way is longer and shorter by so much
EARS = (-1.0, 1.0)  # radians from the front
GAIN = 0.05


@lru_cache(maxsize=128)
def wheel_hertz(pitch: int) -> float:
    """Return the frequency of the wheel for a MIDI pitch; beyond the last, of an octave lower."""
    while pitch > HIGHEST:
        pitch -= 12
    while pitch < FIRST:
        pitch += 12
    teeth = 192 if pitch >= TOP else 2 << (pitch - FIRST) // 12
    drive, driven = GEARS[(pitch - 7 if pitch >= TOP else pitch) % 12]
    return SHAFT * drive / driven * teeth


class _Rotor:
    """How far something has turned that is fast in some spans of time and slow else."""

    def __init__(
        self, turns: tuple[float, float, float], spans: Sequence[tuple[float, float]]
    ) -> None:
        slow, fast, self._lag = turns
        self._marks = [
            (-math.inf, slow, slow, 0.0)
        ]  # from when, to which speed, from which, turned
        for begin, end in spans:
            for at, goal in ((begin, fast), (end, slow)):
                speed, turned = (float(one[0]) for one in self._at(np.array([at])))
                self._marks.append((at, goal, speed, turned))

    def _at(self, seconds: Floats) -> tuple[Floats, Floats]:
        speed, turned = np.zeros(len(seconds)), np.zeros(len(seconds))
        for number, (at, goal, was, before) in enumerate(self._marks):
            begin = int(np.searchsorted(seconds, at)) if number else 0
            since = seconds[begin:] - (at if number else 0.0)
            left = (was - goal) * np.exp(-since / self._lag) if was != goal else 0.0 * since
            speed[begin:] = goal + left
            turned[begin:] = before + goal * since + self._lag * (was - goal - left)
        return speed, turned

    def angle(self, seconds: Floats) -> Floats:
        """Return the angle in radians at times that rise."""
        return 2 * np.pi * self._at(seconds)[1]


class Organ:
    """An organ, chunk by chunk.

    Parameters
    ----------
    notes
        In order of time; of a chord the first says whether it swells.
    rate
        Frames a second.
    registration
        How far each of `DRAWBARS` is drawn, 0 to 8.

    Attributes
    ----------
    frames
        After so many nothing sounds.
    """

    def __init__(
        self, notes: Sequence[Note], rate: int, registration: dict[str, int] = REGISTRATION
    ) -> None:
        self.rate = rate
        self._notes = notes
        drawn = {DRAWBARS[name]: far for name, far in registration.items() if far}
        # Each contact of a key, and percussion, that of its own: semitones above, and how loud.
        self._above = np.array([*drawn, PERCUSSION])
        self._level = np.array(
            [*(10 ** (STEP * (far - 8) / 20) for far in drawn.values()), STRUCK]
        )
        self._swelling = {note.start: note.end for note in notes if note.swell}
        self._struck = self._free()
        spans = sorted(self._swelling.items())
        self._horn, self._drum = _Rotor(HORN, spans), _Rotor(DRUM, spans)
        self._late = 2 + math.ceil(REACH * rate)
        self._before: Samples = np.zeros(2 * self._late + 1, np.float32)
        self.frames = round(max(note.end for note in notes) * rate) + 4 * HOP + 2 * self._late

    def _free(self) -> set[float]:
        """Return the starts of chords before which no key was held."""
        found, busy = set(), -math.inf
        for note in self._notes:
            if note.start > busy + FREE:
                found.add(note.start)
            busy = max(busy, note.end)
        return found

    def _held(self, start: int, hops: int) -> tuple[list[int], Floats]:
        """Return the wheels that are heard and how loud each is at the edges of hops."""
        edge = HOP / self.rate
        first = start / self.rate
        heard: dict[int, Floats] = {}
        for number, note in enumerate(self._notes):
            if note.end + LATEST + 4 * edge < first or note.start > first + hops * edge:
                continue
            contacts = len(self._above) - (note.start not in self._struck)
            late = LATEST * np.abs([float(noise(1, 17 * number + n)[0]) for n in range(contacts)])
            late[len(self._above) - 1 :] = 0.0
            opens = np.rint((note.start + late - first) / edge)[:, None]
            shuts = np.maximum(opens + 1, np.rint((note.end + late - first) / edge)[:, None])
            begin, end = max(0, int(opens.min())), min(hops + 1, int(shuts.max()))
            if begin >= end:
                continue
            at = np.arange(begin, end)
            touched = np.clip(at - opens, 0, len(BOUNCE) - 1).astype(np.intp)
            closed = BOUNCE[touched] * ((at >= opens) & (at < shuts))
            closed *= (note.velocity / 127) ** 2 * self._level[:contacts, None]
            since = first + edge * at - note.start
            swells = self._swelling.get(note.start)
            if swells is not None:
                grown = np.clip(since / (swells - note.start), 0.0, 1.0)
                closed *= ((SOFT + (127 - SOFT) * grown) / 127) ** 2
            closed[len(self._above) - 1 :] *= 10 ** (-FALL * np.maximum(0.0, since) / 20)
            for above, row in zip(self._above, closed, strict=False):
                wheel = _folded(note.pitch + int(above))
                heard.setdefault(wheel, np.zeros(hops + 1))[begin:end] += row
        wheels = sorted(heard)
        return wheels, np.array([heard[wheel] for wheel in wheels]).T

    def play(self, start: int, frames: int) -> Samples:
        """Return frames from `start` on, a whole number of hops; called in order."""
        hops = frames // HOP
        wheels, held = self._held(start, hops)
        both = np.zeros((2, frames), np.float32)  # for the drum, for the horn
        if wheels:
            hertz = np.array([wheel_hertz(wheel) for wheel in wheels])
            drum = 1 / np.sqrt(1 + (hertz / CROSS) ** 4)
            rows = np.flatnonzero((held[:-1] > 0).any(axis=1) | (held[1:] > 0).any(axis=1))
            turn = hertz / self.rate
            turned = (start + HOP * rows)[:, None] * turn
            turned -= np.floor(turned)
            phase = (2 * np.pi * turned).astype(np.float32)
            waves = np.concatenate([np.sin(phase), np.cos(phase)], axis=1)
            inside = 2 * np.pi * turn[:, None] * np.arange(HOP)
            steps = np.concatenate([np.cos(inside), np.sin(inside)]).astype(np.float32)
            ramp = (np.arange(HOP) / HOP).astype(np.float32)
            loud = np.tile(held[rows].astype(np.float32), 2)
            change = np.tile((held[rows + 1] - held[rows]).astype(np.float32), 2)
            moving = np.flatnonzero(change.any(axis=1))
            change, loud = waves[moving] * change[moving], waves * loud
            for sound, share in zip(both, (drum, np.sqrt(1 - drum**2)), strict=True):
                heard = np.tile(share, 2).astype(np.float32)[:, None] * steps
                block = loud @ heard
                block[moving] += (change @ heard) * ramp
                sound.reshape(hops, HOP)[rows] = block
        return self._turned(both, start) * np.float32(GAIN)

    def _turned(self, both: Samples, start: int) -> Samples:
        """Return drum and horn as they turn, in stereo."""
        frames = both.shape[1]
        hops = np.arange(frames // HOP)
        edges = (start + HOP * np.arange(len(hops) + 1)) / self.rate
        horn = np.concatenate([self._before, both[1]])
        place = (len(self._before) + np.arange(frames)).reshape(-1, HOP)
        self._before = horn[len(horn) - len(self._before) :].copy()
        out = np.empty((2, frames), np.float32)
        angles = self._drum.angle(edges), self._horn.angle(edges)
        for ear, side in zip(EARS, out, strict=True):
            away = np.cos(angles[1] - ear)
            late = between((self._late - away * REACH * self.rate).astype(np.float32), hops)
            whole = late.astype(np.int32)
            late -= whole.astype(np.float32)
            at = place - whole
            heard = horn.take(at)
            at -= 1
            late *= horn.take(at) - heard
            heard += late
            heard *= between((1 + HORN_DEPTH * away).astype(np.float32), hops)
            slow = between((1 - DRUM_DEPTH * np.cos(angles[0] + ear)).astype(np.float32), hops)
            slow *= both[0].reshape(-1, HOP)
            np.add(heard, slow, out=side.reshape(-1, HOP))
        return out


def _folded(pitch: int) -> int:
    """Return the pitch of the wheel that sounds for a pitch."""
    while pitch > HIGHEST:
        pitch -= 12
    return pitch
