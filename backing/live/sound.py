"""The sound card: a thread renders a little ahead, and the callback only copies.

What comes too late is left out and counted, so that sound and time stay together.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from fractions import Fraction
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from backing.live.card import Card
from backing.live.reel import Renderer
from backing.live.score import Score
from backing.live.transport import State, Where

__all__ = ["AHEAD", "Listener", "Sound"]

Block = NDArray[np.float32]

AHEAD = 0.3  # seconds that are rendered before they are heard
NAP = 0.005
FADE = 0.03  # seconds


class Listener(Protocol):
    """Who wants what is played, and that many frames of silence after it."""

    @property
    def tail(self) -> int:
        """Frames of silence that are played on after the last one."""

    def played(self, block: Block) -> None:
        """Take the next frames that go out, shape (frames, 2), in the thread that renders."""


class Sound:
    """A score on a sound card.

    Parameters
    ----------
    soundfont
        A file that `soundfonts.find_soundfont` found.
    card
        Is closed with this.
    listener
        Gets what is played, where given.

    Attributes
    ----------
    missed
        Frames that came too late.
    """

    def __init__(self, soundfont: Path, card: Card, listener: Listener | None = None) -> None:
        self.name = card.name
        self.missed = 0
        self._soundfont = soundfont
        self._card = card
        self._listener = listener
        self._renderer: Renderer | None = None
        self._ready: deque[tuple[int, Block]] = deque()  # first frame, frames
        self._made = self._sent = 0
        self._states: deque[tuple[Fraction, State]] = deque()  # from when each holds
        self._done = False
        self._error: BaseException | None = None
        self._fading: int | None = None  # frames that have faded
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
        self._closed = False

    def start(self, score: Score) -> None:
        """Begin.

        Raises
        ------
        LiveError
            If the sound card does not start.
        AudioError
            If FluidSynth is missing or cannot load the soundfont.
        """
        self._renderer = Renderer(score, self._soundfont, self._card.rate)
        self._states.append((Fraction(0), self._renderer.reel.state))
        self._make()
        self._thread.start()
        self._card.start(self._fill)

    def _make(self) -> None:
        """Render one more block."""
        assert self._renderer is not None
        begin = Fraction(self._renderer.frames, self._card.rate)
        block = self._renderer.block()
        reel = self._renderer.reel
        state, before = reel.state, self._states[-1][1]
        if state != before:  # what happens within a block holds from where it happens
            since = reel.begun() if state.section != before.section else state.at
            end = Fraction(self._renderer.frames, self._card.rate)
            self._states.append((min(max(begin, since), end), state))
        self._ready.append((self._made, block))
        self._made += len(block)
        if self._listener is not None:
            self._listener.played(block)

    def _run(self) -> None:
        assert self._renderer is not None
        rate = self._card.rate
        try:
            while not self._ending.is_set() and not self._renderer.over:
                if self._made - self._sent < AHEAD * rate:
                    self._make()
                else:
                    self._ending.wait(NAP)
            self._done = True
        except BaseException as error:
            self._error = error

    def _fill(self, out: Block) -> None:
        """Copy what is ready for the next frames."""
        done = 0
        while done < len(out) and self._ready:
            first, block = self._ready[0]
            skip = self._sent + done - first
            part = block[skip : skip + len(out) - done] if skip >= 0 else block[:0]
            out[done : done + len(part)] = part
            done += len(part)
            if skip + len(part) >= len(block):
                self._ready.popleft()
        out[done:] = 0.0
        if not self._done:
            self.missed += len(out) - done
        self._sent += len(out)
        if self._fading is not None:
            since = self._fading + np.arange(len(out), dtype=np.float32)
            left = np.clip(1 - since / np.float32(FADE * self._card.rate), 0.0, 1.0)
            out *= left[:, np.newaxis]
            self._fading += len(out)

    def where(self) -> Where:
        """Return what there is to show of what is heard now."""
        assert self._renderer is not None
        at = Fraction(self._card.now())
        while len(self._states) > 1 and self._states[1][0] <= at:
            self._states.popleft()
        return self._renderer.reel.where(at, self._states[0][1])

    def do(self, action: str) -> None:
        """Have an action done with the next block."""
        assert self._renderer is not None
        self._renderer.asked.append(action)

    @property
    def finished(self) -> bool:
        """Whether all has been played and has rung out."""
        tail = self._listener.tail if self._listener is not None else 0
        return self._done and self._sent >= self._made + tail

    def check(self) -> None:
        """Raise what went wrong meanwhile, as `Card.check`."""
        if self._error is not None:
            raise self._error
        self._card.check()

    def close(self) -> None:
        """Fade out, and let go of the sound card."""
        if self._closed:
            return
        self._closed = True
        if self._renderer is not None and not self._card.lost:
            self._fading = 0
            end = time.perf_counter() + 0.3
            while self._fading < FADE * self._card.rate and time.perf_counter() < end:
                time.sleep(NAP)
            time.sleep(min(0.2, self._card.latency))
        self._ending.set()
        self._card.close()
        if self._thread.ident is not None:
            self._thread.join(2.0)
        if self._renderer is not None:
            self._renderer.close()
        if self.missed:
            late = self.missed / self._card.rate
            print(f"note: {late:.2f} s of sound came too late for the card", file=sys.stderr)
