"""The sound card: FluidSynth inside the callback of one stream.

All parts sound through one stereo mix with FluidSynth's own reverb. Their levels and how much of
each goes into the room are those of `backing.mix`, as attenuations and sends of FluidSynth's
channels; a soft limiter keeps what is left under full scale. Events take effect on the
synthesiser's blocks of 64 frames, each at the nearest edge, as in a file.
"""

from __future__ import annotations

import ctypes
import math
import time
from collections import deque
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backing.events import CHANNELS, part_of
from backing.live.card import Card
from backing.live.errors import quiet
from backing.live.transport import Transport
from backing.mix import LEVELS, ROOM_GAIN, SENDS
from backing.synth import AudioError, check_audio

__all__ = ["Renderer", "Sound", "Voices", "limited"]

Block = NDArray[np.float32]

BLOCK = 64
POLYPHONY = 256
GAIN = 0.5  # as `backing.synth`
MASTER = 1.5  # brings a band near the loudness of a file, -17.5 LUFS with TimGM6mb
ATTENUATION, REVERB_SEND = 48, 16  # SoundFont 2.01 generators, in centibels and per mille
ROOM, DAMP, WIDTH, REVERB = 0.35, 0.4, 0.8, 0.9
KNEE, CEILING = 0.6, 0.94  # full scale is 1
FADE = 0.03  # seconds
RING = 4.0  # seconds that the last notes may ring on
INAUDIBLE = 3e-4


def limited(block: Block) -> Block:
    """Return sound that keeps under `CEILING`; below `KNEE` it is not touched.

    Above, it follows a hyperbolic tangent, which joins without a corner.
    """
    size = np.abs(block)
    if float(size.max(initial=0.0)) <= KNEE:
        return block
    room = CEILING - KNEE
    soft = np.copysign(KNEE + room * np.tanh((size - KNEE) / room), block)
    return np.where(size <= KNEE, block, soft).astype(np.float32)


class Voices:
    """A synthesiser with the band's levels and a room.

    Parameters
    ----------
    soundfont
        A file that `soundfonts.find_soundfont` found.
    rate
        Frames a second.

    Raises
    ------
    AudioError
        If FluidSynth is missing or cannot load the soundfont.
    """

    def __init__(self, soundfont: Path, rate: float) -> None:
        check_audio()
        import fluidsynth

        self._c: Any = fluidsynth._fl
        self._c.fluid_synth_write_float.argtypes = [
            ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.c_int,
            ctypes.c_void_p, ctypes.c_int, ctypes.c_int,
        ]  # fmt: skip
        self._c.fluid_synth_set_gen.argtypes = [
            ctypes.c_void_p, ctypes.c_int, ctypes.c_int, ctypes.c_float,
        ]  # fmt: skip
        loudest = max(LEVELS.values())
        with quiet():
            self._synth = fluidsynth.Synth(
                gain=GAIN * loudest * MASTER, samplerate=float(rate), channels=16,
                **{
                    "synth.reverb.active": 1, "synth.reverb.room-size": ROOM,
                    "synth.reverb.damp": DAMP, "synth.reverb.width": WIDTH,
                    "synth.reverb.level": REVERB, "synth.chorus.active": 0,
                    "synth.polyphony": POLYPHONY, "synth.dynamic-sample-loading": 1,
                },
            )  # fmt: skip
            self._font = self._synth.sfload(str(soundfont))
        if self._font < 0:
            self._synth.delete()
            raise AudioError(f"{soundfont}: FluidSynth cannot load this soundfont; try another")
        for voice, channel in CHANNELS.items():
            part = part_of(voice)
            softer = 200 * math.log10(loudest / LEVELS[part])
            for what, value in (
                (ATTENUATION, softer), (REVERB_SEND, 1000 * SENDS[part] * ROOM_GAIN)
            ):  # fmt: skip
                self._c.fluid_synth_set_gen(self._synth.synth, channel, what, value)

    def send(self, data: tuple[int, ...]) -> None:
        """Take one MIDI message."""
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90:
            self._synth.noteon(channel, data[1], data[2])
        elif kind == 0x80:
            self._synth.noteoff(channel, data[1])
        elif kind == 0xE0:
            self._synth.pitch_bend(channel, (data[2] << 7 | data[1]) - 8192)
        elif kind == 0xC0:
            bank = 128 if channel == CHANNELS["drums"] else 0
            self._synth.program_select(channel, self._font, bank, data[1])
        else:
            self._synth.cc(channel, data[1], data[2])

    def render(self, out: Block, start: int, stop: int) -> None:
        """Write frames `start` to `stop` into `out` (frames, 2), contiguous."""
        if stop > start:
            place = out.ctypes.data
            self._c.fluid_synth_write_float(
                self._synth.synth, stop - start, place, 2 * start, 2, place, 2 * start + 1, 2
            )

    def close(self) -> None:
        """Let go of the synthesiser; call it once, when nothing renders."""
        self._synth.delete()


class Renderer:
    """A transport as sound, block by block.

    Parameters
    ----------
    transport
        Its instants are seconds of frames rendered.
    voices
        What sounds.
    rate
        Frames a second.
    """

    def __init__(self, transport: Transport, voices: Voices, rate: int) -> None:
        self.transport = transport
        self.voices = voices
        self.rate = rate
        self.frames = 0
        self.asked: deque[str] = deque()
        self.fading = False
        self.silent = False  # has faded out, or rung out
        self._waiting: deque[tuple[int, tuple[int, ...]]] = deque()
        self._ringing = 0
        for data in transport.score.set_up():
            voices.send(data)

    def block(self, frames: int) -> Block:
        """Return the next frames, shape (frames, 2)."""
        out = np.zeros((frames, 2), np.float32)
        if self.silent:
            return out
        begin, end = self.frames, self.frames + frames
        due = []
        while self.asked:
            due += self.transport.do(self.asked.popleft(), Fraction(begin, self.rate))
        due += self.transport.due(Fraction(end + BLOCK // 2, self.rate))
        for at, data in due:
            self._waiting.append((round(at * self.rate / BLOCK) * BLOCK, data))
        done = 0
        while self._waiting and self._waiting[0][0] < end:
            edge, data = self._waiting.popleft()
            upto = max(done, edge - begin)
            self.voices.render(out, done, upto)
            done = upto
            self.voices.send(data)
        self.voices.render(out, done, frames)
        self.frames = end
        if self.fading:
            fall = np.linspace(1.0, 0.0, min(frames, round(FADE * self.rate)), dtype=np.float32)
            out[: len(fall)] *= fall[:, None]
            out[len(fall) :] = 0.0
            self.silent = True
        elif self.transport.state.over and not self._waiting:
            self._ringing += frames
            quiet_now = float(np.abs(out).max(initial=0.0)) < INAUDIBLE
            self.silent = quiet_now or self._ringing > RING * self.rate
        return limited(out)


class Sound:
    """A transport on a sound card.

    Parameters
    ----------
    soundfont
        A file that `soundfonts.find_soundfont` found.
    card
        Is closed with this.

    Raises
    ------
    AudioError
        If FluidSynth is missing or cannot load the soundfont; the card is closed then.
    """

    def __init__(self, soundfont: Path, card: Card) -> None:
        self.transport: Transport
        self.name = card.name
        self._card = card
        self._renderer: Renderer | None = None
        self._closed = False
        try:
            self._voices = Voices(soundfont, card.rate)
        except BaseException:
            card.close()
            raise

    def start(self, transport: Transport) -> None:
        """Begin; raises as `Card.start`."""
        self.transport = transport
        self._renderer = Renderer(transport, self._voices, self._card.rate)
        self._card.start(self._fill)

    def _fill(self, out: Block) -> None:
        assert self._renderer is not None
        out[:] = self._renderer.block(len(out))

    def now(self) -> float:
        """Return the transport's instant that is heard now."""
        return self._card.now()

    def do(self, action: str) -> None:
        """Have an action done with the next block."""
        assert self._renderer is not None
        self._renderer.asked.append(action)

    @property
    def finished(self) -> bool:
        """Whether all has been played and has rung out."""
        return self._renderer is not None and self._renderer.silent

    def check(self) -> None:
        """Raise what went wrong meanwhile, as `Card.check`."""
        self._card.check()

    def close(self) -> None:
        """Fade out, and let go of the sound card."""
        if self._closed:
            return
        self._closed = True
        if self._renderer is not None and not self._card.lost:
            self._renderer.fading = True
            end = time.perf_counter() + 0.3
            while not self._renderer.silent and time.perf_counter() < end:
                time.sleep(0.005)
            if self._renderer.silent:
                time.sleep(min(0.2, self._card.latency))
        if self._card.close():
            self._voices.close()
