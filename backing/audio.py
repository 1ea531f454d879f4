"""The stream as sound: sections rendered once each, laid end to end at exact frames.

A section starts on the frame nearest its exact second; what rings on after it is laid over the
next. Sections with equal notes are rendered once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np

from backing.events import Note, Section, Stream
from backing.mix import Sound, ceiling, mix
from backing.synth import synthesise

__all__ = ["RATE", "frame_of", "render", "render_blocks"]

RATE = 44100
WORKERS = 2
LAST_RING = 4.0  # seconds that may ring after the music ends

Progress = Callable[[float], None]


def frame_of(section: Section, rate: int = RATE) -> int:
    """Return the frame on which a section starts."""
    return round(section.start * rate)


def render_blocks(
    stream: Stream, soundfont: Path, rate: int = RATE, progress: Progress | None = None
) -> Iterator[Sound]:
    """Yield the mixed sound of a stream, section by section.

    Parameters
    ----------
    stream
        What to play.
    soundfont
        A file that `soundfonts.find_soundfont` found.
    rate
        Frames a second.
    progress
        Called with the seconds rendered so far.

    Yields
    ------
    numpy.ndarray
        Shape (2, frames), float32, below full scale.
    """
    carry = np.zeros((2, 0), np.float32)
    sounds = _ahead(stream, soundfont, rate)
    for number, (section, sound) in enumerate(zip(stream.sections, sounds, strict=True)):
        last = number == len(stream.sections) - 1
        start = frame_of(section, rate)
        end = round(stream.seconds * rate) if last else frame_of(stream.sections[number + 1], rate)
        frames = end - start
        out = np.zeros((2, max(frames, sound.shape[1], carry.shape[1])), np.float32)
        out[:, : carry.shape[1]] += carry
        out[:, : sound.shape[1]] += sound
        if last:
            yield _faded(ceiling(out[:, : frames + round(LAST_RING * rate)]), frames)
        else:
            yield ceiling(out[:, :frames])
            carry = out[:, frames:]
        if progress is not None:
            progress(float(section.start + section.seconds))


def _ahead(stream: Stream, soundfont: Path, rate: int) -> Iterator[Sound]:
    """Yield each section's sound, rendering the next ones meanwhile, each different one once."""

    def make(notes: tuple[Note, ...]) -> Sound:
        return mix(synthesise(notes, stream.programs, soundfont, rate), rate)

    every = [section.notes for section in stream.sections]
    uses = Counter(every)
    made: dict[tuple[Note, ...], Future[Sound]] = {}
    begun = 0
    with ThreadPoolExecutor(WORKERS) as pool:  # FluidSynth and numpy leave Python to others
        try:
            for number, notes in enumerate(every):
                while begun < min(len(every), number + WORKERS + 1):
                    if every[begun] not in made:
                        made[every[begun]] = pool.submit(make, every[begun])
                    begun += 1
                sound = made[notes].result()
                uses[notes] -= 1
                if not uses[notes]:
                    del made[notes]
                yield sound
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _faded(sound: Sound, frames: int) -> Sound:
    """End in silence: what still rings after the music fades, and silence is cut off."""
    ring = sound.shape[1] - frames
    if ring <= 0:
        return sound
    sound = sound.copy()
    sound[:, frames:] *= np.linspace(1.0, 0.0, ring, dtype=np.float32) ** 2
    loud = np.flatnonzero(np.abs(sound).max(axis=0) > 1.0 / 65536)
    return sound[:, : max(frames, int(loud[-1]) + 1 if loud.size else 0)]


def render(stream: Stream, soundfont: Path, rate: int = RATE) -> Sound:
    """Return the whole mixed sound of a stream, shape (2, frames)."""
    return np.concatenate(list(render_blocks(stream, soundfont, rate)), axis=1)
