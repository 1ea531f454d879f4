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

import numpy as np
from numpy.typing import NDArray

from backing.events import BEND, BEND_CENTRE, CHANNELS, Note, messages, part_of, set_up
from backing.hush import quiet
from phrases.errors import BluesError

__all__ = ["BLOCK", "PARTS", "AudioError", "Stems", "check_audio", "stretches", "synthesise"]

BLOCK = 64
PARTS = ("drums", "bass", "comp", "lead")
GAIN = 0.5
POLYPHONY = 256
LONGEST_TAIL = 6.0  # seconds a cymbal may ring on
# Frames, the last one again and again: with the room it fills an FFT that stays in the cache.
LENGTHS = (8640, 22080, 79680)
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


def _library() -> object:
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


class _Synth:
    """One fresh synthesiser with an output pair for each part."""

    def __init__(self, soundfont: Path, rate: int) -> None:
        library: object = _library()
        self.c = library._fl  # type: ignore[attr-defined]
        self.c.fluid_synth_nwrite_float.argtypes = [
            ctypes.c_void_p, ctypes.c_int, *[ctypes.POINTER(ctypes.c_void_p)] * 4,
        ]  # fmt: skip
        self.c.fluid_synth_get_active_voice_count.argtypes = [ctypes.c_void_p]
        pairs = len(PARTS)
        self._left, self._right = ((ctypes.c_void_p * pairs)() for _ in range(2))
        with _SAMPLES, quiet():
            self.synth = library.Synth(  # type: ignore[attr-defined]
                gain=GAIN, samplerate=float(rate), channels=32,
                **{
                    "synth.audio-channels": pairs, "synth.audio-groups": pairs,
                    "synth.reverb.active": 0, "synth.chorus.active": 0,
                    "synth.polyphony": POLYPHONY, "synth.dynamic-sample-loading": 1,
                },
            )  # fmt: skip
            self.font = self.synth.sfload(str(soundfont))
        if self.font < 0:
            self.close()
            raise AudioError(f"{soundfont}: FluidSynth cannot load this soundfont; try another")

    def send(self, data: tuple[int, ...]) -> None:
        kind, channel = data[0] & 0xF0, PAIRED[data[0] & 0x0F]
        if kind == 0x90:
            self.synth.noteon(channel, data[1], data[2])
        elif kind == 0x80:
            self.synth.noteoff(channel, data[1])
        elif kind == 0xE0:
            bend = (data[2] << 7 | data[1]) - BEND_CENTRE
            self.synth.pitch_bend(channel, max(-8192, min(8191, round(bend * WHEEL))))
        elif kind == 0xC0:
            bank = 128 if channel == PAIRED[CHANNELS["drums"]] else 0
            with _SAMPLES:
                self.synth.program_select(channel, self.font, bank, data[1])
        else:
            self.synth.cc(channel, data[1], data[2])

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
        with _SAMPLES:
            self.synth.delete()


def synthesise(
    notes: tuple[Note, ...], programs: dict[str, int], soundfont: Path, rate: int = 44100
) -> Stems:
    """Return notes as dry stems, all of them at once, as `stretches` makes them."""
    return np.concatenate(list(stretches(notes, programs, soundfont, rate)), axis=2)


def stretches(
    notes: tuple[Note, ...], programs: dict[str, int], soundfont: Path, rate: int = 44100
) -> Iterator[Stems]:
    """Yield notes as dry stems, from frame 0 on, in stretches of the lengths `LENGTHS`.

    The first are short, so that what is played at once starts at once.

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
    tape = _Tape(_Synth(soundfont, rate))
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

    def __init__(self, synth: _Synth) -> None:
        self.synth = synth
        self.now = 0
        self._lengths = chain(LENGTHS[:-1], repeat(LENGTHS[-1]))
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
