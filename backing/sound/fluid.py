"""The FluidSynth library: whether it is there, its synthesisers, soundfonts that were read.

It is used without numpy here, so that a soundfont is read while numpy is loaded.
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import io
import os
import sys
import threading
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from phrases.errors import BluesError
from soundfonts.presets import Stamp, stamp

__all__ = [
    "AT_ONCE", "LOCK", "AudioError", "check_audio", "fluidsynth", "give_back", "new_synth",
    "read_ahead", "take",
]  # fmt: skip

GAIN = 0.5
USUAL = "libfluidsynth.so.3"
LEVELS = 5  # of what FluidSynth says on standard error, from panic to debug

HOW_TO_GET = {
    "linux": "sudo apt-get install libfluidsynth3 (Fedora: dnf install fluidsynth-libs; "
    "Arch: pacman -S fluidsynth)",
    "darwin": "brew install fluid-synth",
    "win32": "choco install fluidsynth",
}

# Samples are loaded and freed in a cache of the whole process, which threads must not share. A
# thread may come by it twice, where the collector of garbage closes a synthesiser.
LOCK = threading.RLock()
# Soundfonts that no synthesiser has just now, by their file: it takes longer to read than a
# synthesiser to make. One synthesiser alone may have one at a time.
_FREE: dict[Stamp, list[int]] = {}
AT_ONCE = 2  # sections that are rendered at once

_ready: Any = None  # pyfluidsynth, once it was made ready here; others may have imported it
_SILENT = ctypes.CFUNCTYPE(
    None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p
)(lambda *_: None)  # fmt: skip


class AudioError(BluesError, OSError):
    """No audio can be made here."""


@contextlib.contextmanager
def _found_at_once() -> Iterator[None]:
    """Let pyfluidsynth find the library by its usual name, without asking another program."""
    kept = ctypes.util.find_library

    def find(name: str) -> str | None:
        if sys.platform == "linux" and name == "fluidsynth":
            with contextlib.suppress(OSError):
                ctypes.CDLL(USUAL)
                return USUAL
        return kept(name)

    ctypes.util.find_library = find
    try:
        yield
    finally:
        ctypes.util.find_library = kept


def fluidsynth() -> Any:
    """Import pyfluidsynth, which prints where it found the library when ``CI`` is set.

    Raises
    ------
    AudioError
        If the FluidSynth library is missing, with how to get it.
    """
    global _ready
    if _ready is not None and sys.modules.get("fluidsynth") is _ready:
        return _ready  # a thread must not touch standard output
    try:
        with contextlib.redirect_stdout(io.StringIO()), _found_at_once():
            import fluidsynth
    except (ImportError, AttributeError, OSError):
        if find_spec("fluidsynth") is None:
            raise AudioError(
                "no audio: the Python package pyfluidsynth is not installed for this Python; "
                "use the one in .venv, or pip install pyfluidsynth"
            ) from None
        how = HOW_TO_GET.get(sys.platform, HOW_TO_GET["linux"])
        raise AudioError(
            f"no audio without the FluidSynth library; get it with: {how}. MIDI (-o NAME.mid) "
            "works without it"
        ) from None
    for name, result, *given in (
        ("fluid_synth_get_active_voice_count", ctypes.c_int, ctypes.c_void_p),
        ("fluid_synth_get_sfont_by_id", ctypes.c_void_p, ctypes.c_void_p, ctypes.c_int),
        ("fluid_synth_add_sfont", ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p),
        ("fluid_synth_remove_sfont", ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p),
        ("new_fluid_sequencer2", ctypes.c_void_p, ctypes.c_int),
        ("fluid_sequencer_set_time_scale", None, ctypes.c_void_p, ctypes.c_double),
        ("fluid_sequencer_get_time_scale", ctypes.c_double, ctypes.c_void_p),
        ("new_fluid_event", ctypes.c_void_p),
    ):
        function = getattr(fluidsynth._fl, name)
        function.restype, function.argtypes = result, given
    for level in range(LEVELS):  # what matters is raised
        fluidsynth._fl.fluid_set_log_function(level, None, None)
    with contextlib.suppress(AttributeError):  # nor what the library under it says
        fluidsynth._fl.g_log_set_default_handler(_SILENT, None)
    _ready = fluidsynth
    return fluidsynth


def check_audio() -> None:
    """Check that sound can be made here.

    Raises
    ------
    AudioError
        If the FluidSynth library is missing, with how to get it.
    """
    fluidsynth()


def new_synth(rate: int, channels: int, pairs: int, polyphony: int) -> Any:
    """Return a synthesiser with so many MIDI channels, stereo pairs and voices; hold `LOCK`."""
    return fluidsynth().Synth(
        gain=GAIN, samplerate=float(rate), channels=channels,
        **{
            "synth.audio-channels": pairs, "synth.audio-groups": pairs,
            "synth.reverb.active": 0, "synth.chorus.active": 0,
            "synth.polyphony": polyphony, "synth.dynamic-sample-loading": 1,
        },
    )  # fmt: skip


def take(soundfont: Path) -> tuple[Stamp, int]:
    """Return a soundfont that nobody has, and its file; hold `LOCK`, also for `give_back`.

    Raises
    ------
    AudioError
        If FluidSynth cannot load it.
    """
    file = stamp(soundfont)
    free = _FREE.get(file)
    return file, free.pop() if free else _read(soundfont)


def give_back(file: Stamp, font: int) -> None:
    """Leave a soundfont to whoever takes it next."""
    _FREE.setdefault(file, []).append(font)


def _read(soundfont: Path) -> int:
    # It reads samples by means of the synthesiser that loaded it, which stays therefore.
    reader = new_synth(44100, 16, 1, 1)
    # pyfluidsynth would make UTF-8 of a name, which on a disk from elsewhere it need not be.
    number = fluidsynth().fluid_synth_sfload(reader.synth, os.fsencode(soundfont), 0)
    if number < 0:
        reader.delete()
        raise AudioError(f"{soundfont}: FluidSynth cannot load this soundfont; try another")
    functions = fluidsynth()._fl
    font: int = functions.fluid_synth_get_sfont_by_id(reader.synth, number)
    functions.fluid_synth_remove_sfont(reader.synth, font)
    return font


def read_ahead(soundfont: Path, times: int) -> None:
    """Begin to read a soundfont for as many synthesisers as will play at once."""

    def read() -> None:
        with contextlib.suppress(Exception), LOCK:  # whoever needs it says what is wrong with it
            taken = [take(soundfont) for _ in range(times)]
            for file, font in taken:
                give_back(file, font)

    fluidsynth()
    threading.Thread(target=read).start()
