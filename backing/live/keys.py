"""Keys from a terminal, one at a time and without echo, and the terminal as it was afterwards."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import time
from typing import Any

__all__ = ["KEYS", "HangUpError", "Keyboard", "actions"]

# What each key asks for; some keyboards and pedals send a neighbour.
KEYS: dict[str, str] = {
    " ": "stop",
    "+": "faster",
    "=": "faster",
    "-": "slower",
    "_": "slower",
    "n": "next",
    "p": "previous",
    "m": "mute",
    "q": "quit",
    "a": "again",
    "h": "hold",
    "t": "tempo",
    "\r": "stop",
    "\n": "stop",
}
# Arrows and page keys, as page turners send them too: what follows ESC and [ or O in ECMA-48
# terminals, and what follows Windows' prefix.
SEQUENCES: dict[str, str] = {
    "A": "faster", "B": "slower", "C": "next", "D": "previous", "5~": "previous", "6~": "next",
}  # fmt: skip
WINDOWS: dict[str, str] = {
    "H": "faster", "P": "slower", "M": "next", "K": "previous", "I": "previous", "Q": "next",
}  # fmt: skip
_KEY = re.compile(r"\x1b(?:[\[O]([0-?]*[ -/]*[@-~])|.)?|[\xe0\0](.)|(.)", re.DOTALL)


class HangUpError(OSError):
    """The terminal was closed."""


def actions(text: str) -> list[str]:
    """Return the actions that typed text asks for; other keys ask for none."""
    found = (
        SEQUENCES.get(sequence) or WINDOWS.get(windows) or KEYS.get(plain.lower())
        for sequence, windows, plain in _KEY.findall(text)
    )
    return [action for action in found if action]


class Keyboard:
    """A context in which keys can be read from standard input, where that is a terminal."""

    def __init__(self) -> None:
        self._fd: int | None = None
        self._before: list[Any] | None = None
        self._ended = False

    def __enter__(self) -> Keyboard:
        if sys.stdin is None or not _is_ours():
            return self
        self._fd = sys.stdin.fileno()
        if sys.platform != "win32":
            import termios

            with contextlib.suppress(termios.error):
                self._before = termios.tcgetattr(self._fd)
                mode = termios.tcgetattr(self._fd)
                # No echo and no lines; Ctrl-S must not hold the screen up, nor Ctrl-Z leave
                # notes sounding. Ctrl-C stays, but must not take keys away that `select` has
                # seen: reading them would wait for others.
                mode[3] &= ~(termios.ECHO | termios.ICANON)
                mode[3] |= termios.NOFLSH
                mode[0] &= ~termios.IXON
                mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
                mode[6][termios.VSUSP] = b"\0"
                termios.tcsetattr(self._fd, termios.TCSADRAIN, mode)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None and self._fd is not None and sys.platform != "win32":
            import termios

            with contextlib.suppress(termios.error, OSError):
                termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)
        self._fd = None

    def read(self, seconds: float) -> list[str]:
        """Wait for keys, at most some seconds, and return what they ask for.

        HangUpError if the terminal was closed.
        """
        if self._fd is None or self._ended:
            time.sleep(seconds)
            return []
        if sys.platform == "win32":  # untested
            return _windows(seconds)
        import select

        try:
            ready, _, _ = select.select([self._fd], [], [], seconds)
            if not ready:
                return []
            data = os.read(self._fd, 256)
        except (OSError, ValueError):
            raise HangUpError("the terminal was closed") from None
        if not data:
            self._ended = True
        return actions(data.decode("ascii", "ignore"))


def _is_ours() -> bool:
    """Tell whether standard input is a terminal that this process may read."""
    try:
        if not sys.stdin.isatty():
            return False
        if sys.platform == "win32":
            return True
        return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    except (OSError, ValueError):
        return False


def _windows(seconds: float) -> list[str]:
    import msvcrt

    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            typed: str = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            if typed in "\xe0\0":
                typed += msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            return actions(typed)
        time.sleep(0.01)
    return []
