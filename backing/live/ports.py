"""MIDI ports: where a stream can go to, a thread that sends it on time, and a pedal.

Every interface that rtmidi was built with is tried in turn, since one may be there without the
system that it talks to. The sender sleeps until shortly before a deadline and then in short
steps; deadlines are absolute, so that nothing drifts.
"""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from backing.events import BENT, CHANNELS, part_of
from backing.live.errors import LiveError, quiet
from backing.live.transport import ACTIONS, Due, Transport
from phrases.words import choose, nearest

__all__ = ["PEDAL_KEYS", "Pedal", "Sender", "inputs", "outputs", "read_pedal"]

CLIENT = "porchband"
NEAR, SHORT, LONGEST = 0.002, 0.0002, 0.01  # seconds

HOW = (
    "connect or start an instrument and look at `backing list ports`; without one, leave out "
    "--port to play on the sound card"
)

# What a pedal's words mean; the same keys do the same at the keyboard.
PEDAL_KEYS: dict[str, str] = {
    "space": "stop",
    "+": "faster",
    "-": "slower",
    "n": "next",
    "p": "previous",
    "m": "mute",
    "q": "quit",
}
assert {*PEDAL_KEYS.values()} == {*ACTIONS, "quit"}


def _rtmidi() -> Any:
    try:
        import rtmidi
    except ImportError:
        raise LiveError(
            "no MIDI ports: the Python package python-rtmidi is not installed for this Python; "
            "use the one in .venv, or pip install python-rtmidi"
        ) from None
    return rtmidi


def _clients(kind: str) -> list[Any]:
    """Return an rtmidi client of each interface that works here."""
    rtmidi = _rtmidi()
    found = []
    with quiet():
        for api in rtmidi.get_compiled_api():
            if api == rtmidi.API_RTMIDI_DUMMY:
                continue
            with contextlib.suppress(rtmidi.RtMidiError, OSError):
                found.append(getattr(rtmidi, kind)(api, name=CLIENT))
    return found


def _names(kind: str) -> list[str]:
    names: list[str] = []
    for client in _clients(kind):
        with quiet():
            names += client.get_ports()
            client.delete()
    return list(dict.fromkeys(names))


def outputs() -> list[str]:
    """Return the names of the MIDI ports that a stream can be sent to.

    Raises
    ------
    LiveError
        If python-rtmidi is missing.
    """
    return _names("MidiOut")


def inputs() -> list[str]:
    """Return the names of the MIDI ports that a pedal may be on; raises as `outputs`."""
    return _names("MidiIn")


def _open(kind: str, what: str, name: str) -> tuple[Any, str]:
    """Open a port by its name or by a part that only one name has."""
    rtmidi = _rtmidi()
    clients = _clients(kind)
    known: list[tuple[str, Any, int]] = []
    with quiet():
        for client in clients:
            known += [(port, client, n) for n, port in enumerate(client.get_ports())]
    fits = [row for row in known if row[0] == name]
    fits = fits or [row for row in known if name and name.casefold() in row[0].casefold()]
    chosen = fits[0] if len({row[0] for row in fits}) == 1 else None
    try:
        if chosen is None:
            raise LiveError(_no_port(what, name, [r[0] for r in known], [r[0] for r in fits]))
        with quiet():
            chosen[1].open_port(chosen[2], name=what)
    except (rtmidi.RtMidiError, OSError) as error:
        if isinstance(error, LiveError):
            raise
        raise LiveError(
            f"{name}: the MIDI port cannot be opened; another program may be using it: close "
            "that one and try again"
        ) from None
    finally:
        for client in clients:
            if chosen is None or client is not chosen[1]:
                client.delete()
    return chosen[1], chosen[0]


def _no_port(what: str, name: str, known: list[str], fits: list[str]) -> str:
    if not known:
        return f"{name}: there is no MIDI {what} here; {HOW}"
    if fits:
        return f'"{name}" fits several MIDI ports: {", ".join(fits)}; write more of the name'
    close = nearest(name, known)
    hint = f'did you mean "{close}"?' if close else f"there is {', '.join(known)}"
    return f'"{name}" is not a MIDI {what}; {hint}'


class Sender:
    """Plays a transport on a MIDI port, in a thread of its own.

    Parameters
    ----------
    port
        A name of `outputs`, or a part of one that no other has.

    Raises
    ------
    LiveError
        If there is no such port or it cannot be opened.
    """

    def __init__(self, port: str) -> None:
        self._client, self.name = _open("MidiOut", "output", port)
        self.transport: Transport
        self._asked: deque[str] = deque()
        self._wake = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._began = 0.0
        self._looked = 0.0
        self.error: BaseException | None = None

    def start(self, transport: Transport) -> None:
        """Make every channel ready and begin."""
        self.transport = transport
        for data in transport.score.set_up():
            self._send(data)
        self._began = self._looked = time.perf_counter()
        self._thread = threading.Thread(target=self._run, name="MIDI", daemon=True)
        self._thread.start()

    def now(self) -> float:
        """Return the transport's instant."""
        return time.perf_counter() - self._began

    def do(self, action: str) -> None:
        """Have an action done at once."""
        self._asked.append(action)
        self._wake.set()

    @property
    def finished(self) -> bool:
        """Whether all has been played."""
        return self._thread is not None and not self._thread.is_alive()

    def check(self) -> None:
        """Raise what went wrong meanwhile; a port that is gone is looked for twice a second."""
        now = time.perf_counter()
        if now - self._looked > 0.5 and self.error is None:
            self._looked = now
            with contextlib.suppress(Exception), quiet():
                if self.name not in self._client.get_ports():
                    self.error = _gone(self.name)
        if self.error is not None:
            raise self.error

    def _send(self, data: tuple[int, ...]) -> None:
        self._client.send_message(data)

    def _run(self) -> None:
        transport = self.transport
        try:
            while not self._ending.is_set():
                self._wake.clear()
                while self._asked:
                    self._send_all(transport.do(self._asked.popleft(), self.now()))
                deadline = transport.next_at()
                if transport.state.over:
                    return
                left = LONGEST if deadline is None else deadline - self.now()
                if left > NEAR:
                    self._wake.wait(min(left - NEAR, LONGEST))
                elif left > 0:
                    time.sleep(min(left, SHORT))
                else:
                    self._send_all(transport.due(self.now()))
        except BaseException as error:
            self.error = _gone(self.name) if _is_rtmidi(error) else error

    def _send_all(self, due: list[Due]) -> None:
        for _, data in due:
            self._send(data)

    def close(self) -> None:
        """End every note, centre every bend, and close the port."""
        self._ending.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(2.0)
        with contextlib.suppress(Exception), quiet():
            if self._thread is not None:
                self._send_all(self.transport.silence(self.now()))
                for data in _all_off():
                    self._send(data)
                time.sleep(0.03)  # some interfaces send in a later period of theirs
        with contextlib.suppress(Exception), quiet():
            self._client.close_port()
            self._client.delete()


def _is_rtmidi(error: BaseException) -> bool:
    return isinstance(error, _rtmidi().RtMidiError | OSError)


def _gone(name: str) -> LiveError:
    return LiveError(f"{name}: the MIDI port has gone; connect it again and start once more")


def _all_off() -> list[tuple[int, ...]]:
    """Return what ends whatever a receiver may still hold: controller 123, bends centred."""
    every: list[tuple[int, ...]] = []
    for voice, channel in CHANNELS.items():
        every.append((0xB0 | channel, 123, 0))
        if part_of(voice) in BENT:
            every.append((0xE0 | channel, 0, 64))
    return every


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
        self._client, self.name = _open("MidiIn", "input", port)
        self._client.set_callback(self._heard)

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

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(Exception), quiet():
            self._client.cancel_callback()
            self._client.close_port()
            self._client.delete()
