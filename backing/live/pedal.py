"""A foot pedal that sends MIDI; one that sends keystrokes is a keyboard."""

from __future__ import annotations

import re
import time
from collections.abc import Callable

from backing.live.errors import LiveError
from backing.live.keys import KEYS
from backing.live.ports import open_port
from phrases.words import choose

__all__ = ["LEARNT", "PEDAL_KEYS", "Pedal", "learn", "pressed", "read_pedal"]

# What a pedal's words mean; the same keys do the same at the keyboard.
PEDAL_KEYS = {"space": "stop", **{key: KEYS[key] for key in "+-npmqaht"}}


SWITCHES = range(64, 70)  # controllers that are switches: sustain and its like (MIDI 1.0)
LOOK = 1.0  # seconds from one look at the port to the next
_NOTE = re.compile(r"(.+):(c?\d{1,3})=([^:=]*)")
CONTROLLER = 128  # is added to the number of a controller, to tell it from a note
DOWN = 64  # value from which a switch is pressed (MIDI 1.0)

# What a pedal is asked for in turn when it is learnt.
LEARNT: dict[str, str] = {
    "space": "to stop and go on",
    "a": "to play the pass again",
    "h": "to play it again and again",
    "n": "to go to the next one",
}


def read_pedal(text: str) -> tuple[str, dict[int, str]]:
    """Read ``PORT`` or ``PORT:NOTE=KEY``, with more ``NOTE=KEY`` after commas.

    A controller is written with a c before its number: ``FCB:c64=space``. The answer is the port,
    and the action of each MIDI note, and of each controller with `CONTROLLER` added; without any,
    whatever comes stops and goes on. LiveError if a note is not 0 to 127, ChoiceError if a key is
    none of `PEDAL_KEYS`.
    """
    first, *others = text.split(",") if "=" in text else [text]
    found = _NOTE.fullmatch(first)
    if found is None:
        return text, {}
    notes: dict[int, str] = {}
    for row in [f"{found[2]}={found[3]}", *others]:
        number, _, key = row.strip().partition("=")
        more = CONTROLLER if number.startswith("c") else 0
        number = number.removeprefix("c")
        if not number.isdecimal() or not 0 <= int(number) <= 127:
            raise LiveError(f'"{row.strip()}" after the pedal: write NOTE=KEY, the note 0 to 127')
        notes[int(number) + more] = PEDAL_KEYS[choose("a key", key, PEDAL_KEYS)]
    return found[1], notes


def pressed(data: list[int]) -> int | None:
    """Return the note that a MIDI message begins, or `CONTROLLER` and the controller pressed."""
    if len(data) < 3:
        return None
    if data[0] & 0xF0 == 0x90 and data[2] > 0:
        return data[1]
    return CONTROLLER + data[1] if data[0] & 0xF0 == 0xB0 and data[2] >= DOWN else None


def learn(press: Callable[[str], tuple[str, int] | None]) -> str:
    """Return the pedal, as `read_pedal` reads it, from what is pressed for each of `LEARNT`.

    `press` is given what to press for, and returns the port and what `pressed` says, None where
    that is left out. LiveError if nothing was pressed.
    """
    port, rows, taken = "", [], set()
    for key, what in LEARNT.items():
        found = press(what)
        if found is None or found[1] in taken or port not in ("", found[0]):
            continue
        port, number = found
        taken.add(number)
        name = f"c{number - CONTROLLER}" if number >= CONTROLLER else f"{number}"
        rows.append(f"{name}={key}")
    if not rows:
        raise LiveError("nothing was pressed; connect the pedal, look at `backing list ports`")
    return f"{port}:{','.join(rows)}"


class Pedal:
    """A foot pedal that sends MIDI: a note, or controller 64 to 69 as switches do.

    The text is as for `read_pedal`; `tell` is called with the action, in a thread of rtmidi's.
    """

    def __init__(self, text: str, tell: Callable[[str], None]) -> None:
        port, self._notes = read_pedal(text)
        self._tell = tell
        self._port = open_port("MidiIn", "input", port)
        self._port.client.set_callback(self._heard)
        self._looked, self._here = time.perf_counter(), True

    def _heard(self, event: tuple[list[int], float], _: object = None) -> None:
        number = pressed(event[0])
        if number is None:
            return
        if self._notes:
            action = self._notes.get(number, "")
        else:
            action = "stop" if number < CONTROLLER or number - CONTROLLER in SWITCHES else ""
        if action:
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
