"""From dry stems to the mix: levels, one room, then mastering to a loudness and a peak.

The mix is a sum of layers. Levels and the room are linear, so sections can be mixed apart and
laid over each other, and the layers written as stems add up to the mix. The room is an impulse
response made here: noise that decays by 60 dB in `ROOM_SECONDS`, darker as it decays, different
on each side; the mean of both sides is sent into it. Mastering is a gain for the band, one for
the lead, and a limiter. Sums go through `np.einsum`, which starts no threads of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from backing.sound.filters import Samples, filtered, once, white
from backing.sound.loudness import SILENCE, LoudnessMeter
from backing.sound.synth import PARTS, Stems
from backing.sound.tone import HEARD_AFTER, HEARD_BEFORE, is_plain, shaped

__all__ = [
    "APART", "LIMIT", "LOUDNESS", "TOGETHER", "USUAL", "Gains", "layered", "master", "with_sticks",
]  # fmt: skip


DRUMS, LEAD = PARTS.index("drums"), PARTS.index("lead")
BAND = slice(LEAD)

LEVELS: dict[str, float] = {"drums": 2.1, "bass": 1.6, "comp": 3.0, "lead": 1.2}
SENDS: dict[str, float] = {"drums": 0.16, "bass": 0.03, "comp": 0.22, "lead": 0.30}
ROOM_SECONDS = 0.9
ROOM_GAIN = 0.35
# A kit stands wide: what a wall gives back comes to the sides in opposite phase (as Lauridsen did
# in 1954, from memory), so that it is gone from their sum. Seconds, and of the kit's own level.
WALL, SPREAD = 0.011, 0.26

# What a mix is made of, and what it is made of where stems are wanted. Where drums do no more than
# count, `with_sticks` keeps them apart: a count is not as loud as a band.
TOGETHER = ("band", "lead")
APART = ("drums", "bass", "comp", "lead", "band's room", "lead's room")
OF_LEAD = ("lead", "lead's room")

LOUDNESS = -16.0  # LUFS
# The band stays where it is when a phrase joins, which then adds what the tolerance allows.
BAND_LOUDNESS, WITH_LEAD = LOUDNESS - 0.3, LOUDNESS + 0.4
LEAD_REACH = 16.0  # the gain that is the lead's own, at most; a fuzz is many times louder
LIMIT = 10 ** (-2.0 / 20)  # -2 dBTP; what lossy formats add stays under -1


def with_sticks(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return layers among which the sticks are one."""
    if "drums" in names:
        return tuple("sticks" if name == "drums" else name for name in names)
    return (*names, "sticks")


@once(2)
def room(rate: int) -> Samples:
    """Return the room's impulse response, shape (2, frames), each side of unit energy."""
    frames = round(ROOM_SECONDS * rate)
    noise = white(20261125, 2 * frames).reshape(2, frames)
    seconds = np.arange(frames) / rate
    decay = 10.0 ** (-3.0 * seconds / ROOM_SECONDS)
    # A room swallows treble first: cross from the noise to its moving average as it decays.
    width = 24
    kernel = np.ones(width) / width
    dark = np.stack([np.convolve(side, kernel, mode="same") for side in noise])
    shade = np.clip(seconds / (0.5 * ROOM_SECONDS), 0.0, 1.0)
    response = (noise * (1 - shade) * 0.4 + dark * (0.4 + shade)) * decay
    gap = round(0.012 * rate)
    response[:, :gap] = 0.0
    response /= np.sqrt((response**2).sum(axis=1, keepdims=True))
    return response.astype(np.float32)


def layered(
    stems: Iterable[Stems], rate: int, names: tuple[str, ...], tone: str, pick: str,
    plain: Callable[[], float],
) -> Iterator[Samples]:  # fmt: skip
    """Yield stems that come in chunks as layers at their levels, with their room.

    Parameters
    ----------
    stems
        As `backing.sound.synth.chunks` yields them.
    rate
        Frames a second.
    names
        `TOGETHER` or `APART`, or what `with_sticks` makes of them.
    tone, pick
        The lead's, as for `backing.sound.tone.shaped`.
    plain
        Returns how loud a plain note of the lead is, which not every tone asks.

    Yields
    ------
    numpy.ndarray
        Shape (layers, 2, frames); the last is what still rings in the room.
    """
    rings: Samples = np.zeros((len(names), 2, room(rate).shape[1] - 1), np.float32)
    for piece in _with_tone(stems, rate, tone, pick, plain):
        sound, rings = _layers(piece, rate, names, rings)
        yield sound
    yield rings


def _layers(
    stems: Stems, rate: int, names: tuple[str, ...], rings: Samples
) -> tuple[Samples, Samples]:
    """Return a chunk as layers, with what rings from before, and what rings on after it."""
    gains = np.array([LEVELS[part] for part in PARTS], np.float32)
    sticks = names.index("sticks") if "sticks" in names else None
    sends = np.array([SENDS[part] * ROOM_GAIN for part in PARTS], np.float32) * gains
    if sticks is not None:
        sends[DRUMS] = 0.0
    frames, over = stems.shape[2], rings.shape[2]
    guitar = stems[LEAD]
    sent = np.zeros((2 if guitar.any() else 1, 1, frames), np.float32)
    np.einsum("p,pcf->f", sends[BAND] / 2, stems[BAND], out=sent[0, 0])
    if len(sent) == 2:
        np.einsum("cf->f", guitar * (sends[LEAD] / 2), out=sent[1, 0])
    sound = np.empty((len(names), 2, frames + over), np.float32)
    dry, first = sound[:, :, :frames], 0
    if "bass" in names:
        np.multiply(stems, gains[:, None, None], out=dry[: len(PARTS)])
        first = len(PARTS)
        dry[first:] = 0.0
    else:
        if sticks is not None:
            np.multiply(stems[DRUMS], gains[DRUMS], out=dry[sticks])
            gains[DRUMS] = 0.0
        np.einsum("p,pcf->cf", gains[BAND], stems[BAND], out=dry[0])
        if "lead" in names:
            np.multiply(guitar, gains[LEAD], out=dry[1])
    sound[:, :, frames:] = 0.0
    sound[:, :, :over] += rings
    kit = sticks if sticks is not None else 0
    wall = stems[DRUMS].sum(axis=0) * (LEVELS["drums"] * SPREAD / 2)
    late = round(WALL * rate)
    sound[kit, 0, late : late + frames] += wall
    sound[kit, 1, late : late + frames] -= wall
    filtered(sent, room(rate), out=sound[first : first + len(sent)])
    return dry, sound[:, :, frames:].copy()


def _with_tone(
    stems: Iterable[Stems], rate: int, tone: str, pick: str, plain: Callable[[], float]
) -> Iterator[Stems]:
    """Yield chunks of stems with the lead in its tone, each heard with its neighbours."""
    if is_plain(tone, pick):
        yield from stems
        return
    level = plain()
    before: Samples = np.zeros((2, HEARD_BEFORE), np.float32)
    ready: Stems | None = None
    for following in chain(stems, [None]):
        if ready is not None:
            frames = ready.shape[2]
            after = ready[LEAD, :, :0] if following is None else following[LEAD, :, :HEARD_AFTER]
            heard = np.concatenate([before, ready[LEAD], after], axis=1)
            sound = shaped(heard, rate, tone, pick, level)
            ready[LEAD] = sound[:, HEARD_BEFORE : HEARD_BEFORE + frames]
            before = heard[:, frames : frames + HEARD_BEFORE]
            yield ready
        ready = following


@dataclass(frozen=True, slots=True)
class Gains:
    """What mastering multiplies band, lead and sticks by, before the limiter."""

    band: float
    lead: float
    sticks: float = 0.0

    def of(self, names: tuple[str, ...]) -> NDArray[np.float32]:
        """Return the gain of each layer."""
        each = [
            self.lead if name in OF_LEAD else self.sticks if name == "sticks" else self.band
            for name in names
        ]
        return np.array(each, np.float32)


# What most bands and phrases get lies within 3 dB and 5 dB of these: for what plays before it
# could be measured. No sticks get more.
USUAL = Gains(band=10 ** (7.0 / 20), lead=10 ** (8.0 / 20), sticks=10 ** (7.0 / 20))


Left = Callable[[Gains], NDArray[np.float32]]
TRIES = 6
HALVED = 20
ROUGH, RUNGS = 0.2, 25  # LU that are worth another way, which asks every two decibels
CLOSE = 0.02  # LU


def master(meter: LoudnessMeter, names: tuple[str, ...], left: Left) -> Gains:
    """Return the gains that bring a mix to its loudness, the limiter's share made good.

    The band is brought to `BAND_LOUDNESS` by itself, whether there is a lead or not. The lead
    then gets the gain, within `LEAD_REACH`, with which both come nearest to `WITH_LEAD`; alone
    it gets `LOUDNESS`. Sticks get no more than they have in most pieces.

    Parameters
    ----------
    meter
        Has heard every layer.
    names
        The layers.
    left
        Returns what the limiter leaves of the power of each cell of a mix at given gains.
    """

    def with_its_sticks(gains: Gains) -> Gains:
        if "sticks" not in names:
            return gains
        return replace(gains, sticks=min(gains.band or USUAL.sticks, USUAL.sticks))

    def heard(gains: Gains) -> float:
        whole = with_its_sticks(gains)
        return meter.loudness(whole.of(names).astype(np.float64), left(whole))

    def alone(band: float, lead: float) -> float:
        return meter.loudness(Gains(band, lead).of(names).astype(np.float64))

    def solo(layer: Callable[[float], Gains], plain: float, goal: float) -> float:
        """Return a layer's gain for a loudness; `plain` is its loudness without any."""
        return _nearest(lambda gain: heard(layer(gain)), 10 ** ((goal - plain) / 20), goal)

    plain, lead = alone(1.0, 0.0), alone(0.0, 1.0) if "lead" in names else SILENCE
    if plain == SILENCE:
        if lead == SILENCE:
            return with_its_sticks(Gains(USUAL.band if "sticks" in names else 1.0, 1.0))
        gain = solo(lambda gain: Gains(0.0, gain), lead, LOUDNESS)
        return with_its_sticks(Gains(USUAL.band, gain))
    band = solo(lambda gain: Gains(gain, 0.0), plain, BAND_LOUDNESS)
    band = _rounded(band)
    if lead == SILENCE:
        return with_its_sticks(Gains(band, band))

    def crossed(loud: Callable[[float], float], low: float, high: float, goal: float) -> float:
        for _ in range(HALVED):
            middle = (low + high) / 2
            low, high = (low, middle) if loud(middle) > goal else (middle, high)
        return low

    lowest, highest, goal, tried = band / LEAD_REACH, band * LEAD_REACH, WITH_LEAD, []
    for _ in range(TRIES):
        low = crossed(lambda gain: alone(band, gain), lowest, highest, goal)
        miss = WITH_LEAD - heard(Gains(band, low))
        tried.append((abs(miss), low))
        if abs(miss) < 2 * CLOSE or low > highest * 0.999:
            break
        goal += miss
    if min(tried)[0] > ROUGH:
        # The limiter works hard, or the lead is loud enough twice, between the band's notes: where
        # it is too soft for a gate to let it through, and where it is as loud as they are.
        rungs = np.geomspace(lowest, highest, RUNGS)
        steps = np.array([heard(Gains(band, gain)) for gain in rungs])
        rising = np.flatnonzero((steps[:-1] <= WITH_LEAD) & (steps[1:] > WITH_LEAD))
        if rising.size:
            below, above = map(float, rungs[rising[-1] : rising[-1] + 2])
            low = crossed(lambda gain: heard(Gains(band, gain)), below, above, WITH_LEAD)
            tried.append((abs(WITH_LEAD - heard(Gains(band, low))), low))
    return with_its_sticks(Gains(band, _rounded(min(tried)[1])))


def _rounded(gain: float) -> float:
    """Return a gain in whole tenths of a decibel, so that like pieces get the same one."""
    return 10 ** (round(200 * math.log10(gain)) / 200)


def _nearest(heard: Callable[[float], float], gain: float, goal: float) -> float:
    """Return the gain whose loudness comes nearest to a goal; a gate may make it jump."""
    tried = []
    for _ in range(TRIES):
        miss = goal - heard(gain)
        tried.append((abs(miss), gain))
        if abs(miss) < CLOSE:
            break
        gain *= 10 ** (miss / 20)
    return min(tried)[1]
