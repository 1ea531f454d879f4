"""What goes wrong with ports and sound cards, and sound servers that never answer."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from backing.hush import quiet
from phrases.errors import BluesError

__all__ = ["LiveError", "patiently"]


class LiveError(BluesError, OSError):
    """Nothing can be played here, or no longer."""


PATIENCE = 1.5  # seconds


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
