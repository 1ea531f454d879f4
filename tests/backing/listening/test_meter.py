"""The meter of a take while it is recorded: each note early, in time, late, or not heard."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import backing
from backing.listening.meter import EARLY, IN_TIME, LATE, MISSED, TimingMeter
from backing.live.reel import Begin
from backing.recording.recorder import Recorder
from tests.backing.listening.material import RATE, Slips, lead, sound, sounded, student

STREAM = backing.loop("back-step", shape="hold", passes=1)
ROWS = [[n, float(s.start), 0.0, 1.0, None] for n, s in enumerate(STREAM.sections)]
PLAYED = [0.0, -0.06, 0.06, 0.0, math.nan]  # seconds late, over and over; the last is left out
MARKS = {0.0: IN_TIME, -0.06: EARLY, 0.06: LATE}


def played() -> tuple[np.ndarray[Any, Any], list[float]]:
    strokes = student(lead(STREAM), Slips())
    offs = [PLAYED[n % len(PLAYED)] for n in range(len(strokes))]
    made = [
        replace(one, late=0.0 if math.isnan(off) else off, dropped=math.isnan(off))
        for one, off in zip(strokes, offs, strict=True)
    ]
    return sound(sounded(made, Slips()), STREAM), offs


def test_each_note_is_told_early_in_time_or_late() -> None:
    guitar, offs = played()
    meter = TimingMeter(STREAM, turns=False)
    meter.told(ROWS, RATE, measured=True)
    said = []
    for start in range(0, len(guitar), 2205):
        meter.heard(guitar[start : start + 2205, np.newaxis])
        said.append(len(meter.late))
    assert len(meter.late) == len(offs)
    assert sorted({*said}) == [*range(len(offs) + 1)]  # one by one, not at the end
    for late, off in zip(meter.late, offs, strict=True):
        assert math.isnan(late) if math.isnan(off) else late == pytest.approx(off, abs=0.01)
    wanted = "".join(MISSED if math.isnan(off) else MARKS[off] for off in offs)
    assert meter.line().split()[0] == wanted[-16:]
    assert "in time" in meter.line()


def test_a_card_that_is_not_calibrated_makes_nobody_late() -> None:
    guitar = sound(sounded(student(lead(STREAM), Slips(late=0.05)), Slips()), STREAM)
    meter = TimingMeter(STREAM, turns=False)
    meter.told(ROWS, RATE, measured=False)
    meter.heard(guitar[:, np.newaxis])
    assert {*meter.line().split()[0]} == {IN_TIME}


def test_a_recorder_shows_them_beside_the_level(tmp_path: Path) -> None:
    class Card:
        name, rate, inputs, round_trip, gaps = "a cable", RATE, 1, 0.0, 0

    guitar, _ = played()
    recorder = Recorder(tmp_path / "take.wav", "", lambda stream: TimingMeter(stream, turns=False))
    recorder.follow(STREAM)
    recorder.told(
        [Begin(round(s.start * RATE), n, 0 * s.start, 1 + 0 * s.start)
         for n, s in enumerate(STREAM.sections)]
    )  # fmt: skip
    card: Any = Card()
    recorder.opened(card)
    recorder.heard(guitar[:, np.newaxis], 0)
    recorder.finish()
    recorder.check()
    assert {EARLY, IN_TIME, LATE, MISSED} <= {*recorder.line().split("dB")[1]}
