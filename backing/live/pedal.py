"""A foot pedal that sends MIDI; one that sends keystrokes is a keyboard."""

from __future__ import annotations

import re
import time
from collections.abc import Callable

from backing.live.errors import LiveError
from backing.live.ports import open_port
from backing.live.transport import ACTIONS
from phrases.words import choose

__all__ = ["PEDAL_KEYS", "Pedal", "read_pedal"]

# What a pedal's words mean; the same keys do the same at the keyboard.
PEDAL_KEYS: dict[str, str] = {
    "space": "stop",
    "+": "faster",
    "-": "slower",
    "n": "next",
    "p": "previous",
    "m": "mute",
    "q": "quit",
    "a": "again",
    "h": "hold",
    "t": "tempo",
}
assert {*PEDAL_KEYS.values()} == {*ACTIONS, "quit"}


LOOK = 1.0  # seconds from one look at the port to the next
_NOTE = re.compile(r"(.+):(\d{1,3})=([^:=]*)")


def read_pedal(text: str) -> tuple[str, dict[int, str]]:
    """Read ``PORT`` or ``PORT:NOTE=KEY``, with more ``NOTE=KEY`` after commas.

    Returns
    -------
    tuple
        The port, and the action of each MIDI note; without notes, any stops and goes on.

    Raises
    ------
    LiveError
        If a note is not 0 to 127.
    ChoiceError
        If a key is none of `PEDAL_KEYS`.
    """
    first, *others = text.split(",") if "=" in text else [text]
    found = _NOTE.fullmatch(first)
    if found is None:
        return text, {}
    notes: dict[int, str] = {}
    for row in [f"{found[2]}={found[3]}", *others]:
        number, _, key = row.strip().partition("=")
        if not number.isdecimal() or not 0 <= int(number) <= 127:
            raise LiveError(f'"{row.strip()}" after the pedal: write NOTE=KEY, the note 0 to 127')
        notes[int(number)] = PEDAL_KEYS[choose("a key", key, PEDAL_KEYS)]
    return found[1], notes


class Pedal:
    """A foot pedal that sends MIDI: a note, or controller 64 to 69 as switches do.

    Parameters
    ----------
    text
        As for `read_pedal`.
    tell
        Called with the action, in a thread of rtmidi's.
    """

    def __init__(self, text: str, tell: Callable[[str], None]) -> None:
        port, self._notes = read_pedal(text)
        self._tell = tell
        self._port = open_port("MidiIn", "input", port)
        self._port.client.set_callback(self._heard)
        self._looked, self._here = time.perf_counter(), True

    def _heard(self, event: tuple[list[int], float], _: object = None) -> None:
        data, _seconds = event
        if len(data) < 3:
            return
        kind = data[0] & 0xF0
        if kind == 0x90 and data[2] > 0:
            action = self._notes.get(data[1]) if self._notes else "stop"
        elif kind == 0xB0 and 64 <= data[1] <= 69 and data[2] >= 64 and not self._notes:
            action = "stop"
        else:
            return
        if action is not None:
            self._tell(action)

    def there(self) -> bool:
        """Tell whether the pedal is still there; looked at now and then."""
        now = time.perf_counter()
        if now - self._looked > LOOK:
            self._looked, self._here = now, self._port.there()
        return self._here

    def close(self) -> None:
        """Let go of the port."""
        self._port.client.cancel_callback()
        self._port.close()
