from __future__ import annotations

from pathlib import Path
from typing import Any

import mutagen.mp3
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from backing.mp3 import KBPS, Mp3File, _check


def _sound(samples: int, rate: int) -> NDArray[np.int16]:
    seconds = np.arange(samples) / rate
    sweep = 0.3 * np.sin(2 * np.pi * (200 + 300 * seconds) * seconds)
    sound: NDArray[np.int16] = np.rint(32767 * np.stack([sweep, 0.5 * sweep], axis=1)).astype("i2")
    return sound


def _written(path: Path, sound: NDArray[np.int16] | NDArray[np.float32], rate: int) -> Path:
    with Mp3File(path, rate) as file:
        for start in range(0, len(sound), 10_000):
            file.write(sound[start : start + 10_000])
    return path


# libsndfile decodes with mpg123.
@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("samples", [1, 1151, 1152, 5000, 100_003])
def test_a_file_is_as_long_as_its_sound(tmp_path: Path, rate: int, samples: int) -> None:
    path = _written(tmp_path / "a.mp3", _sound(samples, rate), rate)
    assert soundfile.info(path).samplerate == rate
    assert len(soundfile.read(path)[0]) == samples


@pytest.mark.parametrize("rate", [44100, 48000])
def test_it_sounds_as_it_did_on_the_same_sample(tmp_path: Path, rate: int) -> None:
    sound = _sound(3 * rate, rate)
    found, _ = soundfile.read(_written(tmp_path / "a.mp3", sound, rate))
    assert np.corrcoef(found[:, 0], sound[:, 0])[0, 1] > 0.99
    louder = np.sqrt((found**2).mean() / ((sound / 32767) ** 2).mean())
    assert 20 * np.log10(louder) == pytest.approx(0.0, abs=0.1)
    size = 2 * len(sound)
    match = np.fft.irfft(np.fft.rfft(found[:, 0], size) * np.fft.rfft(sound[:, 0], size).conj())
    assert int(np.argmax(match)) == 0


def test_floats_are_the_same_as_whole_numbers(tmp_path: Path) -> None:
    whole = _sound(20_000, 44100)
    floats = (whole / 32767).astype(np.float32)
    one, two = (
        _written(tmp_path / name, sound, 44100).read_bytes()
        for name, sound in (("a.mp3", whole), ("b.mp3", floats))
    )
    assert one == two


# mutagen reads the first frame by itself.
def test_the_first_frame_tells_length_and_rate(tmp_path: Path) -> None:
    path = _written(tmp_path / "a.mp3", _sound(48_000 * 2 + 7, 48000), 48000)
    read: Any = mutagen.mp3.MP3
    info = read(path).info
    assert info.length == pytest.approx(2 + 7 / 48000, abs=1e-6)
    assert info.bitrate_mode == mutagen.mp3.BitrateMode.CBR
    assert info.bitrate == pytest.approx(1000 * KBPS, rel=0.02)  # it counts the first frame
    assert info.encoder_info.startswith("LAME 3.")
    assert not info.sketchy


# The check value of CRC-16/ARC in the catalogues of CRCs.
def test_the_check_of_the_tag() -> None:
    assert _check(b"123456789") == 0xBB3D


def test_a_file_that_is_closed_twice_is_whole(tmp_path: Path) -> None:
    with Mp3File(tmp_path / "a.mp3", 44100) as file:
        file.write(_sound(5000, 44100))
        file.close()
    assert len(soundfile.read(tmp_path / "a.mp3")[0]) == 5000
