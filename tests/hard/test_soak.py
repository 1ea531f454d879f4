"""An hour of playing along with keys pressed at random, on a clock that does not wait.

The transport is asked as a sound card asks: every few milliseconds, later and later.
"""

from __future__ import annotations

import gc
import random
import re
import time
from fractions import Fraction
from pathlib import Path

import pytest

import backing
from backing.events import EXPRESSION, Stream, bend_value
from backing.live.index import StreamIndex
from backing.live.transport import ACTIONS, Due, Transport
from tests.backing.live.conftest import Play, Receiver
from tests.hard.material import LONG, memory, number_of

HOUR = 3600.0  # seconds
BLOCK = 0.02  # seconds; a picture is painted about as often
CENTRE = bend_value(0.0)


def piece() -> Stream:
    """Return loops with bends that ring over bar lines, as many as an hour needs."""
    return backing.loop("boot-scraper", shape="back", each=8, counted="each", count_in=1)


class Instrument:
    """What a synthesiser would have to sound; it refuses what none should be sent."""

    def __init__(self) -> None:
        self.sounding: set[tuple[int, int]] = set()
        self.bends: dict[int, int] = {}
        self.expressions: dict[int, int] = {}
        self.played = 0
        self.last = 0.0

    def hear(self, due: list[Due], until: float) -> None:
        for at, data in due:
            assert at <= until + 1e-6
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            assert all(0 <= value < 128 for value in data[1:])
            if kind == 0x90:
                assert (channel, data[1]) not in self.sounding
                self.sounding.add((channel, data[1]))
                self.played += 1
            elif kind == 0x80:
                self.sounding.remove((channel, data[1]))
            elif kind == 0xE0:
                self.bends[channel] = data[2] << 7 | data[1]
            elif kind == 0xB0 and data[1] == EXPRESSION:
                self.expressions[channel] = data[2]
            self.last = max(self.last, at)

    def silent(self) -> bool:
        """Tell whether nothing sounds or is left bent."""
        bent = [value for value in self.bends.values() if value != CENTRE]
        quiet = [value for value in self.expressions.values() if value != 127]
        return not (self.sounding or bent or quiet)


def living() -> int:
    """Return how many objects there are that could hold others."""
    gc.collect()
    return len(gc.get_objects())


@pytest.mark.parametrize("seed", range(number_of(1, 6)))
def test_an_hour_of_random_keys(seed: int) -> None:
    dice = random.Random(seed)
    score = StreamIndex(piece())
    transport, instrument = Transport(score, 0.0), Instrument()
    now, keys = 0.0, 0
    whole = HOUR if LONG else HOUR / 30
    objects, used = 0, 0.0
    while now < whole:
        now += BLOCK * dice.uniform(0.5, 1.5)
        instrument.hear(transport.due(now), now)
        if dice.random() < 0.004:
            action = dice.choice(list(ACTIONS))
            instrument.hear(transport.do(action, now), now)
            keys += 1
        where = transport.where(now)
        assert 1 <= where.bar <= where.bars
        assert 1 <= where.beat <= where.beats
        if where.over:
            assert instrument.sounding == set()
            instrument.hear(transport.silence(now), now)  # what closing the output sends
            assert instrument.silent()
            transport = Transport(score, now)
        elif not where.going:
            assert instrument.silent()
            instrument.hear(transport.do("stop", now), now)
        if not objects and now > whole / 3:  # by now nearly every part has been played
            objects, used = living(), memory()
    assert living() < objects * 1.05
    assert memory() - used < 10  # MB
    instrument.hear(transport.silence(now), now)
    assert instrument.silent()
    assert instrument.played > whole  # more than a note a second, for all the stops
    assert keys > whole / 15


def test_an_hour_of_tempo_changes_does_not_drift() -> None:
    """While the pace is the same, a place is exact; where it changes, it lies between the two."""
    score = StreamIndex(backing.loop("lamp-oil", shape="hold", passes=400 if LONG else 100))
    transport = Transport(score, 0.0)
    dice = random.Random(3)
    now, place, exact = Fraction(0), Fraction(0), 0
    steps = number_of(300, 3000)
    for _ in range(steps):
        pace, step = transport.state.pace, Fraction(dice.randint(1, 2400), 1000)
        now += step
        transport.due(now)
        slow, fast = sorted((pace, transport.state.pace))
        moved = transport.state.place(now) - place
        assert step * slow <= moved <= step * fast
        place += moved
        exact += slow == fast
        transport.do(dice.choice(["faster", "slower"]), now)
        assert transport.state.place(now) == place
    assert now > steps
    assert exact > steps / 3
    where = transport.where(now)
    section = score.sections[where.section]
    assert where.place == float((place - section.start) * section.tempo / 60)


@pytest.mark.skipif(not LONG, reason="ten minutes; `make hard` runs it")
@pytest.mark.parametrize("by", ["port", "sound card"])
def test_ten_minutes_for_real(by: str, receiver: Receiver, play: Play) -> None:
    """Over a JACK server, on a terminal, with keys pressed at random."""
    where = {"port": receiver.name} if by == "port" else {}
    player = play("clicks(2000, 2, 120)", terminal=True, **where)
    player.wait_for("playing")
    dice = random.Random(7)
    status = Path(f"/proc/{player.process.pid}/status")
    used: list[int] = []
    end = time.monotonic() + 600
    while time.monotonic() < end:
        time.sleep(dice.uniform(0.2, 3.0))
        assert player.process.poll() is None, bytes(player.shown[-2000:])
        player.type(dice.choice("++--npm  "))
        (found,) = re.findall(r"VmRSS:\s+(\d+) kB", status.read_text(encoding="utf-8"))
        used.append(int(found))
    player.type("q")
    assert player.end() == 0
    if by == "port":
        receiver.assert_silent()
        assert len(receiver.ons()) > 600
    assert max(used[len(used) // 2 :]) < max(used[: len(used) // 2]) + 20_000  # kB
