"""FluidSynth as a function: notes in, one dry stereo stem for each part out.

All parts are synthesised in one pass: each part has an output pair of its own
(``synth.audio-channels``), so stems cost little more than a mix, and their sum is the mix.
A fresh synthesiser is made for every call, since a used one does not repeat itself exactly.
Events take effect on the synthesiser's blocks of 64 frames; each is sent at the nearest edge.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backing.events import BEND, BEND_CENTRE, CHANNELS, Note, messages, part_of, set_up
from backing.fluid import LOCK, give_back, library, new_synth, take

__all__ = ["BLOCK", "PARTS", "Stems", "stretches", "synthesise"]

BLOCK = 64
PARTS = ("drums", "bass", "comp", "lead")
POLYPHONY = 256
LONGEST_TAIL = 6.0  # seconds a cymbal may ring on
LENGTH = 79680  # frames of a stretch: half of it and the room fill an FFT that fits the cache
# SoundFont 2.01, 8.4.10: the wheel moves 12700 cents times the bend range over 128, so that 24
# semitones become 2381 cents. That is made good.
WHEEL = 128 / 127
WIDTH = 4  # bytes of a sample
SOON = 256  # frames that take no longer than to get Python's lock back
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


class _Synth:
    """One fresh synthesiser with an output pair for each part."""

    def __init__(self, soundfont: Path, rate: int) -> None:
        self.c = library()._fl
        # What is over at once does not let go of Python's lock, which others may keep for long.
        self._soon = ctypes.PyDLL(self.c._name, handle=self.c._handle)
        pairs = len(PARTS)
        self._left, self._right = ((ctypes.c_void_p * pairs)() for _ in range(2))
        with LOCK:
            self._file, font = take(soundfont)
            self.synth = new_synth(rate, 32, pairs, POLYPHONY)
            self._own = ctypes.c_void_p(self.synth.synth)
            self.font = self.c.fluid_synth_add_sfont(self._own, font)

    def _give_back(self) -> None:
        """Leave the soundfont to the next, once no voice reads it any more."""
        self.synth.all_sounds_off(-1)
        rest = np.empty((len(PARTS), 2, BLOCK), np.float32)
        self.render(rest.ctypes.data, WIDTH * BLOCK, BLOCK)
        font = self.c.fluid_synth_get_sfont_by_id(self._own, self.font)
        if not self.sounding() and self.c.fluid_synth_remove_sfont(self._own, font) == 0:
            give_back(self._file, font)

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
            with LOCK:
                self.synth.program_select(channel, self.font, bank, data[1])
        else:
            self._soon.fluid_synth_cc(self._own, channel, data[1], data[2])

    def render(self, address: int, side: int, frames: int) -> None:
        """Write frames to memory: left and right of each part, each `side` bytes further on."""
        for number in range(len(PARTS)):
            self._left[number] = address
            self._right[number] = address + side
            address += 2 * side
        play = self._soon if frames <= SOON else self.c
        play.fluid_synth_nwrite_float(self._own, frames, self._left, self._right, None, None)

    def sounding(self) -> bool:
        """Tell whether any voice still rings."""
        return bool(self.c.fluid_synth_get_active_voice_count(self._own))

    def close(self) -> None:
        with LOCK:
            try:
                self._give_back()
            finally:
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
) -> Iterator[Stems]:
    """Yield notes as dry stems, from frame 0 on, in stretches of `LENGTH` frames.

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
        self._start = 0
        self._new()

    def _new(self) -> None:
        self._out = np.zeros((len(PARTS), 2, LENGTH), np.float32)
        self._address = self._out.ctypes.data

    def forward(self, frame: int) -> Iterator[Stems]:
        """Play up to a frame and yield the stretches that are full."""
        while self.now < frame:
            end = self._start + LENGTH
            upto = min(frame, end)
            place = self._address + WIDTH * (self.now - self._start)
            self.synth.render(place, WIDTH * LENGTH, upto - self.now)
            self.now = upto
            if upto == end:
                yield self._out
                self._start = end
                self._new()

    def rest(self) -> Stems:
        """Return the stretch that is not full."""
        return self._out[:, :, : self.now - self._start]
