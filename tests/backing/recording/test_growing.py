from __future__ import annotations

import os
import subprocess
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from backing.recording.growing import Growing
from tests.hard.material import number_of

RAMP = (np.arange(20_000).reshape(-1, 2) / 20_000).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 2])
def test_it_opens_at_every_moment(tmp_path: Path, channels: int) -> None:
    path = tmp_path / "take.wav"
    file = Growing(path, 48000, channels)
    assert soundfile.info(path).frames == 0
    for number in range(1, 6):
        file.write(RAMP[1000 * (number - 1) : 1000 * number, :channels])
        sound, rate = soundfile.read(path, dtype="float32", always_2d=True)
        assert rate == 48000
        assert np.array_equal(sound, RAMP[: 1000 * number, :channels])
    file.close()
    assert soundfile.info(path).subtype == "FLOAT"
    assert os.access(path, os.X_OK) is False or os.geteuid() == 0
    assert not path.stat().st_mode & 0o111


def test_it_is_told_from_other_kinds_by_another_reader(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    file = Growing(path, 44100, 2)
    file.write(RAMP)
    file.close()
    with pytest.raises(wave.Error, match="unknown format: 3"):  # the sizes before it were read
        wave.open(str(path))  # noqa: SIM115
    data = path.read_bytes()
    assert int.from_bytes(data[4:8], "little") == len(data) - 8
    assert data[8:16] == b"WAVEfmt "
    assert int.from_bytes(data[54:58], "little") == len(data) - 58


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(b"old")
    with pytest.raises(FileExistsError):
        Growing(path, 44100, 2)
    assert path.read_bytes() == b"old"
    Growing(path, 44100, 2, over=True).close()
    assert soundfile.info(path).frames == 0


def test_what_was_written_before_a_full_disk_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "take.wav"
    file = Growing(path, 44100, 2)
    file.write(RAMP[:4000])
    kept = os.write

    def full(handle: int, data: bytes) -> int:
        if len(data) > 1000:
            kept(handle, data[:1000])  # as much as there was room for
            raise OSError(28, "No space left on device")
        return kept(handle, data)

    monkeypatch.setattr("backing.recording.growing.os.write", full)
    with pytest.raises(OSError, match="No space left"):
        file.write(RAMP[4000:])
    monkeypatch.undo()
    file.close()
    assert np.array_equal(soundfile.read(path, dtype="float32")[0], RAMP[:4000])


KILLED = """
import sys, time, numpy as np
from pathlib import Path
from backing.recording.growing import Growing
file = Growing(Path(sys.argv[1]), 48000, 2)
at = 0
while True:
    frames = (np.arange(at, at + 480) % 2**20).astype(np.float32) / 2**20
    file.write(np.stack([frames, -frames], axis=1))
    if not at:
        print("begun", flush=True)
    at += 480
    time.sleep(0.0002)
"""


@pytest.mark.parametrize("number", range(number_of(4, 60)))
def test_it_opens_after_a_kill(tmp_path: Path, number: int) -> None:
    path = tmp_path / "take.wav"
    words = [sys.executable, "-c", KILLED, str(path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"begun\n"
        time.sleep(0.05 + 0.0371 * number)
        process.kill()
    sound, _ = soundfile.read(path, dtype="float32")
    assert len(sound) > 0
    written = (np.arange(len(sound)) % 2**20).astype(np.float32) / 2**20
    assert np.array_equal(sound[:, 0], written)
