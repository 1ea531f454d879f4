"""How long sound takes out of the computer and back in: measured once for each sound card.

Noise is played and looked for in what comes in: unlike clicks, which can be taken for one another,
it fits at one place only. What is remembered by sound card and rate is how many frames longer the
round trip is than the card says itself: so it stays right where the size of its blocks changes.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from backing.live.card import Card
from backing.live.errors import LiveError
from backing.output import OutputError
from backing.sound.filters import Samples
from phrases.rewrite import replace_file

__all__ = ["LEVEL", "measure", "place", "remember", "remembered", "round_trip"]


LEVEL = 10 ** (-30 / 20)  # of the noise, full scale is 1
BURST, GAP = 0.5, 0.5  # seconds of noise, and of silence after it
TIMES = 4
LATEST = 0.9  # seconds that a round trip may take
CLEAR = 4.0  # times the highest other place that a match must stand out
APART = 0.02  # seconds around it that belong to it: what a loudspeaker and a room add
MOST = 1_000_000  # frames
SAME = 2  # frames by which the bursts may differ


def round_trip(noise: Samples, came: Samples, latest: int, apart: int) -> tuple[int, float]:
    """Return after how many frames a noise comes in, and how clearly.

    Both are of shape (frames,), what came in from its first frame on. `latest` are the most frames
    it may be late, `apart` those before and after the match that are the same one. The answer is
    the frames, and the height of the match over the highest one elsewhere.
    """
    size = 1 << (len(noise) + len(came)).bit_length()
    match = np.fft.irfft(np.fft.rfft(came, size) * np.conj(np.fft.rfft(noise, size)), size)
    heights = np.abs(match[: latest + 1])
    best = int(heights.argmax())
    others = np.delete(heights, np.arange(max(0, best - apart), min(latest + 1, best + apart + 1)))
    rest = float(others.max(initial=0.0))
    return best, float(heights[best]) / rest if rest else (np.inf if heights[best] else 0.0)


def measure(
    ready: Callable[[], None] | None = None, output: str = "", source: str = ""
) -> tuple[str, int, int, int]:
    """Play noise on the sound card, and hear how late it comes in.

    `ready` is called when there is a card, before anything is played; `output` and `source` are as
    for `Card`. The answer is the card's name, its rate, its round trip, and what it says itself
    that is, in frames. LiveError if there is no card that records, or the noise does not come in,
    or not clearly.
    """
    came: list[Samples] = []
    card = Card(lambda block, _: came.append(block.mean(axis=1)), output, source)
    listening = _Listening(card.rate, came)
    try:
        if ready is not None:
            ready()
        card.start(listening.fill)
        end = time.monotonic() + TIMES * (BURST + GAP) + 5
        while not listening.done and time.monotonic() < end:
            card.check()
            time.sleep(0.02)
    finally:
        card.close()
    found = listening.found(card.name)
    return card.name, card.rate, found, round(card.round_trip * card.rate)


class _Listening:
    """The noise that goes out, and what comes in meanwhile."""

    def __init__(self, rate: int, came: list[Samples]) -> None:
        chance = np.random.default_rng(4711)
        burst = (chance.standard_normal(round(BURST * rate)) * LEVEL / 3).clip(-LEVEL, LEVEL)
        one = np.concatenate([burst, np.zeros(round(GAP * rate))]).astype(np.float32)
        self.noise: Samples = burst.astype(np.float32)
        self.rate = rate
        self.out: Samples = np.tile(one, TIMES)
        self.sent = 0
        self.came = came

    @property
    def done(self) -> bool:
        return self.sent > len(self.out) + LATEST * self.rate

    def fill(self, out: Any) -> None:
        part = self.out[self.sent : self.sent + len(out)]
        out[: len(part)] = part[:, np.newaxis]
        out[len(part) :] = 0.0
        self.sent += len(out)

    def found(self, name: str) -> int:
        came = np.concatenate([*self.came, np.zeros(0, np.float32)])
        each = len(self.out) // TIMES
        latest = round(LATEST * self.rate)
        if float(np.abs(came).max(initial=0.0)) < LEVEL / 1000:
            raise LiveError(
                f"{name}: nothing came in; connect an output to an input with a cable, or put "
                "the microphone in front of a loudspeaker, turn the input up, and try again"
            )
        found = []
        for number in range(TIMES):
            part = came[number * each : number * each + len(self.noise) + latest]
            frames, clear = round_trip(self.noise, part, latest, round(APART * self.rate))
            if clear >= CLEAR:
                found.append(frames)
        if len(found) < TIMES - 1 or max(found) - min(found) > SAME:
            raise LiveError(
                f"{name}: the noise did not come in clearly; make the way short (a cable, or the "
                "microphone close to the loudspeaker), keep quiet, and try again"
            )
        return int(np.median(found))


# --- what is remembered ------------------------------------------------------------


def place() -> Path:
    """Return the file in which round trips are remembered."""
    import platformdirs

    return Path(platformdirs.user_data_dir("porchband", appauthor=False)) / "round-trips.json"


def _all() -> dict[str, int]:
    try:
        found = json.loads(place().read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    if not isinstance(found, dict):
        return {}
    return {str(k): n for k, n in found.items() if isinstance(n, int) and abs(n) <= MOST}


def remembered(name: str, rate: int) -> int | None:
    """Return how many frames longer a card's round trip is than it says, None if not measured."""
    return _all().get(f"{name}, {rate}")


def remember(name: str, rate: int, more: int) -> Path:
    """Keep how many frames longer a card's round trip is than it says; return the file.

    OutputError if it cannot be written.
    """
    path = place()
    known = {**_all(), f"{name}, {rate}": more}
    text = json.dumps(known, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_file(path, text)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or error}), so {name} was measured but "
            "is not remembered; make room or the folder writable, and calibrate again"
        ) from None
    return path
