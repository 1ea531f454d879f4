"""A take: the input of the sound card, written while it comes, aligned to what is played.

The audio thread only puts blocks aside; a thread of its own writes them. What comes in with a
frame was played one round trip before it, so the first frames of the round trip are left out and
every take starts with the backing's first frame.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import sys
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Protocol

import numpy as np

from backing.events import Stream
from backing.live.card import Card
from backing.live.reel import Begin
from backing.output import OutputError, check_folder
from backing.recording.growing import Growing
from backing.recording.rough_mix import rough_mix
from backing.recording.round_trip import remembered
from backing.recording.slate import Slate, segments, slate_name, write_slate
from backing.sound.filters import Samples
from backing.tempo import clock_time
from phrases.drafts import hidden, sweep

__all__ = ["Recorder", "free_name", "mix_name"]


WRITE = 0.05  # seconds from one writing to the next
MOST = 60.0  # seconds that may wait to be written
CLIPPED = 0.999
FLOOR = -60.0  # dB, the left end of the meter
METER = 24  # characters
NAME = 20  # characters of a take's name beside it
FALL = 0.85  # of the shown level from one look to the next
TAKES = 10_000


def free_name(path: Path) -> Path:
    """Return the first of ``take.wav``, ``take-2.wav``, ``take-3.wav`` ... that is not there.

    Nor is its rough mix (``take-2-mix.wav``) or what it was played over (``take-2.json``).
    """
    for number in range(1, TAKES):
        free = path if number == 1 else path.with_stem(f"{path.stem}-{number}")
        beside = (free, mix_name(free), slate_name(free))
        if not any(one.exists() or one.is_symlink() for one in beside):
            return free
    raise OutputError(f"{path}: there are {TAKES} takes of that name; choose another")


def mix_name(take: Path) -> Path:
    """Return the name of a take's rough mix."""
    return take.with_stem(f"{take.stem}-mix")


class NoteMeter(Protocol):
    """Tells of each note, while it is played, whether it is early, late or in tune."""

    def told(self, rows: Sequence[Sequence[float | None]], rate: int, *, measured: bool) -> None:
        """Take how the stream is played, the rows of a `Slate`."""

    def heard(self, block: Samples) -> None:
        """Take the next frames of the take."""

    def line(self) -> str:
        """Return a line for the screen, empty where nothing is known yet."""


class Recorder:
    """Records while a stream is played, as `backing.live.play.Taker` says.

    Where the take's name is there already the next free number is taken. The source is as for
    `Card`; the meter makes what tells of each note how it comes, while it is played. OutputError
    if the take's folder is not there or cannot be written to.
    """

    def __init__(
        self, path: Path, source: str = "", meter: Callable[[Stream], NoteMeter] | None = None
    ) -> None:
        self.wanted = path
        self._new_meter = meter
        self._meter: NoteMeter | None = None
        self._known = 0  # of the history, by the meter
        self.source = source
        self.take: Path | None = None
        self.round_trip = 0  # frames from what is played to what comes in
        self.measured = False  # whether the round trip was
        self.peak = 0.0  # the highest sample so far, full scale is 1
        self.clipped = 0  # blocks that reached full scale
        self.lost = 0  # frames that could not be put aside
        self.rate = 0
        self._shown = 0.0
        self._waiting: deque[Samples] = deque()
        self._came = self._gone = 0  # frames put aside, and written; one thread counts each
        self._card: Card | None = None
        self._skip = 0
        self._backing: deque[Samples] = deque()
        self._files: list[Growing] = []
        self._history: Sequence[int | Begin] = ()
        self._stack = contextlib.ExitStack()
        self._error: Exception | None = None
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="take", daemon=True)
        _check(path)

    # --- as live playing calls it -------------------------------------------

    def opened(self, card: Card) -> None:
        """Make the take's file, and the one of what is played."""
        self._card = card
        self.rate = card.rate
        more = remembered(card.name, card.rate)
        self.measured = more is not None
        self.round_trip = max(0, round(card.round_trip * card.rate) + (more or 0))
        self._skip = self.round_trip
        try:
            self._files = [self._begun(card)]
            assert self.take is not None
            path = self._stack.enter_context(hidden(self.take))
            self._files.append(Growing(path, card.rate, 2, over=True))
        except OSError as error:
            self.finish()
            if self._files:  # a take without a frame is none
                self._files.pop().path.unlink()
            raise OutputError(f"{self.take}: cannot be made: {error.strerror or error}") from None
        self._thread.start()

    def _begun(self, card: Card) -> Growing:
        while True:
            self.take = free_name(self.wanted)
            # Another take may have come by this name just now.
            with contextlib.suppress(FileExistsError):
                return Growing(self.take, card.rate, card.inputs)

    @property
    def tail(self) -> int:
        """Frames that are recorded on after the last one that is played."""
        return self.round_trip

    def heard(self, block: Samples, _frame: int) -> None:
        """Put aside what came in; runs in the audio thread."""
        level = float(np.abs(block).max(initial=0.0))
        self.peak = max(self.peak, level)
        self._shown = max(self._shown, level)
        self.clipped += level >= CLIPPED
        if self._skip:
            skipped = min(self._skip, len(block))
            self._skip -= skipped
            block = block[skipped:]
        if not len(block):
            return
        if self._came - self._gone > MOST * self.rate:  # silence, so that the rest is in time
            self.lost += len(block)
            block = np.broadcast_to(np.float32(0.0), block.shape)  # takes no memory
        else:
            block = block.copy()
        self._waiting.append(block)
        self._came += len(block)

    def played(self, block: Samples) -> None:
        """Put aside what goes out; never waits."""
        self._backing.append(block)

    def told(self, history: Sequence[int | Begin]) -> None:
        """Take the list, which grows, of what begins and dies away on which frame."""
        self._history = history

    def follow(self, stream: Stream) -> None:
        """Take what will be played, for the meter."""
        self._meter = None if self._new_meter is None else self._new_meter(stream)

    def slate(
        self, words: Sequence[str], phrase: str, files: Mapping[str, str] = MappingProxyType({})
    ) -> Path | None:
        """Write down beside the take what it was played over.

        Words, phrase and files are those of a `Slate`. None where nothing was recorded.
        """
        if self.take is None or not self._files or not self._files[0].frames:
            return None
        frames = self._files[0].frames
        rows = segments(self._history, self.rate, frames)
        made = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        return write_slate(
            self.take,
            Slate([*words], phrase, self.rate, frames, self.measured, rows, made, {**files}),
        )

    def line(self) -> str:
        """Return the level meter."""
        level, self._shown = self._shown, self._shown * FALL
        meter = f"[{_bar(level)}] {_decibels(level):>4.0f} dB"
        if self.clipped:  # that matters more than the name, and both do not fit
            return f"{meter}  CLIPPED {self.clipped} x: turn the input down"
        if self._meter is not None and (notes := self._meter.line()):
            return f"{meter}  {notes}"
        name = self.take.name if self.take is not None else ""
        return f"recording {name if len(name) <= NAME else name[: NAME - 3] + '...'}  {meter}"

    def check(self) -> None:
        """Raise what went wrong while writing: OutputError, with how much is kept."""
        if self._error is not None:
            why = getattr(self._error, "strerror", None) or str(self._error)
            raise OutputError(f"{self.take}: {why}; {self._length()} of the take are kept")
        if any(file.full for file in self._files):
            raise OutputError(f"{self.take}: a WAV file holds no more; the take is kept")

    def finish(self) -> None:
        """Write what waits and close the files."""
        self._ending.set()
        if self._thread.ident is not None:
            self._thread.join()
        for file in self._files:
            try:
                file.close(kept=file is self._files[0])
            except OSError as error:
                self._error = self._error or error

    def forget(self) -> None:
        """Forget what was played."""
        self._stack.close()

    def mix(self) -> Path | None:
        """Make the rough mix and return its name, None where nothing was recorded."""
        if self.take is None or len(self._files) < 2 or not self._files[0].frames:
            return None
        out = mix_name(self.take)
        rough_mix(self.take, self._files[1].path, out)
        return out

    def _length(self) -> str:
        return clock_time(self._files[0].frames // self.rate)

    # --- writing ----------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._ending.wait(WRITE):
                self._write()
            self._write()
        except Exception as error:
            self._error = error

    def _write(self) -> None:
        take, backing = self._files
        for waiting, file in ((self._waiting, take), (self._backing, backing)):
            blocks = [waiting.popleft() for _ in range(len(waiting))]
            if blocks:
                sound = np.concatenate(blocks)
                file.write(sound)
                if file is take:
                    self._gone += len(sound)
                    self._measure(sound)

    def _measure(self, sound: Samples) -> None:
        """Let the meter hear what came in."""
        if self._meter is None:
            return
        if len(self._history) != self._known:
            self._known = len(self._history)
            rows = segments(self._history, self.rate, sys.maxsize)
            self._meter.told(rows, self.rate, measured=self.measured)
        if self._known:
            try:
                self._meter.heard(sound)
            except Exception:  # the take is worth more than what is said of it meanwhile
                self._meter = None

    def facts(self) -> dict[str, object]:
        """Return the facts of the take, as plain data."""
        return {
            "take": None if self.take is None else str(self.take),
            "rate": self.rate,
            "frames": self._files[0].frames if self._files else 0,
            "round_trip": self.round_trip,
            "measured": self.measured,
            "peak": self.peak,
            "clipped": self.clipped,
            "lost": self.lost,
            "gaps": 0 if self._card is None else self._card.gaps,
        }

    def said(self) -> list[str]:
        """Return the report on the take in lines, its name and length first."""
        if self.take is None or not self._files:
            return []
        lines = [f"{self.take}: {self._length()}, peak {_decibels(self.peak):.1f} dB"]
        if self.peak < 10 ** (FLOOR / 20):
            lines.append("nothing was heard: is the input connected, and the right one?")
        if self.clipped:
            lines.append("it clipped: turn the input down and play it again")
        if self._card is not None and self._card.gaps:
            lines.append(
                f"the computer was too busy for the sound card {self._card.gaps} x; if the take "
                "cracks or comes late, close other programs and play it again"
            )
        if self.lost:
            lines.append(f"{self.lost / self.rate:.2f} s were lost: the disk is too slow")
        if not self.measured:
            lines.append(
                "aligned by what the sound card says of itself; `backing calibrate` measures it"
            )
        return lines


def _check(path: Path) -> None:
    if path.suffix.lower() != ".wav":
        raise OutputError(
            f"{path}: a take is a .wav file; name it {path.with_suffix('.wav').name}"
        )
    check_folder(path)
    try:
        free_name(path)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(
            f"{path.name[:40]}...: {error.strerror}; choose a shorter name"
        ) from None
    sweep(path.parent)


def _decibels(level: float) -> float:
    return max(FLOOR, 20 * math.log10(level)) if level > 0 else FLOOR


def _bar(level: float) -> str:
    filled = round(METER * (1 - _decibels(level) / FLOOR))
    return "#" * filled + "." * (METER - filled)
