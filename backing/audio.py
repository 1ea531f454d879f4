"""The stream as sound: sections rendered once each, laid end to end at exact frames.

A section starts on the frame nearest its exact second; what rings on after it is laid over the
next. Sections with equal notes are rendered once. Loudness is known only when all is rendered,
so the layers of the mix wait in a temporary file until they are mastered.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from tempfile import SpooledTemporaryFile

import numpy as np
from numpy.typing import NDArray

from backing.events import Note, Section, Stream
from backing.loudness import BLOCK, MARGIN, Meter, gain_curve
from backing.mix import APART, LIMIT, TOGETHER, Gains, Sound, layered, master
from backing.synth import check_audio, stretches

__all__ = ["RATE", "Rendered", "frame_of", "pieces", "render"]

RATE = 44100

WORKERS = 2
LAST_RING = 4.0  # seconds that may ring after the music ends
IN_MEMORY = 1 << 25  # bytes; longer pieces wait on disk
CHUNK = BLOCK << 12  # frames mastered at a time

Progress = Callable[[float], None]


def frame_of(section: Section, rate: int = RATE) -> int:
    """Return the frame on which a section starts."""
    return round(section.start * rate)


class Rendered:
    """A piece as layers, measured and ready to be mastered.

    Attributes
    ----------
    names
        The layers, `backing.mix.TOGETHER` or `backing.mix.APART`.
    frames
        Its length.
    window
        The first frame that is kept and the one after the last; None keeps all.
    gains
        What mastering will do.
    """

    def __init__(self, names: tuple[str, ...], rate: int, folder: Path | None) -> None:
        self.names = names
        self.rate = rate
        self.frames = 0
        self.window: tuple[int, int] | None = None
        self.gains = Gains(1.0, 1.0)
        self._spool = SpooledTemporaryFile(IN_MEMORY, dir=str(folder or "") or None, prefix=".")  # noqa: SIM115
        self._meter = Meter(len(names), rate)
        self._heard: tuple[int, int] | None = None

    def add(self, sound: Sound, *, counts: bool = True) -> None:
        """Append the next frames, shape (layers, 2, frames); their loudness may not count."""
        if counts:
            first = self._heard[0] if self._heard else self.frames
            self._heard = first, self.frames + sound.shape[2]
            self._meter.add(sound)
        self._spool.write(np.ascontiguousarray(sound.transpose(2, 0, 1)).tobytes())
        self.frames += sound.shape[2]

    def measure(self) -> None:
        """Decide the gains from all that was added."""
        known: dict[float, NDArray[np.float32]] = {}

        def peaks(gains: Gains) -> NDArray[np.float32]:
            # Up to a factor they depend on the balance of band and lead alone.
            most = max(gains.band, gains.lead)
            balance = gains.lead / gains.band if gains.band else np.inf
            if balance not in known:
                known[balance] = self._peaks(gains) / np.float32(most)
            return known[balance] * np.float32(most)

        self.gains = master(self._meter, self.names, peaks)

    def _peaks(self, gains: Gains) -> NDArray[np.float32]:
        """Return the highest frame of each block of a mix at some gains."""
        each = gains.of(self.names)
        found = []
        low, high = self._heard or (0, self.frames)
        for start in range(low, high, CHUNK):
            raw = self._raw(start, min(high, start + CHUNK))
            mix = np.einsum("nlc,l->nc", raw, each)
            whole = np.pad(mix, ((0, -len(mix) % BLOCK), (0, 0)))
            found.append(np.abs(whole, out=whole).reshape(-1, 2 * BLOCK).max(axis=1))
        return np.concatenate(found)

    def _raw(self, start: int, stop: int) -> Sound:
        """Return frames of every layer as they were rendered, shape (frames, layers, 2)."""
        wide = 8 * len(self.names)
        self._spool.seek(start * wide)
        raw = self._spool.read((min(stop, self.frames) - start) * wide)
        return np.frombuffer(raw, np.float32).reshape(-1, len(self.names), 2)

    def blocks(self) -> Iterator[tuple[Sound, Sound]]:
        """Yield the layers at their gains and the finished mix, some frames at a time.

        The layers of each pair, shape (layers, 2, frames), add up to its mix, shape
        (2, frames), before the limiter.
        """
        low, high = self.window or (0, self.frames)
        for start in range(low, high, CHUNK):
            stop = min(high, start + CHUNK)
            first = max(0, start - MARGIN - (start - MARGIN) % BLOCK)
            raw = self._raw(first, stop + MARGIN)
            gains = self.gains.of(self.names)
            mix = np.ascontiguousarray(np.einsum("nlc,l->nc", raw, gains).T)
            here = slice(start - first, stop - first)
            apart = (raw[here] * gains[:, None]).transpose(1, 2, 0)
            yield apart, (mix * gain_curve(mix, LIMIT))[:, here]

    def close(self) -> None:
        """Give back the temporary file."""
        self._spool.close()


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
    names = APART if apart else TOGETHER if _has_lead(stream) else TOGETHER[:1]
    out = Rendered(names, rate, folder)
    try:
        sounds = _laid(stream, _ahead(stream, soundfont, rate, names), rate, progress)
        for number, sound in enumerate(sounds):
            out.add(sound, counts=number in stream.steady)
        out.measure()
        if stream.window is not None:
            first = frame_of(stream.sections[stream.window[0]], rate)
            out.window = first, first + round(stream.kept().seconds * rate)
    except BaseException:
        out.close()
        raise
    return out


def pieces(
    stream: Stream, notes: tuple[Note, ...], soundfont: Path, rate: int, names: tuple[str, ...]
) -> Iterator[Sound]:
    """Yield the layers of a section of a stream, from its start on, the first pieces short.

    Parameters
    ----------
    stream
        Whose programs and tone are used.
    notes
        In seconds from the section's start.
    soundfont
        A file that `soundfonts.find_soundfont` found.
    rate
        Frames a second.
    names
        The layers, `backing.mix.TOGETHER` or `backing.mix.APART`.

    Yields
    ------
    numpy.ndarray
        Shape (layers, 2, frames), float32; the last pieces are what rings on after the section.
    """
    stems = stretches(notes, stream.programs, soundfont, rate)
    yield from layered(stems, rate, names, stream.tone, stream.pick)


def _has_lead(stream: Stream) -> bool:
    return any(voice.startswith("lead") for voice in stream.voices)


def _laid(
    stream: Stream, sounds: Iterator[Sound], rate: int, progress: Progress | None
) -> Iterator[Sound]:
    """Yield sections end to end, what rings after each laid over what follows."""
    carry: Sound | None = None
    for number, (section, sound) in enumerate(zip(stream.sections, sounds, strict=True)):
        last = number == len(stream.sections) - 1
        start = frame_of(section, rate)
        end = round(stream.seconds * rate) if last else frame_of(stream.sections[number + 1], rate)
        frames = end - start
        before = carry if carry is not None else sound[:, :, :0]
        longest = max(frames, sound.shape[2], before.shape[2])
        out = np.zeros((*sound.shape[:2], longest), np.float32)
        out[:, :, : before.shape[2]] += before
        out[:, :, : sound.shape[2]] += sound
        if last:
            yield _faded(out[:, :, : frames + round(LAST_RING * rate)], frames)
        else:
            yield out[:, :, :frames]
            carry = out[:, :, frames:]
        if progress is not None:
            progress(float(section.start + section.seconds))


def _ahead(stream: Stream, soundfont: Path, rate: int, names: tuple[str, ...]) -> Iterator[Sound]:
    """Yield each section's layers, rendering the next ones meanwhile, each different one once."""

    def make(notes: tuple[Note, ...]) -> Sound:
        return np.concatenate([*pieces(stream, notes, soundfont, rate, names)], axis=2)

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
    ring = sound.shape[2] - frames
    if ring <= 0:
        return sound
    sound = sound.copy()
    sound[:, :, frames:] *= np.linspace(1.0, 0.0, ring, dtype=np.float32) ** 2
    loud = np.flatnonzero(np.abs(sound).max(axis=(0, 1)) > 1.0 / 65536)
    return sound[:, :, : max(frames, int(loud[-1]) + 1 if loud.size else 0)]
