"""The stream as sound: sections rendered once each, laid end to end at exact frames.

A section starts on the frame nearest its exact second; what rings on after it is laid over the
next. Sections with equal notes are rendered once. Loudness is known only when all is rendered,
so the layers of the mix wait in a spool until they are mastered. Two sections are rendered at a
time. Tried without gain: stretches of other lengths, other settings of malloc, memory touched
ahead, sections begun while numpy is loaded, more threads.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future
from contextlib import closing
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backing.events import Note, Section, Stream
from backing.sound.filters import Samples
from backing.sound.fluid import check_audio
from backing.sound.limiter import MARGIN
from backing.sound.loudness import CELL, TAPS, k_spectrum
from backing.sound.mix import APART, TOGETHER, layered, room, with_sticks
from backing.sound.rendered import Rendered
from backing.sound.spool import Spool, Stretch
from backing.sound.synth import Stems
from backing.sound.voices.ensemble import plain_level, played

__all__ = ["CHUNK", "LAST_RING", "RATE", "Rendered", "faded", "frame_of", "layers", "render"]

RATE = 44100

USUAL_RING = 2  # seconds that a section rings into the next, about
LAST_RING = 4.0  # seconds that may ring after the music ends
CHUNK = 122880  # frames that are written at a time
# Frames at the start of a section that are kept apart: a whole number of these for what rings into
# it, and after them what the meter hears or the limiter looks at.
HEAD = 80 * CELL
SETTLED = -(-max(TAPS, MARGIN) // CELL) * CELL

Progress = Callable[[float], None]
Row = tuple[Stretch, ...]


def frame_of(section: Section, rate: int = RATE) -> int:
    """Return the frame on which a section starts."""
    return round(section.start * rate)


def render(
    stream: Stream,
    soundfont: Path,
    rate: int = RATE,
    progress: Progress | None = None,
    *,
    apart: bool = False,
    folder: Path | None = None,
) -> Rendered:
    """Render a stream.

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
    apart
        Whether to keep every part as a layer of its own.
    folder
        Where a long piece waits for mastering; the system's temporary folder by default.
    """
    check_audio()  # before any thread: it has to do with standard output
    names: tuple[str, ...] = (
        APART if apart else TOGETHER if "lead" in stream.parts else TOGETHER[:1]
    )
    if "sticks" in stream.parts:
        names = with_sticks(names)
    different = {section.notes: section.seconds for section in stream.sections}
    expected = sum(different.values()) + USUAL_RING * len(different)
    out = Rendered(names, rate, folder, round(expected * rate))
    try:
        rows = _begin(stream, different, soundfont, out)
        room(rate)  # so that it is ready when the first of them has been played
        k_spectrum(rate)
        _lay(stream, rows, out, progress)
        out.measure()
        if stream.window is not None:
            first = frame_of(stream.sections[stream.window[0]], rate)
            out.window = first, first + round(stream.kept().seconds * rate)
    except BaseException:
        out.close()
        raise
    return out


def layers(
    stream: Stream, notes: tuple[Note, ...], soundfont: Path, rate: int, names: tuple[str, ...],
    heard: NDArray[np.float32] | None = None,
) -> Generator[Samples, None, None]:  # fmt: skip
    """Yield the layers of a section of a stream, from its start on, in pieces.

    Parameters
    ----------
    stream
        Whose programs, voice and tone are used.
    notes
        In seconds from the section's start.
    soundfont
        A file that `soundfonts.find_soundfont` found.
    rate
        Frames a second.
    names
        The layers, as for `backing.sound.mix.layered`.
    heard
        Gets the highest frame of each of `backing.sound.synth.PARTS`, dry.

    Yields
    ------
    numpy.ndarray
        Shape (layers, 2, frames), float32; the last pieces are what rings on after the section.
    """
    shifts = stream.phrase.tuned.items() if stream.phrase else ()
    tuning = tuple((name, up) for name, up in shifts if up)
    stems = played(notes, stream.programs, soundfont, rate, stream.voice, stream.pick, tuning)
    if heard is not None:
        stems = _watched(stems, heard)
    pick = "middle" if stream.voice == "strings" else stream.pick  # a string is picked there
    level = partial(plain_level, stream.voice, stream.programs, soundfont, rate)
    yield from layered(stems, rate, names, stream.tone, pick, level)


def _watched(stems: Iterable[Stems], heard: NDArray[np.float32]) -> Iterator[Stems]:
    for piece in stems:
        if piece.shape[2]:
            high = np.maximum(piece.max(axis=(1, 2)), -piece.min(axis=(1, 2)))
            np.maximum(heard, high, out=heard)
        yield piece


def _begin(
    stream: Stream, different: Iterable[tuple[Note, ...]], soundfont: Path, out: Rendered
) -> dict[tuple[Note, ...], Future[Row]]:
    """Have the notes of each different section rendered, in the order in which they are needed."""

    def make(notes: tuple[Note, ...]) -> Row:
        with closing(layers(stream, notes, soundfont, out.rate, out.names, out.heard)) as made:
            return tuple(out.spool.write(piece) for piece in made)

    return {notes: out.pool.submit(make, notes) for notes in different}


def _lay(
    stream: Stream,
    rows: dict[tuple[Note, ...], Future[Row]],
    out: Rendered,
    progress: Progress | None,
) -> None:
    """Lay sections end to end, what rings on after each over what follows."""
    sums: dict[tuple[Stretch, Row], Stretch] = {}
    rings: Row = ()
    starts = [frame_of(section, out.rate) for section in stream.sections]
    ends = [*starts[1:], round(stream.seconds * out.rate)]
    for number, section in enumerate(stream.sections):
        frames = ends[number] - starts[number]
        row = _summed(rows[section.notes].result(), rings, out.spool, sums)
        short = frames - sum(len(stretch) for stretch in row)
        if short > 0:
            row += (out.spool.write(np.zeros((out.spool.layers, 2, short), np.float32)),)
        for stretch in _cut(row, 0, frames):
            out.add(stretch, counts=number in stream.steady)
        rings = _cut(row, frames, sys.maxsize)
        if progress is not None:
            progress(float(section.start + section.seconds))
    out.add(_faded(out.spool, _cut(rings, 0, round(LAST_RING * out.rate))))


def _cut(row: Row, start: int, stop: int) -> Row:
    """Return frames `start` to `stop` of a row, as far as it goes."""
    found, at = [], 0
    for stretch in row:
        part = stretch.cut(start - at, stop - at)
        found += [part] if part else []
        at += len(stretch)
    return tuple(found)


def _summed(row: Row, rings: Row, spool: Spool, sums: dict[tuple[Stretch, Row], Stretch]) -> Row:
    """Return a row with another laid over it; equal sums are stored once.

    What lies under no ring is apart, and so is what is near enough to hear one, so that the rest
    is the same whatever rang before.
    """
    long = -(-sum(len(stretch) for stretch in rings) // HEAD) * HEAD
    if long:
        edges = (0, long, long + SETTLED, sys.maxsize)
        row = tuple(stretch for span in pairwise(edges) for stretch in _cut(row, *span))
    out, at = [], 0
    for stretch in row:
        over = _cut(rings, at, at + len(stretch))
        at += len(stretch)
        if over and (stretch, over) not in sums:
            sound = spool.read(stretch).copy()
            ringing = np.concatenate([spool.read(part) for part in over], axis=2)
            sound[:, :, : ringing.shape[2]] += ringing
            sums[stretch, over] = spool.write(sound)
        out.append(sums[stretch, over] if over else stretch)
    return *out, *_cut(rings, at, sys.maxsize)


def _faded(spool: Spool, rings: Row) -> Stretch:
    nothing = np.zeros((spool.layers, 2, 0), np.float32)
    return spool.write(
        faded(np.concatenate([nothing, *(spool.read(part) for part in rings)], axis=2))
    )


def faded(sound: Samples) -> Samples:
    """End in silence: what still rings after the music fades, and silence is cut off.

    Parameters
    ----------
    sound
        Shape (layers, 2, frames), from the end of the music on.
    """
    sound = sound * np.linspace(1.0, 0.0, sound.shape[2], dtype=np.float32) ** 2
    loud = np.flatnonzero(np.abs(sound.sum(axis=0)).max(axis=0) > 1.0 / 65536)
    return sound[:, :, : int(loud[-1]) + 1 if loud.size else 0]
