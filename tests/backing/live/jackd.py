"""A JACK server without a sound card, and what patches its ports.

What speaks to a server does so in a process of its own: JACK's library is meant to know one
server, and prints to standard error what it thinks of the others. As a command,
`python -m tests.backing.live.jackd up` waits for the server, and `loop` leads every output of
PortAudio back to its input, as soon as both are there, until its standard input is closed;
`cables` lists every port and what it is connected to.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.waiting import PATIENCE, until

__all__ = ["assert_played", "cables", "patched", "served"]


@contextlib.contextmanager
def served(name: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run a server of that name; skip where there is none to run."""
    import fcntl

    if shutil.which("jackd") is None:
        pytest.skip("jackd is not installed (Debian: jackd2)")
    words = ["jackd", "-R", "-n", name, "-d", "dummy", "-r", "48000", "-p", "256"]
    # One starts at a time: what all servers of a user share bears no more.
    with (Path(tempfile.gettempdir()) / "porchband-test-jack.lock").open("a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        server = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            subprocess.run(_words("up"), env=_of(name), check=True, capture_output=True)
        except BaseException:
            server.kill()
            server.wait()
            raise
    try:
        yield server
    finally:
        server.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(PATIENCE)
        server.kill()
        server.wait()


@contextlib.contextmanager
def patched() -> Iterator[None]:
    """Lead each output of PortAudio back to its input, as soon as both are there."""
    with subprocess.Popen(_words("loop"), stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as at:
        yield
        at.communicate()
    assert at.returncode == 0


def cables() -> str:
    """Return a line for each port of the server: its name and those that it is connected to."""
    done = subprocess.run(
        _words("cables"), capture_output=True, text=True, check=False, timeout=PATIENCE
    )
    return done.stdout or f"no server answers: {done.stderr[-500:]}"


def assert_played(came: Any, wanted: Any) -> int:
    """Make sure that sound (frames, channels) is what was played, and return its first frame.

    The first is where both cables were in. On a busy machine a block may come too late to be
    played; whatever was played is exact.
    """
    first = max(int(np.flatnonzero(side)[0]) for side in came.T)
    frames = (min(len(came), len(wanted)) - first) // 64 * 64
    some, all_ = (sound[first : first + frames].reshape(-1, 128) for sound in (came, wanted))
    late = (some == 0).all(axis=1) & (all_ != 0).any(axis=1)
    assert late.mean() < 0.1
    assert np.array_equal(some[~late], all_[~late])
    return first


def _words(what: str) -> list[str]:
    return [sys.executable, "-m", "tests.backing.live.jackd", what]


def _of(name: str) -> dict[str, str]:
    return {**os.environ, "JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}


def _up() -> None:
    import jack

    def answers() -> bool:
        with (
            contextlib.suppress(jack.JackOpenError),
            jack.Client("asks", no_start_server=True) as one,
        ):
            return len(one.get_ports("system:playback")) > 1
        return False

    until(answers, "jackd did not start", 0.05)


def _cables() -> None:
    import jack

    with jack.Client("asks", no_start_server=True) as one:
        for port in one.get_ports():
            print(port.name, "->", *(other.name for other in one.get_all_connections(port)))


def _loop() -> None:
    import jack

    client = jack.Client("patches", no_start_server=True)
    ending = threading.Event()

    def patch() -> None:
        while not ending.wait(0.01):
            for out in client.get_ports("^PortAudio", is_audio=True, is_output=True):
                name = out.name.replace(":out_", ":in_")
                for into in client.get_ports(f"^{name}$"):
                    if into not in client.get_all_connections(out):
                        # Either may have gone meanwhile.
                        with contextlib.suppress(jack.JackError):
                            client.connect(out, into)

    thread = threading.Thread(target=patch)
    thread.start()
    sys.stdin.read()
    ending.set()
    thread.join()
    client.close()


if __name__ == "__main__":
    {"up": _up, "loop": _loop, "cables": _cables}[sys.argv[1]]()
