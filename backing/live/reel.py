"""A transport as sound: the file's own engine, some frames ahead of what is heard.

Each section that is played is a tape: its layers, which `backing.sound.audio` makes of its notes,
fetched in a thread of its own. Tapes are laid over each other on the frames on which a file lays
them, so what is heard is what a file holds, but for its loudness: the gains are fixed in advance.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from backing.events import Note
from backing.live.index import StreamIndex
from backing.live.transport import Due, Transport
from backing.sound.audio import LAST_RING, faded, layers
from backing.sound.filters import Samples
from backing.sound.fluid import check_audio
from backing.sound.limiter import BLOCK, MARGIN, gain_curve
from backing.sound.mix import LIMIT, TOGETHER, USUAL
from phrases.curve import Curve

__all__ = ["HOP", "Begin", "Reel", "Renderer"]

HOP = 64 * BLOCK  # frames that are laid at a time
FADE = 0.04  # seconds in which a section that is left dies away
SOON = 3.0  # seconds before it begins, a section is made ready
COUNT_IN = -1  # in the place of a section's number
WAITING = 2  # pieces that a tape has ready


@dataclass(frozen=True, slots=True)
class Begin:
    """A section begins: on a frame, from seconds within it, at a pace."""

    frame: int
    section: int
    offset: Fraction
    pace: Fraction
    tempo: Fraction = Fraction(0)  # of a count-in


class Reel(Transport):
    """A transport that says which section begins and when all dies away, in place of messages.

    Instants are seconds of frames; the ways are as for `Transport`.
    """

    def __init__(self, score: StreamIndex, rate: int, **ways: bool) -> None:
        self.rate = rate
        # What is to be done next: a frame on which all that sounds dies away, or a beginning.
        self.cues: deque[int | Begin] = deque()
        super().__init__(score, **ways)

    def ending(self) -> int:
        """Return the frame on which the piece ends, as it is played now."""
        section = self.score.sections[-1]
        return round(self._exact_instant(section.start + section.seconds) * self.rate)

    def begun(self) -> Fraction:
        """Return the instant at which the section that is played began."""
        return self._exact_instant(self.score.sections[self.state.section].start)

    def _change(self, edge: Fraction) -> None:
        section = self.score.sections[self.state.section]
        if edge < section.start + section.seconds - Fraction(1, 10):
            self.cues.append(round(self._exact_instant(edge) * self.rate))
            self._begin(edge)

    def _begin(self, since: Fraction) -> None:
        state = self.state
        start = self.score.sections[state.section].start
        at = self._exact_instant(max(since, start))
        offset = max(Fraction(0), since - start)
        self.cues.append(Begin(round(at * self.rate), state.section, offset, state.pace))

    def _count_in(self, start: Fraction, tempo: Fraction) -> None:
        frame = round(self._exact_instant(start) * self.rate)
        self.cues.append(Begin(frame, COUNT_IN, Fraction(0), self.state.pace, tempo))

    def _hush(self, at: float, out: list[Due]) -> None:
        self.cues.append(round(at * self.rate))


class _Tape:
    """A section that is being played; a thread fetches it."""

    def __init__(self, source: Iterator[Samples]) -> None:
        self.start = 0
        self.cut: int | None = None  # the frame from which it dies away
        self._pieces: list[Samples] = []
        self._first = 0  # frame of the first piece, from the start
        self._stopped = False
        self._all = False
        self._queue: queue.Queue[Samples | BaseException | None] = queue.Queue(WAITING)
        self._thread = threading.Thread(target=self._fetch, args=(source,), daemon=True)
        self._thread.start()

    def _fetch(self, source: Iterator[Samples]) -> None:
        last: BaseException | None = None
        try:
            for piece in source:
                self._queue.put(piece)
                if self._stopped:
                    break
        except BaseException as error:
            last = error
        self._queue.put(last)

    def _more(self) -> None:
        piece = self._queue.get()
        if isinstance(piece, BaseException):
            raise piece
        if piece is None:
            self._all = True
        elif piece.shape[2]:
            self._pieces.append(piece)

    def over(self, frame: int, fade: int) -> bool:
        """Tell whether nothing of it sounds from a frame on."""
        if self.cut is not None and frame >= self.cut + fade:
            return True
        return self._all and not self._pieces

    def add(self, out: Samples, frame: int, fade: int) -> None:
        """Add what sounds from a frame on, as long as `out` is, shape (layers, 2, frames)."""
        end = frame + out.shape[2] - self.start
        while not self._all and sum(p.shape[2] for p in self._pieces) + self._first < end:
            self._more()
        at = self._first
        for piece in self._pieces:
            low, high = max(at, frame - self.start), min(at + piece.shape[2], end)
            if low < high:
                place = low + self.start - frame
                heard = piece[:, :, low - at : high - at]
                if self.cut is not None:
                    since = np.arange(low, high) + (self.start - self.cut)
                    left = np.clip(1 - since / fade, 0.0, 1.0).astype(np.float32)
                    heard = heard * left**2
                out[:, :, place : place + high - low] += heard
            at += piece.shape[2]
        while self._pieces and self._first + self._pieces[0].shape[2] <= end:
            self._first += self._pieces.pop(0).shape[2]

    def length(self) -> int:
        """Return how many frames it has from its start on, once all of it is there."""
        while not self._all:
            self._more()
        return self._first + sum(int(piece.shape[2]) for piece in self._pieces)

    def close(self) -> None:
        """Have no more of it fetched."""
        self._stopped = True
        with contextlib.suppress(queue.Empty):
            while True:
                self._queue.get_nowait()


class Renderer:
    """A score as finished sound, hop by hop, with what a player asks for.

    The soundfont is a file that `soundfonts.find_soundfont` found; the ways are as for
    `Transport`. AudioError if FluidSynth is missing; a soundfont that cannot be loaded is told by
    `laid`.
    """

    def __init__(self, score: StreamIndex, soundfont: Path, rate: int, **ways: bool) -> None:
        check_audio()  # before any thread
        self.rate = rate
        self.reel = Reel(score, rate, **ways)  # where one is, as far as is rendered
        self.names = TOGETHER if "lead" in score.stream.parts else TOGETHER[:1]
        self.frames = 0  # rendered, before mastering
        self.asked: deque[str] = deque()  # of `backing.live.transport.ACTIONS`
        self.over = False
        self.history: list[int | Begin] = []  # what began and died away so far, as `Reel.cues`
        self._score, self._stream = score, score.stream
        self._soundfont = soundfont
        self._tapes: list[_Tape] = []
        self._ready: tuple[int, _Tape] | None = None
        self._fade = round(FADE * rate)
        # What the limiter still looks at.
        self._mixes: Samples = np.zeros((len(self.names), 2, MARGIN), np.float32)

    def laid(self) -> Samples:
        """Return the next frames of every layer, shape (layers, 2, frames), before any gain."""
        begin, end = self.frames, self.frames + HOP
        reel = self.reel
        while self.asked:
            reel.do(self.asked.popleft(), Fraction(begin, self.rate))
        reel.due(Fraction(end, self.rate))
        while reel.cues:
            self._take(reel.cues.popleft())
        self._prepare()
        if reel.state.over:
            return self._last(begin)
        out = np.zeros((len(self.names), 2, HOP), np.float32)
        self._add(out, begin)
        return out

    def _add(self, out: Samples, begin: int) -> None:
        for tape in self._tapes:
            tape.add(out, begin, self._fade)
        self.frames = begin + out.shape[2]
        for tape in [one for one in self._tapes if one.over(self.frames, self._fade)]:
            tape.close()
            self._tapes.remove(tape)

    def _last(self, begin: int) -> Samples:
        """Return all that is left, ended as a file is."""
        self.over = True
        end = max(begin, self.reel.ending())
        ends = [tape.start + tape.length() for tape in self._tapes if tape.cut is None]
        last = min(max([end, *ends]), end + round(LAST_RING * self.rate))
        out = np.zeros((len(self.names), 2, last - begin), np.float32)
        self._add(out, begin)
        return np.concatenate([out[:, :, : end - begin], faded(out[:, :, end - begin :])], axis=2)

    def _take(self, cue: int | Begin) -> None:
        self.history.append(cue)
        if isinstance(cue, int):
            for tape in self._tapes:
                tape.cut = cue if tape.cut is None else tape.cut
            return
        plain = cue.offset == 0 and cue.pace == 1
        if self._ready is not None and plain and self._ready[0] == cue.section:
            tape = self._ready[1]
            self._ready = None
        else:
            tape = self._tape(cue.section, cue.offset, cue.pace, cue.tempo)
        tape.start = cue.frame
        self._tapes.append(tape)

    def _tape(
        self, number: int, offset: Fraction, pace: Fraction, tempo: Fraction = Fraction(0)
    ) -> _Tape:
        counted = number == COUNT_IN
        notes = self._score.sticks(tempo) if counted else self._stream.sections[number].notes
        if offset or pace != 1:
            notes = paced(notes, float(offset), float(pace))
        return _Tape(layers(self._stream, notes, self._soundfont, self.rate, self.names))

    def _prepare(self) -> None:
        """Begin to fetch the section that comes next of itself."""
        state = self.reel.state
        sections = self._stream.sections
        number = state.section + (not state.held)
        if self._ready is not None and self._ready[0] != number:
            self._ready[1].close()
            self._ready = None
        if self._ready is None and number < len(sections) and state.going and state.pace == 1:
            here = state.place(Fraction(self.frames, self.rate))
            section = sections[state.section]
            if section.start + section.seconds - here < SOON:
                self._ready = number, self._tape(number, Fraction(0), Fraction(1))

    def block(self) -> Samples:
        """Return the next finished frames, shape (frames, 2); after the last there are none."""
        frames: Samples = self.mixes()[0]
        return frames

    def mixes(self) -> Samples:
        """Return the next finished frames with the phrase and, where there is one, without it.

        Either may be heard at once, so that muting waits for nothing: shape (mixes, frames, 2).
        """
        if self.over:
            return np.zeros((len(self.names), 0, 2), np.float32)
        layers = self.laid()
        gains = USUAL.of(self.names)
        chosen = [slice(None), slice(1)][: len(self.names)]  # all, the band
        mixes = np.stack([np.einsum("l,lcf->cf", gains[one], layers[one]) for one in chosen])
        if self.over:
            mixes = np.pad(mixes, ((0, 0), (0, 0), (0, MARGIN)))
        whole = np.concatenate([self._mixes, mixes], axis=2)
        stop = whole.shape[2] - MARGIN
        self._mixes = whole[:, :, stop - MARGIN :]
        out = [(mix * gain_curve(mix, LIMIT))[:, MARGIN:stop].T for mix in whole]
        return np.stack(out)

    def close(self) -> None:
        """Let go of everything that is being fetched."""
        for tape in self._tapes:
            tape.close()
        if self._ready is not None:
            self._ready[1].close()


def paced(notes: tuple[Note, ...], offset: float, pace: float) -> tuple[Note, ...]:
    """Return the notes from some seconds on, slower or faster by a factor.

    Hands slide and bend faster too; a vibrato keeps its rate.
    """
    return tuple(
        replace(
            note, start=(note.start - offset) / pace, end=(note.end - offset) / pace,
            curve=None if note.curve is None else _paced(note.curve, pace),
        )
        for note in notes
        if note.start >= offset
    )  # fmt: skip


def _paced(curve: Curve, pace: float) -> Curve:
    glides = tuple(
        replace(one, start=one.start / pace, seconds=one.seconds / pace) for one in curve.glides
    )
    sways = tuple(
        replace(one, start=one.start / pace, end=one.end / pace, grow=one.grow / pace)
        for one in curve.sways
    )
    return replace(curve, glides=glides, sways=sways)
