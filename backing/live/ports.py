"""MIDI ports: which there are, and one of them opened.

Every interface that rtmidi was built with is tried in turn, since one may be there without the
system that it talks to.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import stat
import sys
from pathlib import Path
from typing import Any

from backing.hush import quiet
from backing.live.errors import LiveError, patiently
from phrases.words import nearest

__all__ = ["Port", "inputs", "open_port", "outputs", "rtmidi_module"]

CLIENT = "porchband"

HOW = {
    "output": "connect or start an instrument and look at `backing list ports`; without one, "
    "leave out --port to play on the sound card",
    "input": "connect the pedal and look at `backing list ports`; without one, leave out --pedal",
}


def rtmidi_module() -> Any:
    """Return rtmidi; raises `LiveError` where it is missing."""
    try:
        import rtmidi
    except ImportError:
        raise LiveError(
            "no MIDI ports: the Python package python-rtmidi is not installed for this Python; "
            "pip install python-rtmidi (where there is no ready-made build it is compiled; "
            "README.md says what that takes)"
        ) from None
    return rtmidi


def _clients(kind: str) -> list[tuple[Any, frozenset[tuple[int, int]]]]:
    """Return an rtmidi client of each interface that works here, and its sockets."""
    rtmidi = rtmidi_module()
    found = []
    with quiet():
        for api in rtmidi.get_compiled_api():
            if api == rtmidi.API_RTMIDI_DUMMY:
                continue
            before = _sockets()
            with contextlib.suppress(rtmidi.RtMidiError, OSError):
                client = getattr(rtmidi, kind)(api, name=CLIENT)
                found.append((client, _sockets() - before))
    return found


def _names(kind: str) -> list[str]:
    names: list[str] = []
    for client, _ in _clients(kind):
        with quiet():
            names += client.get_ports()
            client.delete()
    return list(dict.fromkeys(names))


def outputs() -> list[str]:
    """Return the names of the MIDI ports that a stream can be sent to.

    LiveError if python-rtmidi is missing.
    """
    return _names("MidiOut")


def inputs() -> list[str]:
    """Return the names of the MIDI ports that a pedal may be on; raises as `outputs`."""
    return _names("MidiIn")


def open_port(kind: str, what: str, name: str) -> Port:
    """Open a port by its name or by a part that only one name has.

    The kind is ``MidiOut`` or ``MidiIn``, in words ``output`` or ``input``. LiveError if there is
    no such port or it cannot be opened.
    """
    rtmidi = rtmidi_module()
    clients = _clients(kind)
    known: list[tuple[str, int, int]] = []  # name, the number of its client, its own number
    with quiet():
        for number, (client, _) in enumerate(clients):
            known += [(port, number, n) for n, port in enumerate(client.get_ports())]
    fits = [row for row in known if row[0] == name]
    fits = fits or [row for row in known if name and name.casefold() in row[0].casefold()]
    chosen = fits[0] if len({row[0] for row in fits}) == 1 else ("", -1, -1)
    try:
        if chosen[1] < 0:
            raise LiveError(_no_port(what, name, [r[0] for r in known], [r[0] for r in fits]))
        client, sockets = clients[chosen[1]]
        with quiet():
            client.open_port(chosen[2], name=what)
    except rtmidi.RtMidiError:
        raise LiveError(
            f"{name}: the MIDI port cannot be opened; another program may be using it: close "
            "that one and try again"
        ) from None
    finally:
        for number, (other, _) in enumerate(clients):
            if number != chosen[1]:
                other.delete()
    return Port(client, chosen[0], sockets)


def _no_port(what: str, name: str, known: list[str], fits: list[str]) -> str:
    if not known:
        return f"{name}: there is no MIDI {what} here; {HOW[what]}"
    if fits:
        return f'"{name}" fits several MIDI ports: {", ".join(fits)}; write more of the name'
    close = nearest(name, known)
    hint = f'did you mean "{close}"?' if close else f"there is {', '.join(known)}"
    return f'"{name}" is not a MIDI {what}; {hint}'


def _sockets() -> frozenset[tuple[int, int]]:
    """Return descriptor and inode of every socket of this process, where the system tells."""
    found = set()
    with contextlib.suppress(OSError):
        for path in Path("/dev/fd").iterdir():
            with contextlib.suppress(OSError):
                status = os.fstat(int(path.name))
                if stat.S_ISSOCK(status.st_mode):
                    found.add((int(path.name), status.st_ino))
    return frozenset(found)


def _connected(sockets: frozenset[tuple[int, int]]) -> bool:
    """Tell whether all of some sockets still have somebody at their other end."""
    if not sockets or sys.platform == "win32":
        return True
    poll = select.poll()
    try:
        for number, inode in sockets:
            if os.fstat(number).st_ino != inode:
                return False
            poll.register(number, 0)
        return not poll.poll(0)
    except OSError:
        return False


class Port:
    """An open port: rtmidi's client, the port's name, and whether it is still there."""

    def __init__(self, client: Any, name: str, sockets: frozenset[tuple[int, int]]) -> None:
        self.client = client
        self.name = name
        self._sockets = sockets

    def served(self) -> bool:
        """Tell whether the MIDI system is there.

        A client of a JACK server that died sees what was there before and says nothing; its
        sockets do. Asking with a new client would hold up the sender for up to 70 ms.
        """
        return _connected(self._sockets)

    def there(self) -> bool:
        """Tell whether the port is there."""
        try:
            with quiet():
                return self.served() and self.name in self.client.get_ports()
        except (rtmidi_module().RtMidiError, OSError):
            return False

    def close(self) -> None:
        """Close it, but leave a client whose server died: closing that ends the whole process."""
        if self.served():
            patiently(self._close)
        else:
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self.client))

    def _close(self) -> None:
        self.client.close_port()
        self.client.delete()
