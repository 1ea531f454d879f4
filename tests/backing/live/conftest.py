"""A JACK server without a sound card, a MIDI receiver, and `play` on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from backing.hush import quiet
from tests.backing.live.jackd import cables, served
from tests.waiting import PATIENCE, until

Heard = tuple[float, tuple[int, ...]]  # perf_counter, which processes here share; bytes

LAST = (0xBF, 119, 0)  # a controller that MIDI leaves undefined

SERVER = f"porchband-test-{os.getpid()}"


@pytest.fixture(scope="session")
def jack() -> Iterator[str]:
    """Run a server for this process and those it starts; skip where there is none to run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("JACK_NO_AUDIO_RESERVATION", "1")
        patch.setenv("JACK_NO_START_SERVER", "1")
        patch.setenv("JACK_DEFAULT_SERVER", SERVER)
        with served(SERVER):
            yield SERVER


@dataclass
class Receiver:
    """An instrument: a MIDI input, in a process of its own, that notes what comes and when."""

    name: str
    process: subprocess.Popen[str]
    heard: list[Heard] = field(default_factory=list)

    def read(self) -> None:
        """Take what the process hears, until it ends."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            at, *data = line.split()
            self.heard.append((float(at), tuple(map(int, data))))

    def leave(self) -> None:
        """Go away, as an instrument that is switched off."""
        self.process.kill()
        self.process.wait()

    def wait(self, what: Callable[[list[Heard]], bool]) -> None:
        until(lambda: what(self.heard), self._told, 0.005)

    def _told(self) -> str:
        """Say what there is to see where what should be heard never came."""
        lines = [f"{self.name} heard only {self.heard[-20:]}", cables()]
        lines += [player.told() for player in PLAYERS]
        return "\n".join(lines)

    def settle(self) -> None:
        """Wait for a message of our own, which comes after all that those who left have sent."""
        import rtmidi

        with quiet():
            last = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{self.name} last")
            ours = [one.startswith(f"{self.name}:") for one in last.get_ports()]
            last.open_port(ours.index(True))

        def come() -> bool:
            last.send_message(LAST)  # again and again, as a cable may be slow to conduct
            return any(data == LAST for _, data in self.heard)

        until(come, self._told)
        with quiet():
            last.delete()

    def ons(self) -> list[Heard]:
        return [(at, data) for at, data in self.heard if data[0] & 0xF0 == 0x90]

    def sounding(self) -> set[tuple[int, int]]:
        """Return channel and pitch of what its own message has not ended."""
        now: set[tuple[int, int]] = set()
        for _, data in list(self.heard):
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            if kind == 0x90:
                now.add((channel, data[1]))
            elif kind == 0x80:
                now.discard((channel, data[1]))
        return now

    def bends(self) -> dict[int, int]:
        """Return where each channel's bend was left."""
        return {d[0] & 0x0F: d[2] << 7 | d[1] for _, d in self.heard if d[0] & 0xF0 == 0xE0}

    def assert_silent(self) -> None:
        """Make sure that it has heard something, and holds none of it once all has come."""
        until(self._silent, lambda: (self.sounding(), self.bends()))
        self.settle()
        assert self._silent()

    def _silent(self) -> bool:
        return bool(self.ons()) and not self.sounding() and set(self.bends().values()) <= {8192}


# Writes each message as it comes: the time, then its bytes.
LISTENER = """
import os, sys, time, rtmidi
client = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=sys.argv[1], queue_size_limit=1 << 16)
def heard(event, _):
    print(time.perf_counter(), *event[0], flush=True)
client.set_callback(heard)
client.open_virtual_port("in")
print("0 0", flush=True)
sys.stdin.read()
os._exit(0)
"""


@contextlib.contextmanager
def listen(name: str = "") -> Iterator[Receiver]:
    """Open an instrument on the JACK server; skip where there is no live MIDI."""
    rtmidi = pytest.importorskip("rtmidi")
    if rtmidi.API_UNIX_JACK not in rtmidi.get_compiled_api():
        pytest.skip("python-rtmidi was compiled without JACK (Debian: libjack-jackd2-dev)")
    name = name or f"stage {os.getpid()} {time.monotonic_ns() % 100000}"
    process = subprocess.Popen(
        [sys.executable, "-c", LISTENER, name], text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    made = Receiver(name, process)
    reader = threading.Thread(target=made.read, daemon=True)
    reader.start()
    try:
        made.wait(bool)  # its port is there
        made.heard.clear()
        yield made
    finally:
        made.leave()
        reader.join(PATIENCE)
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            pipe.close()


@pytest.fixture
def receiver(jack: str) -> Iterator[Receiver]:
    with listen() as made:
        yield made


# What a process plays: words, then a soundfont that is there, and anything else as Python.
CHILD = """
import sys, time
from backing import pieces
from backing.live.play import play
from phrases.errors import BluesError
from tests.backing.live.material import *
{before}
try:
    play({stream}, **{options!r})
except BluesError as error:
    print("Error:", error, file=sys.stderr)
    sys.exit(1)
print("came home")
"""


Play = Callable[..., "Player"]

PLAYERS: list[Player] = []  # those of the test that runs


@dataclass
class Player:
    """A process that plays, on a terminal of its own or without one."""

    process: subprocess.Popen[bytes]
    master: int | None = None
    shown: bytearray = field(default_factory=bytearray)
    reader: threading.Thread | None = None

    def type(self, keys: str) -> None:
        assert self.master is not None
        os.write(self.master, keys.encode())

    def wait_for(self, text: str) -> None:
        until(lambda: text.encode() in self.shown, self.told)

    def told(self) -> str:
        """Say whether it runs, and what stood on its terminal last."""
        return f"the player's code {self.process.poll()}, shown {bytes(self.shown[-2000:])!r}"

    def end(self) -> int:
        """Wait for the end, and return its code."""
        code = self.process.wait(PATIENCE)
        if self.reader is not None:
            self.reader.join(PATIENCE)  # what was shown last is read too
        return code

    def says(self) -> tuple[str, str]:
        """Wait for the end, and return what was said."""
        out, err = self.process.communicate(timeout=PATIENCE)
        return out.decode(), err.decode()

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def hang_up(self) -> None:
        """Close the terminal, as closing its window does."""
        assert self.master is not None
        master, self.master = self.master, None
        assert self.reader is not None
        self.reader.join(PATIENCE)
        os.close(master)


def _read(player: Player) -> None:
    while player.master is not None:
        fd = player.master
        try:
            ready, _, _ = select.select([fd], [], [], 0.05)
            if ready:
                data = os.read(fd, 65536)
                player.shown += data
        except OSError:
            return


@pytest.fixture
def play() -> Iterator[Play]:
    with playing() as start:
        yield start


@contextlib.contextmanager
def playing() -> Iterator[Play]:
    """Start processes that play; `terminal` gives one a terminal of 80 by 24."""
    for number in (signal.SIGINT, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_IGN:
            # As in what a shell runs in the background, or nohup; it would be handed on.
            signal.signal(number, signal.SIG_DFL)

    def start(stream: str, *, terminal: bool = False, before: str = "", **options: Any) -> Player:
        code = CHILD.format(stream=stream, options=options, before=before)
        words = [sys.executable, "-c", code]
        environment = {**os.environ, "TERM": "vt100", "PYTHONPATH": str(Path.cwd())}
        if not terminal:
            process = subprocess.Popen(
                words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                stderr=subprocess.PIPE, env=environment,
            )  # fmt: skip
            PLAYERS.append(Player(process))
            return PLAYERS[-1]
        import fcntl
        import struct
        import termios

        master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        process = subprocess.Popen(
            [sys.executable, "-c", LEADER, code],
            stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        player = Player(process, master)
        player.reader = threading.Thread(target=_read, args=(player,), daemon=True)
        player.reader.start()
        PLAYERS.append(player)
        return player

    before = len(PLAYERS)
    yield start
    for player in PLAYERS[before:]:
        if player.process.poll() is None:
            player.signal(signal.SIGKILL)
            player.process.wait()
        for pipe in (player.process.stdout, player.process.stderr):
            if pipe is not None and not pipe.closed:
                print(f"player said: {pipe.read()!r}")  # shown where a test fails
                pipe.close()
        if player.master is not None:
            master, player.master = player.master, None
            if player.reader is not None:
                player.reader.join(PATIENCE)
            os.close(master)
    del PLAYERS[before:]


# Takes the terminal as its own, as a shell's command has it, and becomes the player.
LEADER = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.tcsetpgrp(0, os.getpgrp())
os.execv(sys.executable, [sys.executable, "-c", sys.argv[1]])
"""


@pytest.fixture
def other_jack(jack: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[subprocess.Popen[bytes]]:
    """Run a server of one test's own, which may end it."""
    name = f"{jack}-other"
    monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
    with served(name) as server:
        yield server
