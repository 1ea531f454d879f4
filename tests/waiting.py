"""How a test waits: for an event, never for a time, and for at most three minutes."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

__all__ = ["PATIENCE", "until"]

T = TypeVar("T")

PATIENCE = 180.0  # seconds, after which a test fails: a start of two takes 15 with much else to do


def until(
    what: Callable[[], T], told: Callable[[], object] | str = "it never came", step: float = 0.01
) -> T:
    """Return what a function returns as soon as that is true, asking every `step` seconds."""
    end = time.monotonic() + PATIENCE
    while True:
        found = what()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(told if isinstance(told, str) else told())
        time.sleep(step)
