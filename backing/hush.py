"""C libraries that talk over the terminal are kept quiet; what matters is raised.

Standard error belongs to the whole process, so what is written there by anybody meanwhile is lost:
say what is to be said before a thread begins that may do this.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterator

__all__ = ["quiet"]

_LOCK = threading.Lock()
_asked = 0  # how many want standard error quiet; it belongs to the whole process
_kept: int | None = None


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep what C libraries print off the terminal; several threads may ask for it at once."""
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
