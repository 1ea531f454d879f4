"""What is put into a string: a pick's or a finger's pluck, a blow, a scrape, the noise of a fret.

Conventions: a pulse is what the pickup hears of it, so that what comes round in the loop is
already what an amplifier gets: the string, its ends, coil and cable are all linear, and may be
taken in any order. Amplitudes are of full scale before an instrument's gain.

References: a string that is let go sends a step of velocity to the bridge, which lasts until its
echo from there is back (Fletcher & Rossing 2.9): the comb of the pick's place. The pickup hears
each wave twice, to the bridge and back from it: the comb of the pickup's (Lindroos, Penttinen
& Valimaki 2011). Karjalainen, Valimaki & Tolonen 1998 for the order of filters.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from backing.sound.filters import Samples, white
from backing.sound.voices.gauges import Gauge, Neck

__all__ = ["AHEAD", "Pulses", "noise"]

Floats = NDArray[np.float64]

AHEAD = 256  # frames of a pulse before the string is let go
SIZE = 4096
NOISE = 1 << 16
# Of an echo comes back as it was; the rest spread, as neither pick nor magnet is a point.
DEPTH = 0.82
ALIKE = 8  # ways to pluck, and to scrape


_row = lru_cache(maxsize=1)(white)


def noise(frames: int, seed: int) -> Floats:
    """Return some noise that is the same for the same seed."""
    start = seed * 7919 % (NOISE - frames)
    return _row(19831999, NOISE)[start : start + frames]


class Pulses:
    """The pulses of one string.

    Parameters
    ----------
    neck, gauge
        The instrument and its string.
    rate
        Frames a second.
    """

    def __init__(self, neck: Neck, gauge: Gauge, rate: int) -> None:
        self.neck = neck
        self.gauge = gauge
        self.rate = rate
        self.speed = 2 * neck.scale * 440 * 2 ** ((gauge.open - 69) / 12) / rate  # metres a frame
        lowest = min(one.open for one in neck.strings.values())
        self._light = 2 ** ((lowest - gauge.open) / 12)
        self._turn = 2 * np.pi * np.fft.rfftfreq(SIZE)
        place = 1j * self._turn * rate / (2 * np.pi * neck.coil)
        heard = self._body() if neck.body else self._combed(2 * neck.pickup / self.speed)
        self._heard = heard / (1 + place / neck.resonance + place**2)
        self._ahead = np.exp(-1j * self._turn * AHEAD)
        self._scraped = round(0.004 * rate)  # frames
        self._sooner = np.exp(1j * self._turn * self._scraped)
        self._stepped = lru_cache(maxsize=128)(self._stepped)  # type: ignore[method-assign]
        self._scrape = lru_cache(maxsize=ALIKE)(self._scrape)  # type: ignore[method-assign]

    def _given(self, spectrum: NDArray[np.complex128]) -> Floats:
        sound: Floats = np.fft.irfft(spectrum * self._heard * self._ahead)[: SIZE - AHEAD]
        return sound

    def _step(self, frames: float, seconds: float) -> NDArray[np.complex128]:
        """Return the spectrum of a step that lasts some frames, rounded over some seconds."""
        box = np.full(len(self._turn), (2 - DEPTH) * frames, complex)
        box[1:] = self._combed(frames)[1:] / (1j * self._turn[1:])
        spectrum: NDArray[np.complex128] = box / (1 + (self._turn * seconds * self.rate) ** 2)
        return spectrum

    def _combed(self, frames: float) -> NDArray[np.complex128]:
        """Return the spectrum of a wave less its echo, some frames later."""
        late = 1j * self._turn * frames
        depth = DEPTH + (1 - DEPTH) / (1 + late)
        combed: NDArray[np.complex128] = 1 - depth * np.exp(-late)
        return combed

    def _body(self) -> NDArray[np.complex128]:
        """Return the spectrum of a body that is struck at its bridge."""
        heard = np.zeros(len(self._turn), complex)
        for hertz, quality, share in self.neck.body:
            place = 1j * self._turn * self.rate / (2 * np.pi * hertz)
            heard += share * place / quality / (1 + place / quality + place**2)
        return heard

    def _stepped(self, frames: float, leaves: float) -> Samples:
        """Return a pluck of amplitude 1; many are kept."""
        return self._given(self._step(frames, leaves)).astype(np.float32)

    def _scrape(self, seed: int) -> Floats:
        """Return a scrape of amplitude 1."""
        count = self._scraped
        scrape = np.zeros(SIZE)
        rise = np.hanning(2 * count)[:count]
        scrape[:count] = np.diff(noise(count, seed) * rise, prepend=0.0)
        return self._given(np.fft.rfft(scrape) * self._sooner)

    def pluck(
        self, velocity: int, period: float, place: float, softer: float, seed: int
    ) -> Floats:
        """Return a pluck, and before it the scrape of what plucks.

        Parameters
        ----------
        velocity
            1 to 127; hard picking leaves the string sooner, which is brighter.
        period
            Of the string, in frames.
        place
            Metres from the bridge.
        softer
            How many times as long the string takes to leave.
        seed
            Of what two plucks seldom share: exactly where and how roughly they are made.
        """
        hard = velocity / 127
        neck, wound = self.neck, self.gauge.wound
        near = round(velocity / 8) * 8 / 127  # so that plucks that are alike are made once
        leaves = neck.soft * (neck.hard / neck.soft) ** near * softer * self._light
        wander = 1 + 0.06 * float(noise(1, seed % ALIKE)[0])
        frames = min(2 * place * wander / self.speed, 0.9 * period)
        amplitude = (
            hard**neck.power * 6 / np.sqrt(frames) * (100 * period / self.rate) ** neck.even
        )
        rough = hard * (0.025 + 0.05 * wound) / softer
        step, scrape = self._stepped(frames, leaves), self._scrape(seed // ALIKE % ALIKE)
        sound: Floats = amplitude * (step + rough * scrape)
        return sound

    def blow(self, velocity: int, period: float) -> Floats:
        """Return the excitation of a hammer-on: the fretting finger's blow."""
        amplitude = (velocity / 127) ** self.neck.power * 0.40
        return self._given(self._step(0.12 * period, 0.00010) * amplitude)

    def fret(self, velocity: int, seed: int) -> Floats:
        """Return the sound of a string that slides onto another fret."""
        count = round(0.005 * self.rate)
        amplitude = (velocity / 127) * (0.03 + 0.10 * self.gauge.wound)
        burst = np.zeros(SIZE)
        burst[:count] = np.diff(noise(count, seed) * np.hanning(count), prepend=0.0) * amplitude
        return self._given(np.fft.rfft(burst) + self._step(6.0, 0.0002) * amplitude * 0.12)

    def thud(self, velocity: int, seed: int) -> Floats:
        """Return a pick across a string that a hand lies on: a scratch and no pitch."""
        count = round(0.060 * self.rate)
        amplitude = (velocity / 127) ** self.neck.power
        fall = 0.8 * amplitude * np.exp(-np.arange(count) / (0.024 * self.rate))
        burst = np.zeros(SIZE)
        burst[:count] = noise(count, seed) * fall
        rounded = np.exp(-((self._turn * 0.00006 * self.rate) ** 2) / 2)
        return self._given(
            np.fft.rfft(burst) * rounded + self._step(20.0, 0.0003) * amplitude * 0.1
        )
