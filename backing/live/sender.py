"""A transport on a MIDI port, sent on time by a thread of its own.

The thread sleeps until shortly before a deadline and then in short steps; deadlines are absolute,
so that nothing drifts.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections import deque

from backing.events import BENT, CHANNELS, part_of
from backing.live.errors import LiveError, patiently
from backing.live.index import StreamIndex
from backing.live.ports import open_port, rtmidi_module
from backing.live.transport import Due, Transport, Where

__all__ = ["Sender"]

NEAR, SHORT, LONGEST = 0.002, 0.0002, 0.01  # seconds
LOOK = 1.0  # seconds
PRIORITY = 5  # under that of a sound server


class Sender:
    """Plays a transport on a MIDI port, in a thread of its own.

    The port is a name of `outputs`, or a part of one that no other has; the ways are as for
    `backing.live.transport.Transport`. LiveError if there is no such port or it cannot be opened.
    """

    def __init__(self, port: str, **ways: bool) -> None:
        self._ways = ways
        self._port = open_port("MidiOut", "output", port)
        self.name = self._port.name
        self.transport: Transport
        self._asked: deque[str] = deque()
        self._wake = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._began = 0.0
        self._looked = 0.0
        self.error: BaseException | None = None

    def start(self, score: StreamIndex) -> None:
        """Make every channel ready and begin."""
        self.transport = Transport(score, **self._ways)
        for data in score.set_up():
            self._send(data)
        self._began = self._looked = time.perf_counter()
        self._thread = threading.Thread(target=self._run, name="MIDI", daemon=True)
        self._thread.start()

    def now(self) -> float:
        """Return the transport's instant."""
        return time.perf_counter() - self._began

    def where(self) -> Where:
        """Return the position now, for the screen, and prepare the next section."""
        where = self.transport.where(self.now())
        here, target = where.section, self.transport.state.target
        score = self.transport.score
        for number in (here, here + 1, here - 1, here if target is None else target):
            if 0 <= number < len(score.sections):
                score.messages(number)
        return where

    def do(self, action: str) -> None:
        """Have an action done at once."""
        self._asked.append(action)
        self._wake.set()

    @property
    def finished(self) -> bool:
        """Whether all has been played."""
        return self._thread is not None and not self._thread.is_alive()

    def check(self) -> None:
        """Raise what went wrong meanwhile; whether the port is there is looked at now and then."""
        now = time.perf_counter()
        if now - self._looked > LOOK and self.error is None:
            self._looked = now
            if not self._port.there():
                self.error = _gone(self.name)
        if self.error is not None:
            raise self.error

    def _send(self, data: tuple[int, ...]) -> None:
        self._port.client.send_message(data)

    def _run(self) -> None:
        transport = self.transport
        _hurry()
        try:
            while not self._ending.is_set():
                self._wake.clear()
                while self._asked:
                    self._send_all(transport.do(self._asked.popleft(), self.now()))
                deadline = transport.next_at()
                if transport.state.over:
                    return
                left = LONGEST if deadline is None else deadline - self.now()
                if left > NEAR:
                    self._wake.wait(min(left - NEAR, LONGEST))
                elif left > 0:
                    time.sleep(min(left, SHORT))
                else:
                    self._send_all(transport.due(self.now()))
        except BaseException as error:
            gone = isinstance(error, rtmidi_module().RtMidiError | OSError)
            self.error = _gone(self.name) if gone else error

    def _send_all(self, due: list[Due]) -> None:
        for _, data in due:
            self._send(data)

    def close(self) -> None:
        """End every note, centre every bend, and close the port."""
        if self._ending.is_set():
            return
        self._ending.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(2.0)
        patiently(self._hush)
        self._port.close()

    def _hush(self) -> None:
        if self._thread is not None:
            for _, data in self.transport.silence(self.now()):
                self._send(data)
            for data in _all_off():
                self._send(data)
            time.sleep(0.03)  # some interfaces send in a later period of theirs


def _hurry() -> None:
    """Ask that this thread goes before others, where the system lets a player do so."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))


def _gone(name: str) -> LiveError:
    return LiveError(f"{name}: the MIDI port has gone; connect it again and start once more")


def _all_off() -> list[tuple[int, ...]]:
    """Return messages that silence a receiver: all notes off (controller 123), bends centred."""
    every: list[tuple[int, ...]] = []
    for voice, channel in CHANNELS.items():
        every.append((0xB0 | channel, 123, 0))
        if part_of(voice) in BENT:
            every.append((0xE0 | channel, 0, 64))
    return every
