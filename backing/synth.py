"""FluidSynth as a function: notes in, one dry stereo stem for each part out.

All parts are synthesised in one pass: each part has an output pair of its own
(``synth.audio-channels``), so stems cost little more than a mix, and their sum is the mix.
A fresh synthesiser is made for every call, since a used one does not repeat itself exactly.
Events take effect on the synthesiser's blocks of 64 frames; each is sent at the nearest edge.
"""

from __future__ import annotations

import contextlib
import ctypes
import io
import sys
import threading
from collections.abc import Iterator
from importlib.util import find_spec
from itertools import chain, repeat
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backing.events import BEND, BEND_CENTRE, CHANNELS, Note, messages, part_of, set_up
from backing.hush import quiet
from phrases.errors import BluesError

__all__ = [
    "AT_ONCE",
    "BLOCK",
    "LENGTHS",
    "PARTS",
    "AudioError",
    "Stems",
    "check_audio",
    "stretches",
    "synthesise",
]

BLOCK = 64
PARTS = ("drums", "bass", "comp", "lead")
GAIN = 0.5
POLYPHONY = 256
LONGEST_TAIL = 6.0  # seconds a cymbal may ring on
# Frames of a stretch, the last again and again: halves of it, with the room, fill an FFT that
# stays in the cache.
LENGTHS = (79680,)
AT_ONCE = (8640, 22080, 79680)  # what is heard while it is made begins with short ones
# SoundFont 2.01, 8.4.10: the wheel moves 12700 cents times the bend range over 128, so that 24
# semitones become 2381 cents. That is made good.
WHEEL = 128 / 127
WIDTH = 4  # bytes of a sample
LISTEN = 1024  # frames from one look whether all is silent to the next

Stems = NDArray[np.float32]


def _paired() -> dict[int, int]:
    """Give each MIDI channel a synthesiser channel that sounds through its part's output pair.

    FluidSynth plays channel n through pair n modulo the number of pairs, and has as many
    channels as it is asked for.
    """
    taken = dict.fromkeys(PARTS, 0)
    paired = {}
    for voice, channel in CHANNELS.items():
        part = part_of(voice)
        paired[channel] = PARTS.index(part) + len(PARTS) * taken[part]
        taken[part] += 1
    return paired


PAIRED = _paired()

HOW_TO_GET = {
    "linux": "sudo apt-get install libfluidsynth3 (Fedora: dnf install fluidsynth-libs; "
    "Arch: pacman -S fluidsynth)",
    "darwin": "brew install fluid-synth",
    "win32": "choco install fluidsynth",
}


class AudioError(BluesError, OSError):
    """No audio can be made here."""


def _library() -> Any:
    """Import pyfluidsynth, which prints where it found the library when ``CI`` is set."""
    if "fluidsynth" in sys.modules:  # a thread must not touch standard output
        return sys.modules["fluidsynth"]
    try:
        with contextlib.redirect_stdout(io.StringIO()):
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
    return fluidsynth


def check_audio() -> None:
    """Check that sound can be made here.

    Raises
    ------
    AudioError
        If the FluidSynth library is missing, with how to get it.
    """
    _library()


# Samples are loaded and freed in a cache of the whole process, which threads must not share.
_SAMPLES = threading.Lock()
# Soundfonts that no synthesiser has just now, by their file's path, size and time: what is in a
# file takes longer to read than a new synthesiser to make, and one alone may have it at a time.
_FONTS: dict[tuple[Path, int, int], list[int]] = {}


class _Synth:
    """One fresh synthesiser with an output pair for each part."""

    def __init__(self, soundfont: Path, rate: int) -> None:
        self.c = _library()._fl
        self.c.fluid_synth_nwrite_float.argtypes = [
            ctypes.c_void_p, ctypes.c_int, *[ctypes.POINTER(ctypes.c_void_p)] * 4,
        ]  # fmt: skip
        for name, *given in (
            ("get_active_voice_count",), ("get_sfont_by_id", ctypes.c_int),
            ("add_sfont", ctypes.c_void_p), ("remove_sfont", ctypes.c_void_p),
        ):  # fmt: skip
            getattr(self.c, f"fluid_synth_{name}").argtypes = [ctypes.c_void_p, *given]
        self.c.fluid_synth_get_sfont_by_id.restype = ctypes.c_void_p
        pairs = len(PARTS)
        self._left, self._right = ((ctypes.c_void_p * pairs)() for _ in range(2))
        with _SAMPLES, quiet():
            self.synth = self._new(rate, 32, pairs, POLYPHONY)
            self._load(soundfont)
        # What is over at once does not let go of Python's lock, which others may keep for long.
        self._soon = ctypes.PyDLL(self.c._name, handle=self.c._handle)
        self._own = ctypes.c_void_p(self.synth.synth)

    def _new(self, rate: int, channels: int, pairs: int, polyphony: int) -> Any:
        return _library().Synth(
            gain=GAIN, samplerate=float(rate), channels=channels,
            **{
                "synth.audio-channels": pairs, "synth.audio-groups": pairs,
                "synth.reverb.active": 0, "synth.chorus.active": 0,
                "synth.polyphony": polyphony, "synth.dynamic-sample-loading": 1,
            },
        )  # fmt: skip

    def _load(self, soundfont: Path) -> None:
        """Take a soundfont that another has given back, or read it."""
        self._kept: list[int] = []
        with contextlib.suppress(OSError):
            status = soundfont.stat()
            self._kept = _FONTS.setdefault((soundfont, status.st_size, status.st_mtime_ns), [])
        if not self._kept:
            # It reads samples by means of the synthesiser that loaded it, which stays therefore.
            reader = self._new(44100, 16, 1, 1)
            number = reader.sfload(str(soundfont))
            if number < 0:
                reader.delete()
                self.synth.delete()
                raise AudioError(
                    f"{soundfont}: FluidSynth cannot load this soundfont; try another"
                )
            font = self.c.fluid_synth_get_sfont_by_id(reader.synth, number)
            self.c.fluid_synth_remove_sfont(reader.synth, font)
            self._kept.append(font)
        self.font = self.c.fluid_synth_add_sfont(self.synth.synth, self._kept.pop())

    def _give_back(self) -> None:
        """Leave the soundfont to the next, once no voice reads it any more."""
        self.synth.all_sounds_off(-1)
        rest = np.empty((len(PARTS), 2, BLOCK), np.float32)
        self.render(rest.ctypes.data, WIDTH * BLOCK, BLOCK)
        font = self.c.fluid_synth_get_sfont_by_id(self.synth.synth, self.font)
        if not self.sounding() and self.c.fluid_synth_remove_sfont(self.synth.synth, font) == 0:
            self._kept.append(font)

    def send(self, data: tuple[int, ...]) -> None:
        kind, channel = data[0] & 0xF0, PAIRED[data[0] & 0x0F]
        if kind == 0x90:
            self._soon.fluid_synth_noteon(self._own, channel, data[1], data[2])
        elif kind == 0x80:
            self._soon.fluid_synth_noteoff(self._own, channel, data[1])
        elif kind == 0xE0:
            bend = round(((data[2] << 7 | data[1]) - BEND_CENTRE) * WHEEL) + BEND_CENTRE
            self._soon.fluid_synth_pitch_bend(self._own, channel, max(0, min(16383, bend)))
        elif kind == 0xC0:
            bank = 128 if channel == PAIRED[CHANNELS["drums"]] else 0
            with _SAMPLES:
                self.synth.program_select(channel, self.font, bank, data[1])
        else:
            self._soon.fluid_synth_cc(self._own, channel, data[1], data[2])

    def render(self, address: int, side: int, frames: int) -> None:
        """Write frames to memory: left and right of each part, each `side` bytes further on."""
        for number in range(len(PARTS)):
            self._left[number] = address
            self._right[number] = address + side
            address += 2 * side
        self.c.fluid_synth_nwrite_float(
            self.synth.synth, frames, self._left, self._right, None, None
        )

    def sounding(self) -> bool:
        """Tell whether any voice still rings."""
        return bool(self.c.fluid_synth_get_active_voice_count(self.synth.synth))

    def close(self) -> None:
        with _SAMPLES, quiet():
            self._give_back()
            self.synth.delete()


def synthesise(
    notes: tuple[Note, ...], programs: dict[str, int], soundfont: Path, rate: int = 44100
) -> Stems:
    """Return notes as dry stems, all of them at once, as `stretches` makes them."""
    return np.concatenate(list(stretches(notes, programs, soundfont, rate)), axis=2)


def stretches(
    notes: tuple[Note, ...],
    programs: dict[str, int],
    soundfont: Path,
    rate: int = 44100,
    lengths: tuple[int, ...] = LENGTHS,
) -> Iterator[Stems]:
    """Yield notes as dry stems, from frame 0 on, in stretches.

    Parameters
    ----------
    notes
        In seconds from frame 0.
    programs
        General MIDI program of each part.
    soundfont
        A file that `soundfonts.find_soundfont` found.
    rate
        Frames a second.
    lengths
        Of the stretches, in frames; the last again and again.

    Yields
    ------
    numpy.ndarray
        Shape (parts, 2, frames), float32, parts in the order of `PARTS`; together as long as the
        notes and what rings after them. The last is shorter.

    Raises
    ------
    AudioError
        If FluidSynth is missing or cannot load the soundfont.
    """
    events = messages(notes)
    edges = [round(seconds * rate / BLOCK) * BLOCK for seconds, _, _ in events]
    played = (edges[-1] if edges else 0) + BLOCK
    tape = _Tape(_Synth(soundfont, rate), lengths)
    try:
        for voice in sorted({note.voice for note in notes}, key=list(CHANNELS).index):
            for data in set_up(voice, programs):
                tape.synth.send(data)
        bends: dict[int, tuple[int, ...]] = {}  # of several in a block only the last sounds
        for edge, (_, rank, data) in zip(edges, events, strict=True):
            if edge > tape.now or rank != BEND:
                for bend in bends.values():
                    tape.synth.send(bend)
                bends.clear()
            yield from tape.forward(edge)
            if rank == BEND:
                bends[data[0]] = data
            else:
                tape.synth.send(data)
        for bend in bends.values():
            tape.synth.send(bend)
        longest = played + round(LONGEST_TAIL * rate)
        while tape.now < longest and (tape.now < played or tape.synth.sounding()):
            yield from tape.forward(tape.now + LISTEN)
        yield tape.rest()
    finally:
        tape.synth.close()


class _Tape:
    """What a synthesiser plays, cut into stretches."""

    def __init__(self, synth: _Synth, lengths: tuple[int, ...]) -> None:
        self.synth = synth
        self.now = 0
        self._lengths = chain(lengths[:-1], repeat(lengths[-1]))
        self._start = 0
        self._new()

    def _new(self) -> None:
        self._frames = next(self._lengths)
        self._out = np.zeros((len(PARTS), 2, self._frames), np.float32)
        self._address = self._out.ctypes.data

    def forward(self, frame: int) -> Iterator[Stems]:
        """Play up to a frame and yield the stretches that are full."""
        while self.now < frame:
            end = self._start + self._frames
            upto = min(frame, end)
            place = self._address + WIDTH * (self.now - self._start)
            self.synth.render(place, WIDTH * self._frames, upto - self.now)
            self.now = upto
            if upto == end:
                yield self._out
                self._start = end
                self._new()

    def rest(self) -> Stems:
        """Return the stretch that is not full."""
        return self._out[:, :, : self.now - self._start]
