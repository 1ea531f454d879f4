"""Who plays what: strings and wheels of our own, and the soundfont for the rest.

Conventions: sound is dry stems, a stereo pair for each part, as `backing.sound.synth` makes it.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np

from backing.events import LEVELS, VOICES, Note, Stream, part_of
from backing.sound.filters import Samples, once
from backing.sound.loudness import SILENCE, LoudnessMeter
from backing.sound.synth import LENGTH, PARTS, Stems, chunks, synthesise
from backing.sound.voices.gauges import BASS, GUITAR, RHYTHM, UPRIGHT, tuned
from backing.sound.voices.guitar import Strings
from backing.sound.voices.loop import HOP
from backing.sound.voices.strokes import CYMBALS, Strokes, stroke
from backing.sound.voices.wheels import Organ
from soundfonts import embedded

__all__ = ["plain_level", "played", "sampled", "tried"]

Tuning = tuple[tuple[str, int], ...]

PLAIN = 93  # velocity of a plain note on the beat
STRINGS_LEVEL = 0.060
# dB by which a part of ours is as loud in its stem as that of the embedded soundfont is on average
# over the grooves.
GAINS: dict[tuple[str, int], float] = {
    ("bass", 32): 3.4, ("bass", 33): 1.2, ("comp", 26): -2.8, ("comp", 16): -2.9,
}  # fmt: skip
# LUFS of `TRIED` on the embedded soundfont, to which parts of others are brought.
USUAL: dict[tuple[str, int], float] = {
    ("drums", 0): -31.7, ("bass", 32): -32.45, ("bass", 33): -32.64, ("comp", 0): -38.42,
    ("comp", 16): -34.98, ("comp", 26): -34.21, ("comp", 61): -38.74,
}  # fmt: skip
IN_USE, HARD = slice(50, 74), 72  # velocities of comping
SLOT = 0.15  # seconds
MOST = 12.0  # dB, so that what is all but missing is not made of noise
BEATS = 8
TRIED = tuple(
    Note(part, beat / 4, (beat + length) / 4, pitch, velocity)
    for beat in range(BEATS)
    for part, pitches, length, velocity in (
        ("drums", ((36, 42, 38, 42, 36, 42, 38, 43)[beat],), 0.2, (96, 72)[beat % 2]),
        ("bass", (33 + 12 * beat // 7,), 0.8, 72),
        ("comp", (52 + beat, 56 + beat, 59 + beat), 0.8, (56, 72)[beat % 2]),
    )
    for pitch in pitches
)
# The General MIDI programs, from 0, of the parts that are played here.
ORGAN = 16
OWN: dict[str, Container[int]] = {"lead": range(128), "comp": (ORGAN, 26, 27), "bass": (32, 33)}


class _Voice(Protocol):
    """A part that is played here: no frame sounds after `frames`."""

    frames: int

    def play(self, start: int, frames: int) -> Samples:
        """Return frames from `start` on, shape (frames,) or (2, frames)."""


def _voice(
    part: str, program: int, notes: tuple[Note, ...], pick: str, rate: int,
    tuning: Tuning,
) -> _Voice | None:  # fmt: skip
    """Return who plays a part; None for the soundfont."""
    if part not in OWN or program not in OWN[part]:
        return None
    if part == "lead":
        neck = tuned(tuning) if tuning else GUITAR
        return Strings(neck, notes, pick, rate, answers=True)
    if part == "comp" and program == ORGAN:
        return Organ(notes, rate)
    if part == "bass":
        return Strings(UPRIGHT if program == 32 else BASS, notes, "", rate)
    return Strings(RHYTHM, notes, "middle", rate)


def sampled(stream: Stream) -> list[str]:
    """Return the parts of a stream that the soundfont plays."""
    parts = dict.fromkeys(map(part_of, stream.voices))
    if stream.voice != "strings":
        return list(parts)
    return [part for part in parts if stream.programs.get(part, -1) not in OWN.get(part, ())]


@once(8)
def _trims(programs: tuple[tuple[str, int], ...], soundfont: Path, rate: int) -> Samples:
    """Return the gain of each part with which it is as loud as on the embedded soundfont."""
    trims = np.ones(len(PARTS), np.float32)
    if soundfont != embedded():
        for number, found in enumerate(tried(dict(programs), soundfont, rate)):
            usual = USUAL.get((PARTS[number], dict(programs).get(PARTS[number], 0)), found)
            if found > SILENCE:
                trims[number] = 10 ** (min(MOST, max(-MOST, usual - found)) / 20)
    return trims


@once(8)
def _evened(program: int, soundfont: Path, rate: int) -> tuple[float, tuple[int, ...]]:
    """Return a gain for comping, and the velocity at which it is played for each that is written.

    Samples for hard strokes may be many dB louder than those for soft ones, where the embedded
    soundfont goes by the square of the velocity. The gain is that with which the velocities in use
    have others nearest to the square.
    """
    struck = np.arange(16, 128, 2)
    notes = tuple(
        Note("comp", SLOT * n, SLOT * (n + 0.8), 57, int(velocity))
        for n, velocity in enumerate(struck)
    )
    sound = synthesise(notes, {"comp": program}, soundfont, rate)[PARTS.index("comp")]
    slot = round(SLOT * rate)
    padded = np.pad(sound, ((0, 0), (0, slot)))  # it ends where all is silent
    slots = padded[:, : len(struck) * slot].reshape(2, len(struck), -1)
    level = 10 * np.log10(np.einsum("cnf,cnf->n", slots, slots) + 1e-9)
    wanted = 40 * np.log10(np.maximum(1, np.arange(128)))
    wanted += level[struck == HARD][0] - wanted[HARD]
    gains = np.arange(-8.0, 8.1, 0.25)
    off = np.abs(wanted - (level[:, None] + gains[:, None, None]))  # by gain, struck and written
    worst = off[:, :, IN_USE].min(axis=1).max(axis=1)
    best = np.argmin(worst + np.abs(gains) / 10)
    return 10 ** (gains[best] / 20), tuple(map(int, struck[off[best].argmin(axis=0)]))


def tried(programs: dict[str, int], soundfont: Path, rate: int) -> list[float]:
    """Return how loud a soundfont plays `TRIED`, part by part, in LUFS."""
    meter = LoudnessMeter(len(PARTS), rate)
    meter.add(synthesise(TRIED, programs, soundfont, rate)[:, :, : rate * BEATS // 4])
    return [meter.loudness(one) for one in np.eye(len(PARTS))]


def played(
    notes: tuple[Note, ...], programs: dict[str, int], soundfont: Path, rate: int,
    voice: str = VOICES[0], pick: str = "middle", tuning: Tuning = (),
) -> Iterator[Stems]:  # fmt: skip
    """Yield notes as dry stems, from frame 0 on, in chunks.

    Parameters
    ----------
    notes, programs, soundfont, rate
        As for `backing.sound.synth.chunks`.
    voice
        One of `backing.events.VOICES`.
    pick
        Where the lead is picked, a key of `backing.sound.voices.gauges.PICKS`.
    tuning
        The lead's strings that are not at their usual pitch, and semitones above it.

    Yields
    ------
    numpy.ndarray
        As `backing.sound.synth.chunks` does.

    Raises
    ------
    AudioError
        If FluidSynth is missing or cannot load the soundfont.
    """
    kit = programs.get("drums", 0), soundfont, rate
    struck = {n.pitch for n in notes if n.voice == "drums" and n.pitch in CYMBALS}
    laid = [pitch for pitch in struck if stroke(pitch, *kit) is not None]
    cymbals = tuple(n for n in notes if n.voice == "drums" and n.pitch in laid)
    own: dict[str, _Voice] = {"drums": Strokes(cymbals, *kit)} if cymbals else {}
    rest = tuple(n for n in notes if n.voice != "drums" or n.pitch not in laid)
    for part in PARTS if voice == "strings" else ():
        mine = tuple(note for note in rest if part_of(note.voice) == part)
        who = _voice(part, programs.get(part, -1), mine, pick, rate, tuning) if mine else None
        if who is not None:
            own[part] = who
            rest = tuple(note for note in rest if part_of(note.voice) != part)
    trims = _trims(tuple(programs.items()), soundfont, rate)[:, None, None]
    if soundfont != embedded() and any(note.voice == "comp" for note in rest):
        gain, curve = _evened(programs.get("comp", 0), soundfont, rate)
        trims = trims * np.where(np.array(PARTS) == "comp", gain, 1)[:, None, None]
        rest = tuple(
            replace(note, velocity=curve[note.velocity]) if note.voice == "comp" else note
            for note in rest
        )
    others = chunks(rest, programs, soundfont, rate) if rest or not own else iter(())
    last = max((who.frames for who in own.values()), default=0)
    start = 0
    while True:
        stems = next(others, None)
        if stems is None and start >= last:
            return
        if stems is not None:
            stems *= trims
        frames = min(LENGTH, math.ceil(max(0, last - start) / HOP) * HOP)
        if stems is None or stems.shape[2] < frames:
            longer = np.zeros((len(PARTS), 2, frames), np.float32)
            if stems is not None:
                longer[:, :, : stems.shape[2]] = stems
            stems = longer
        if start < last:
            for part, who in own.items():
                sound = who.play(start, stems.shape[2])
                number = PARTS.index(part)
                if part == "drums":
                    stems[number] += sound * trims[number]
                else:
                    stems[number] += sound * _sides(part, programs.get(part, -1))[:, None]
        yield stems
        start += LENGTH


def _sides(part: str, program: int) -> Samples:
    """Return the gains of left and right, of the same power wherever a part stands."""
    place = LEVELS[part][1] / 127 * math.pi / 2
    gain = 10 ** (GAINS.get((part, program), 0.0) / 20)
    return gain * np.array([math.cos(place), math.sin(place)], np.float32)


@once(8)
def _sampled_level(program: int, soundfont: Path, rate: int) -> float:
    """Return how loud the soundfont's lead is, from some plain notes in the middle of the neck."""
    places = (("D", 57), ("G", 62), ("B", 67))
    notes = tuple(
        Note(f"lead {string}", 0.2 * n, 0.2 * n + 0.15, pitch, PLAIN)
        for n, (string, pitch) in enumerate(places)
    )
    lead = synthesise(notes, {"lead": program}, soundfont, rate)[PARTS.index("lead")].mean(axis=0)
    starts = (round(note.start * rate) for note in notes)
    return float(np.median([np.std(lead[start : start + rate // 10]) for start in starts]))


def plain_level(voice: str, programs: dict[str, int], soundfont: Path, rate: int) -> float:
    """Return the effective value of a plainly picked note of the lead in its first 0.1 s.

    A string's was measured once; a soundfont's is measured where it is used.
    """
    if voice == "strings":
        return STRINGS_LEVEL
    return max(1e-3, _sampled_level(programs["lead"], soundfont, rate))
