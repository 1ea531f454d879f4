"""The sound card: a thread renders a little ahead, and the callback only copies.

It has the same frames with the phrase and without it, so that muting is heard at once.
What comes too late is left out and counted, so that sound and time stay together.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Protocol

import numpy as np

from backing.live.card import Card
from backing.live.index import StreamIndex
from backing.live.reel import Begin, Renderer
from backing.live.transport import State, Where
from backing.sound.filters import Samples

__all__ = ["AHEAD", "Listener", "Playback"]

AHEAD = 0.5  # seconds that are rendered before they are heard
NAP = 0.005
FADE = 0.03  # seconds
MUTE = 0.01


class Listener(Protocol):
    """Who wants what is played, and that many frames of silence after it."""

    @property
    def tail(self) -> int:
        """Frames of silence that are played on after the last one."""

    def played(self, block: Samples) -> None:
        """Take the next frames that went out, shape (frames, 2), in the audio thread."""

    def told(self, history: Sequence[int | Begin]) -> None:
        """Take the list, which grows, of what begins and dies away on which frame."""


class Playback:
    """A score on a sound card.

    The soundfont is a file that `soundfonts.find_soundfont` found; the card is closed with this;
    the listener gets what is played; the ways are as for `backing.live.transport.Transport`.
    """

    def __init__(
        self, soundfont: Path, card: Card, listener: Listener | None = None, **ways: bool
    ) -> None:
        self._ways = ways
        self.name = card.name
        self.missed = 0  # frames that came too late
        self._soundfont = soundfont
        self._card = card
        self._listener = listener
        self._renderer: Renderer | None = None
        self._ready: deque[tuple[int, Samples]] = deque()  # first frame, mixes
        self._muted = False
        self._share = 0.0  # how much is heard of the mix without the phrase
        self._made = self._sent = 0
        self._states: deque[tuple[Fraction, State]] = deque()  # from when each holds
        self._done = False
        self._error: BaseException | None = None
        self._fading: int | None = None  # frames that have faded
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
        self._closed = False

    def start(self, score: StreamIndex) -> None:
        """Begin; LiveError or AudioError as for `Card.start` and `Renderer`."""
        self._renderer = Renderer(score, self._soundfont, self._card.rate, **self._ways)
        self._states.append((Fraction(0), self._renderer.reel.state))
        if self._listener is not None:
            self._listener.told(self._renderer.history)
        self._make()
        self._thread.start()
        self._card.start(self._fill)

    def _make(self) -> None:
        """Render one more block."""
        assert self._renderer is not None
        begin = Fraction(self._renderer.frames, self._card.rate)
        block = self._renderer.mixes()
        reel = self._renderer.reel
        state, before = reel.state, self._states[-1][1]
        if state != before:  # what happens within a block holds from where it happens
            since = reel.begun() if state.section != before.section else state.at
            end = Fraction(self._renderer.frames, self._card.rate)
            self._states.append((min(max(begin, since), end), state))
        self._ready.append((self._made, block))
        self._made += block.shape[1]

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

    def _fill(self, out: Samples) -> None:
        """Copy what is ready for the next frames."""
        done = 0
        shares = self._shares(len(out))
        while done < len(out) and self._ready:
            first, block = self._ready[0]
            skip = self._sent + done - first
            part = block[:, skip : skip + len(out) - done]
            frames = part.shape[1]
            band = shares[done : done + frames]  # of 0 and 1 either mix is left as it is
            out[done : done + frames] = part[0] * (1 - band) + part[-1] * band
            done += frames
            if skip + frames >= block.shape[1]:
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
        if self._listener is not None:
            self._listener.played(out[: done if self._done else None].copy())

    def _shares(self, frames: int) -> Samples:
        """Return how much is heard of the mix without the phrase, shape (frames, 1).

        It goes to where it should be without a click.
        """
        step = 1 / (MUTE * self._card.rate) * (1 if self._muted else -1)
        steps = np.arange(1, frames + 1, dtype=np.float32) * np.float32(step)
        shares: Samples = np.clip(np.float32(self._share) + steps, 0.0, 1.0)
        self._share = float(shares[-1]) if frames else self._share
        return shares[:, np.newaxis]

    def where(self) -> Where:
        """Return the position that is heard now, for the screen."""
        assert self._renderer is not None
        at = Fraction(self._card.now())
        while len(self._states) > 1 and self._states[1][0] <= at:
            self._states.popleft()
        return replace(self._renderer.reel.where(at, self._states[0][1]), muted=self._muted)

    def do(self, action: str) -> None:
        """Have the phrase muted at once, or another action done with the next block."""
        assert self._renderer is not None
        if action == "mute":
            self._muted = not self._muted
        else:
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

    def tell(self) -> None:
        """Say on standard error what came too late."""
        if self.missed:
            late = self.missed / self._card.rate
            print(f"note: {late:.2f} s of sound came too late for the card", file=sys.stderr)
