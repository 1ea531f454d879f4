from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from backing.live.card import _called
from backing.live.errors import LiveError
from backing.recording import round_trip as module
from backing.recording.round_trip import remember, remembered, round_trip

RATE = 48000
NOISE = (np.random.default_rng(1).standard_normal(RATE // 2) * 0.01).astype(np.float32)


def late(frames: int, gain: float = 1.0, hiss: float = 0.0) -> NDArray[np.float32]:
    came = np.zeros(len(NOISE) + RATE, np.float32)
    came[frames : frames + len(NOISE)] = gain * NOISE
    came += np.random.default_rng(2).standard_normal(len(came)).astype(np.float32) * hiss
    return came


@pytest.mark.parametrize("frames", [0, 1, 256, 1023, 20_011, 43_000])
@pytest.mark.parametrize(("gain", "hiss"), [(1.0, 0.0), (-0.3, 0.001), (0.05, 0.002)])
def test_noise_is_found_to_the_frame(frames: int, gain: float, hiss: float) -> None:
    found, clear = round_trip(NOISE, late(frames, gain, hiss), 43_200, 960)
    assert found == frames
    assert clear > module.CLEAR


def test_a_microphone_at_a_loudspeaker_on_a_desk_is_clear() -> None:
    way = np.zeros(RATE // 4)
    way[[300, 328, 480, 720]] = 1.0, 0.4, 0.2, 0.16  # the desk, the screen, a wall
    hum = np.sin(np.arange(len(NOISE) + RATE) * 2 * np.pi * 50 / RATE) * 0.01
    small = butter(2, (250, 9000), "bandpass", fs=RATE, output="sos")  # loudspeaker
    came = sosfilt(small, fftconvolve(late(0), way)[: len(hum)]) * 0.3 + hum
    found, clear = round_trip(NOISE, came.astype(np.float32), 43_200, 960)
    assert 300 <= found <= 304
    assert clear > module.CLEAR


def test_what_is_not_there_is_not_clear() -> None:
    hiss = np.random.default_rng(3).standard_normal(len(NOISE) + RATE).astype(np.float32)
    assert round_trip(NOISE, hiss, 43_200, 960)[1] < 2
    assert round_trip(NOISE, np.zeros(len(NOISE) + RATE, np.float32), 43_200, 960)[1] == 0


class _Card:
    """A sound card whose output is its input, some frames later."""

    name, rate, round_trip = "a cable", RATE, 0.01

    def __init__(self, heard: object, frames: int, gain: float, drift: int = 0) -> None:
        self.heard, self.frames, self.gain, self.drift = heard, frames, gain, drift
        self.closed = False

    def start(self, fill: object) -> None:
        total = 6 * RATE
        out = np.zeros((total, 2), np.float32)
        for start in range(0, total, 256):
            fill(out[start : start + 256])  # type: ignore[operator]
        came = np.zeros_like(out)
        came[self.frames :] = self.gain * out[: total - self.frames]
        half = total // 3 + self.drift
        came[half:] = np.roll(came, self.drift, axis=0)[half:]
        for start in range(0, total, 256):
            self.heard(came[start : start + 256], start)  # type: ignore[operator]

    def check(self) -> None:
        pass

    def close(self) -> None:
        self.closed = True


def test_a_card_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "Card", lambda heard, *_: _Card(heard, 777, 0.5))
    assert module.measure() == ("a cable", RATE, 777, 480)


@pytest.mark.parametrize(
    ("gain", "drift", "said"),
    [(0.0, 0, "nothing came in; connect an output"), (0.5, 500, "did not come in clearly")],
)
def test_a_card_that_hears_nothing_or_hops_is_told(
    monkeypatch: pytest.MonkeyPatch, gain: float, drift: int, said: str
) -> None:
    monkeypatch.setattr(module, "Card", lambda heard, *_: _Card(heard, 300, gain, drift))
    with pytest.raises(LiveError, match=said):
        module.measure()


def test_round_trips_are_remembered_by_card_and_rate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "place", lambda: tmp_path / "new" / "round-trips.json")
    assert remembered("one", 44100) is None
    remember("one", 44100, 512)
    remember("one", 48000, 600)
    remember("two: é", 44100, 700)
    remember("one", 44100, 513)
    assert [remembered("one", 44100), remembered("one", 48000), remembered("two: é", 44100)] == [
        513, 600, 700,
    ]  # fmt: skip
    assert remembered("two", 44100) is None


@pytest.mark.parametrize(
    "text", ["", "[1]", "{", json.dumps({"one, 44100": "512"}), '{"one, 44100": -1000001}']
)
def test_a_damaged_memory_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    path = tmp_path / "round-trips.json"
    path.write_text(text, encoding="utf-8")
    monkeypatch.setattr(module, "place", lambda: path)
    assert remembered("one", 44100) is None
    remember("one", 44100, 5)
    assert remembered("one", 44100) == 5


BUSY = """
import sys, sounddevice
card = {"name": "Card One", "hostapi": 0, "max_input_channels": 1, "max_output_channels": 2}
api = {"name": "ALSA", "default_input_device": 0, "default_output_device": 0}
sounddevice.default.device = (0, 0)
sounddevice.query_hostapis = lambda number=None: (api,) if number is None else api
sounddevice.query_devices = lambda number: card
def refuse(**_):
    raise sounddevice.PortAudioError("Error opening Stream: Device unavailable", -9985)
sounddevice.Stream = refuse
from backing.cli import main
sys.argv = ["backing", "calibrate"]
main()
"""


def test_a_busy_sound_card_has_no_way_round_it_in_recording() -> None:
    words = [sys.executable, "-c", BUSY]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.endswith(
        "Error: Card One (ALSA): the sound card cannot be opened, it may be busy (Device "
        "unavailable); close other programs that play or record, and try again\n"
    )


def test_a_microphone_of_its_own_has_a_round_trip_of_its_own() -> None:
    class Devices:
        def query_devices(self, number: int) -> dict[str, object]:
            return {"name": ["built-in", "microphone"][number], "hostapi": 0}

        def query_hostapis(self, number: int) -> dict[str, str]:
            return {"name": "ALSA"}

    assert _called(Devices(), (0, 0)) == _called(Devices(), 0) == "built-in (ALSA)"
    assert _called(Devices(), (1, 0)) == "built-in (ALSA) with microphone (ALSA)"
