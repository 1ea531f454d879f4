"""The sound card as PortAudio knows it: found, opened, watched and let go of.

Opening waits for other programs, so `Opening` does it while the rest is loaded; this module
imports nothing heavy itself.
"""

from __future__ import annotations

import atexit
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

from backing.hush import quiet
from backing.live.errors import LiveError, patiently
from phrases.words import likely

__all__ = ["Card", "Opening", "cards"]

LOST = 2.0  # seconds without a callback
PATIENCE = 2.0  # seconds for a card that is not wanted after all

OTHERWISE = "or play on a MIDI port (--port), or write a file (-o NAME.wav)"
HOW_TO_GET = {
    "linux": "sudo apt-get install libportaudio2 (Fedora: dnf install portaudio; "
    "Arch: pacman -S portaudio)",
    "darwin": "brew install portaudio",
}


class Card:
    """One stream on the sound card, not yet started.

    `heard`, where given, makes it record too, and is called in the audio thread with each block
    that came in, shape (frames, channels), and the frame it came with. `output` and `source` are
    the cards that play and record, each a name of `cards` or a part of one; the system's usual
    ones if empty. LiveError if there is no PortAudio, no sound card, or a busy one.
    """

    def __init__(
        self, heard: Callable[[Any, int], None] | None = None, output: str = "", source: str = ""
    ) -> None:
        self._heard = heard
        self._wanted = output, source
        self._fill: Callable[[Any], None] | None = None
        self._error: BaseException | None = None
        self._latest = (0.0, 0)  # when the latest callback came, and its first frame
        self._frames = 0
        self._stream: Any = self._open()
        self.rate: int = round(self._stream.samplerate)  # frames a second
        latency = self._stream.latency
        # Seconds from a callback until it is heard, and until what it plays comes in, as the
        # system says; 0 unless the stream also records.
        self.latency = float(latency if heard is None else latency[1])
        self.round_trip = 0.0 if heard is None else float(sum(latency))
        self.inputs: int = 0 if heard is None else self._stream.channels[0]  # channels
        # How often the system says that what came in may have been lost; over JACK often none.
        self.gaps = 0

    def _open(self) -> Any:
        sd = _sounddevice()
        tried: list[tuple[str, Exception]] = []
        for device in _devices(sd, *self._wanted, both=self._heard is not None):
            try:
                with quiet():
                    kind = sd.OutputStream if self._heard is None else sd.Stream
                    channels: Any = 2
                    if self._heard is not None:  # a microphone may be mono
                        most = sd.query_devices(device[0])["max_input_channels"]
                        channels = min(2, most), 2
                    stream = kind(
                        device=device, channels=channels, dtype="float32", latency="high",
                        callback=self._out if self._heard is None else self._both,
                    )  # fmt: skip
            except (sd.PortAudioError, ValueError, OSError) as error:
                tried.append((_called(sd, device), error))
                continue
            self.name = _called(sd, device)
            return stream
        if not tried and self._heard is not None:
            raise LiveError(
                "no sound card that also records was found; connect a microphone or an interface "
                "(and start the system's sound server)"
            )
        if not tried:
            raise LiveError(
                "no sound card was found; connect or switch one on (and start the system's sound "
                f"server), {OTHERWISE}"
            )
        names = ", ".join(dict.fromkeys(name for name, _ in tried))
        raise LiveError(
            f"{names}: the sound card cannot be opened, it may be busy ({_reason(tried[0][1])}); "
            f"{self._way_out}"
        )

    @property
    def _way_out(self) -> str:
        close = "close other programs that play or record"
        return f"{close}, {OTHERWISE}" if self._heard is None else f"{close}, and try again"

    def start(self, fill: Callable[[Any], None]) -> None:
        """Begin; `fill` writes each block that goes out, shape (frames, 2), in the audio thread.

        LiveError if the sound card does not start.
        """
        self._fill = fill
        self._latest = (time.perf_counter(), 0)
        try:
            with quiet():
                self._stream.start()
        except _sounddevice().PortAudioError as error:
            raise LiveError(
                f"{self.name}: the sound card does not start ({_reason(error)}); {self._way_out}"
            ) from None

    def _out(self, out: Any, frames: int, _time: object, _status: object) -> None:
        assert self._fill is not None
        try:
            self._latest = (time.perf_counter(), self._frames)
            self._fill(out)
            self._frames += frames
        except BaseException as error:
            self._error = error
            out.fill(0.0)
            raise _sounddevice().CallbackAbort from None

    def _both(self, came: Any, out: Any, frames: int, when: object, status: Any) -> None:
        assert self._heard is not None
        try:
            self.gaps += bool(status.input_overflow)
            self._heard(came, self._frames)
        except BaseException as error:
            self._error = error
            out.fill(0.0)
            raise _sounddevice().CallbackAbort from None
        self._out(out, frames, when, status)

    def now(self) -> float:
        """Return the second of what went out that is heard now, 0 before the first."""
        when, frame = self._latest
        since = time.perf_counter() - when - self.latency
        return max(0.0, frame / self.rate + since)

    def check(self) -> None:
        """Raise what went wrong in the audio thread, or that the card has gone."""
        if self._error is None and (
            not self._stream.active or time.perf_counter() - self._latest[0] > LOST
        ):
            self._error = LiveError(
                f"{self.name}: the sound card has gone; connect it again, or start the sound "
                "server, and start once more"
            )
        if self._error is not None:
            raise self._error

    @property
    def lost(self) -> bool:
        """Whether something went wrong."""
        return self._error is not None

    def close(self) -> bool:
        """Let go of the sound card; tell whether it let go of us.

        PortAudio never comes back from a stream whose sound server has died.
        """

        def end() -> None:
            self._stream.abort(ignore_errors=True)
            self._stream.close(ignore_errors=True)

        done = patiently(end)
        if not done:
            atexit.unregister(_sounddevice()._exit_handler)
        return done


class Opening:
    """Opens the sound card in a thread; nothing has to be waited for but the card."""

    def __init__(
        self, heard: Callable[[Any, int], None] | None = None, output: str = "", source: str = ""
    ) -> None:
        self._heard = heard
        self._wanted = output, source
        self._card: Card | None = None
        self._taken = False
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="opening", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._card = Card(self._heard, *self._wanted)
        except BaseException as error:
            self._error = error

    def card(self) -> Card:
        """Return the opened card, which the caller must close; raises as `Card`."""
        self._taken = True
        self._thread.join()
        if self._error is not None:
            raise self._error
        assert self._card is not None
        return self._card

    def abandon(self) -> None:
        """Close the card after all, unless somebody has it."""
        if not self._taken:
            self._thread.join(PATIENCE)
            if self._card is not None:
                self._card.close()


def _sounddevice() -> Any:
    try:
        with quiet():
            import sounddevice
    except ImportError:
        raise LiveError(
            "no live sound: the Python package sounddevice is not installed for this Python; use "
            f"the one in .venv, or pip install sounddevice, {OTHERWISE}"
        ) from None
    except OSError:
        how = HOW_TO_GET.get(sys.platform, HOW_TO_GET["linux"])
        raise LiveError(
            f"no live sound without the PortAudio library; get it with: {how}; {OTHERWISE}"
        ) from None
    return sounddevice


def cards() -> list[tuple[str, int, int]]:
    """Return each sound card's name, and how many channels come in and go out.

    LiveError if there is no PortAudio.
    """
    sd = _sounddevice()
    with quiet():
        return [
            (_called(sd, n), int(info["max_input_channels"]), int(info["max_output_channels"]))
            for n, info in enumerate(sd.query_devices())
        ]


def _named(sd: Any, name: str, way: str) -> list[int]:
    """Return the cards that a name is a part of, of those on which something goes one way."""
    known = {
        n: _called(sd, n)
        for n, info in enumerate(sd.query_devices())
        if info[f"max_{way}_channels"]
    }
    found = [n for n, called in known.items() if called == name]
    found = found or [n for n, called in known.items() if name.casefold() in called.casefold()]
    if known and not found:
        raise LiveError(
            f'"{name}" is not a sound card with an {way}; {likely(name, known.values())}; '
            "`backing list cards` shows them"
        )
    return found


def _devices(sd: Any, output: str = "", source: str = "", *, both: bool) -> list[Any]:
    """Return the devices to try: those asked for, or JACK, the usual one, that of each interface.

    Where a JACK server runs it is wanted; ALSA's own detour to it dies with the server.
    """
    interfaces = sd.query_hostapis()
    usual = sd.default.device
    jack = [a for a in interfaces if a["name"].startswith("JACK")]
    pairs = [(a["default_input_device"], a["default_output_device"]) for a in jack]
    pairs += [(usual[0], usual[1])]
    pairs += [(a["default_input_device"], a["default_output_device"]) for a in interfaces]
    if output or source:
        ins = _named(sd, source, "input") if source and both else [came for came, _ in pairs]
        outs = _named(sd, output, "output") if output else [out for _, out in pairs]
        home = [device["hostapi"] for device in sd.query_devices()]
        same = ins if source else [*outs, *ins]  # an interface that does both is its own input
        pairs = [(i, o) for o in outs for i in same if min(i, o) >= 0 and home[i] == home[o]]
        pairs = pairs or [(-1, out) for out in outs]
        if both and not source:
            inputs = [device["max_input_channels"] for device in sd.query_devices()]
            pairs = [(i, o) for i, o in pairs if inputs[i]]
    pairs = list(dict.fromkeys(pairs))
    if both:
        return [pair for pair in pairs if min(pair) >= 0]
    return [out for out in dict.fromkeys(out for _, out in pairs) if out >= 0]


def _called(sd: Any, device: Any) -> str:
    if isinstance(device, tuple):
        came, out = (_called(sd, number) for number in device)
        return out if came == out else f"{out} with {came}"
    info = sd.query_devices(device)
    return f"{info['name']} ({sd.query_hostapis(info['hostapi'])['name']})"


def _reason(error: Exception) -> str:
    return str(error).split(": ", 1)[-1].split("[")[0].strip()
