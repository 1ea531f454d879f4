"""What goes wrong with ports and sound cards, and C libraries that talk over the terminal."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator

from phrases.errors import BluesError

__all__ = ["LiveError", "patiently", "quiet"]


class LiveError(BluesError, OSError):
    """Nothing can be played here, or no longer."""


PATIENCE = 1.5  # seconds

_LOCK = threading.Lock()
_asked = 0  # how many want standard error quiet; it belongs to the whole process
_kept: int | None = None


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep C libraries' remarks off the terminal; what matters is raised."""
    global _asked
    with _LOCK:
        _asked += 1
        if _asked == 1:
            _redirect()
    try:
        yield
    finally:
        with _LOCK:
            _asked -= 1
            if _asked == 0:
                _restore()


def _redirect() -> None:
    global _kept
    with contextlib.suppress(OSError, ValueError):  # standard error may be closed
        if sys.stderr is not None:
            sys.stderr.flush()
        _kept = os.dup(2)
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 2)
        os.close(nothing)


def _restore() -> None:
    global _kept
    if _kept is not None:
        os.dup2(_kept, 2)
        os.close(_kept)
        _kept = None


def patiently(work: Callable[[], None]) -> bool:
    """Do what may fail or never come back once a sound server has died; tell whether it did."""

    def run() -> None:
        with contextlib.suppress(Exception):
            work()

    thread = threading.Thread(target=run, name="closing", daemon=True)
    with quiet():
        thread.start()
        thread.join(PATIENCE)
    return not thread.is_alive()
