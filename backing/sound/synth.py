"""FluidSynth as a function: notes in, one dry stereo stem for each part out.

All parts are synthesised in one pass: each part has an output pair of its own
(``synth.audio-channels``), so stems cost little more than a mix, and their sum is the mix.
A fresh synthesiser is made for every call, since a used one does not repeat itself exactly.
Events take effect on the synthesiser's blocks of 64 frames, each at the nearest edge. They are
given in advance to FluidSynth's sequencer, which sends them as it plays: Python's lock, for which
the threads contend, is then asked for once a chunk and not once an event.
"""

from __future__ import annotations

import ctypes
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backing.events import BEND, BEND_CENTRE, CHANNELS, Message, Note, messages, part_of, set_up
from backing.sound.fluid import LOCK, fluidsynth, give_back, new_synth, take

__all__ = ["BLOCK", "LENGTH", "PARTS", "Stems", "chunks", "synthesise"]

BLOCK = 64
PARTS = ("drums", "bass", "comp", "lead")
POLYPHONY = 256
LONGEST_TAIL = 6.0  # seconds a cymbal may ring on
LENGTH = 79680  # frames of a chunk: half of it and the room fill an FFT that fits the cache
# SoundFont 2.01, 8.4.10: the wheel moves 12700 cents times the bend range over 128, so that 24
# semitones become 2381 cents. That is made good.
WHEEL = 128 / 127
OFF, PROGRAM, WHEELED = 0x80, 0xC0, 0xE0
# What FluidSynth calls them, sent at once and by its sequencer.
NOW = {OFF: "noteoff", 0x90: "noteon", 0xB0: "cc", WHEELED: "pitch_bend"}
LATER = {**NOW, 0xB0: "control_change"}
WIDTH = 4  # bytes of a sample
# The sequencer counts whole milliseconds, of which a block is more than one, and these of each. It
# sends what is due when a block begins, and that is heard from the next block on.
TICKS = 256
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
    """One fresh synthesiser with an output pair for each part, and its sequencer."""

    def __init__(self, soundfont: Path, rate: int) -> None:
        self.rate = rate
        self.c = fluidsynth()._fl
        # What is over at once does not let go of Python's lock, which others may keep for long.
        self._soon = soon = ctypes.PyDLL(self.c._name, handle=self.c._handle)
        self._now = {kind: getattr(soon, f"fluid_synth_{name}") for kind, name in NOW.items()}
        self._later = {kind: getattr(soon, f"fluid_event_{name}") for kind, name in LATER.items()}
        pairs = len(PARTS)
        self._left, self._right = ((ctypes.c_void_p * pairs)() for _ in range(2))
        with LOCK:
            self._file, font = take(soundfont)
            self.synth = new_synth(rate, 32, pairs, POLYPHONY)
            self._own = ctypes.c_void_p(self.synth.synth)
            self.font = self.c.fluid_synth_add_sfont(self._own, font)
        self._sequencer = ctypes.c_void_p(self.c.new_fluid_sequencer2(0))
        scale = 1000.0 * TICKS
        self.c.fluid_sequencer_set_time_scale(self._sequencer, scale)
        # Before 2.2 it counts no less than milliseconds, and has room for 1000 events.
        self.ahead = self.c.fluid_sequencer_get_time_scale(self._sequencer) == scale
        self._event = ctypes.c_void_p(self.c.new_fluid_event())
        to = self.c.fluid_sequencer_register_fluidsynth(self._sequencer, self._own)
        self.c.fluid_event_set_dest(self._event, to)
        self._edge = self._due = self._last = 0  # when the last is due, and the last of its edge

    def _give_back(self) -> None:
        """Leave the soundfont to the next, once no voice reads it any more."""
        self.synth.all_sounds_off(-1)
        rest = np.empty((len(PARTS), 2, BLOCK), np.float32)
        self.render(rest.ctypes.data, WIDTH * BLOCK, BLOCK)
        font = self.c.fluid_synth_get_sfont_by_id(self._own, self.font)
        if not self.sounding() and self.c.fluid_synth_remove_sfont(self._own, font) == 0:
            give_back(self._file, font)

    def send(self, data: tuple[int, ...]) -> None:
        """Send a message now."""
        kind, channel, *values = _played(data)
        if kind == PROGRAM:
            bank = 128 if channel == PAIRED[CHANNELS["drums"]] else 0
            with LOCK:  # samples are loaded
                self.synth.program_select(channel, self.font, bank, *values)
        else:
            self._now[kind](self._own, channel, *values)

    def later(self, edge: int, data: tuple[int, ...]) -> None:
        """Send a message, which is none of a program, so that it is heard from an edge on.

        The edge lies two blocks after the start or later, and after all that was rendered.
        """
        kind, channel, *values = _played(data)
        self._later[kind](self._event, channel, *values)
        if edge != self._edge:
            # The time of the block but one before, as FluidSynth reckons it.
            self._edge, self._due = edge, int(1000.0 * (edge - 2 * BLOCK) / self.rate) * TICKS
            self._last = self._due + TICKS
        self._due = min(self._due + 1, self._last)
        self._soon.fluid_sequencer_send_at(self._sequencer, self._event, self._due, 1)

    def render(self, address: int, side: int, frames: int) -> None:
        """Write frames to memory: left and right of each part, each `side` bytes further on."""
        for number in range(len(PARTS)):
            self._left[number] = address
            self._right[number] = address + side
            address += 2 * side
        self.c.fluid_synth_nwrite_float(self._own, frames, self._left, self._right, None, None)

    def sounding(self) -> bool:
        """Tell whether any voice still rings."""
        return bool(self.c.fluid_synth_get_active_voice_count(self._own))

    def close(self) -> None:
        with LOCK:
            try:
                self.c.delete_fluid_event(self._event)
                self.c.delete_fluid_sequencer(self._sequencer)
                self._give_back()
            finally:
                self.synth.delete()


def _played(data: tuple[int, ...]) -> tuple[int, ...]:
    """Return kind, synthesiser's channel and values of a message."""
    kind, channel = data[0] & 0xF0, PAIRED[data[0] & 0x0F]
    if kind == WHEELED:
        bend = round(((data[2] << 7 | data[1]) - BEND_CENTRE) * WHEEL) + BEND_CENTRE
        return kind, channel, max(0, min(16383, bend))
    return (kind, channel, data[1]) if kind == OFF else (kind, channel, *data[1:])


def synthesise(
    notes: tuple[Note, ...], programs: dict[str, int], soundfont: Path, rate: int = 44100
) -> Stems:
    """Return notes as dry stems, all of them at once, as `chunks` makes them."""
    return np.concatenate(list(chunks(notes, programs, soundfont, rate)), axis=2)


def chunks(
    notes: tuple[Note, ...],
    programs: dict[str, int],
    soundfont: Path,
    rate: int = 44100,
) -> Iterator[Stems]:
    """Yield notes as dry stems, from frame 0 on, in chunks of `LENGTH` frames.

    Parameters
    ----------
    notes
        In seconds from frame 0, all within four hours.
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
    tape = _Chunker(_Synth(soundfont, rate))
    try:
        for voice in sorted({note.voice for note in notes}, key=list(CHANNELS).index):
            for data in set_up(voice, programs):
                tape.synth.send(data)
        for edge, data in _collapsed(zip(edges, events, strict=True)):
            before = tape.played_before(edge, data)
            if before > tape.now:
                yield from tape.forward(before)
            tape.put(edge, data)
        yield from tape.forward(played)
        longest = played + round(LONGEST_TAIL * rate)
        while tape.now < longest and tape.synth.sounding():
            yield from tape.forward(tape.now + LISTEN)
        yield tape.rest()
    finally:
        tape.synth.close()


def _collapsed(
    events: Iterable[tuple[int, Message]],
) -> Iterator[tuple[int, tuple[int, ...]]]:
    """Yield edge and message of events; of several bends at an edge only the last sounds."""
    bends: dict[int, tuple[int, ...]] = {}
    last = 0
    for edge, (_, rank, data) in events:
        if bends and (edge > last or rank != BEND):
            for bend in bends.values():
                yield last, bend
            bends.clear()
        last = edge
        if rank == BEND:
            bends[data[0]] = data
        else:
            yield edge, data
    for bend in bends.values():
        yield last, bend


class _Chunker:
    """A synthesiser's messages, cut into chunks."""

    def __init__(self, synth: _Synth) -> None:
        self.synth = synth
        self.now = 0
        self._start = 0
        self._new()

    def _new(self) -> None:
        self._out = np.zeros((len(PARTS), 2, LENGTH), np.float32)
        self._address = self._out.ctypes.data

    def played_before(self, edge: int, data: tuple[int, ...]) -> int:
        """Return the frame up to which all is played before a message is put at an edge."""
        by_hand = edge <= BLOCK or data[0] & 0xF0 == PROGRAM or not self.synth.ahead
        return edge if by_hand else (edge - 1) // LENGTH * LENGTH

    def put(self, edge: int, data: tuple[int, ...]) -> None:
        """Have a message sent at an edge."""
        if edge <= self.now:
            self.synth.send(data)
        else:
            self.synth.later(edge, data)

    def forward(self, frame: int) -> Iterator[Stems]:
        """Play up to a frame and yield the chunks that are full."""
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
        """Return the chunk that is not full."""
        return self._out[:, :, : self.now - self._start]
