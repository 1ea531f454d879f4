"""What goes wrong with ports and sound cards, and C libraries that talk over the terminal."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Iterator

from phrases.errors import BluesError

__all__ = ["LiveError", "quiet"]


class LiveError(BluesError, OSError):
    """Nothing can be played here, or no longer."""


_STDERR = threading.Lock()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep C libraries' remarks off the terminal; what matters is raised.

    Standard error belongs to the whole process, so one thread at a time may do this.
    """
    with _STDERR, contextlib.ExitStack() as stack:
        with contextlib.suppress(OSError):  # standard error may be closed
            saved = os.dup(2)
            stack.callback(os.close, saved)
            stack.callback(os.dup2, saved, 2)
            if sys.stderr is not None:
                sys.stderr.flush()
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 2)
            os.close(nothing)
        yield
