"""`backing record` over a JACK server that leads what is played back in."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import random
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

import backing
from backing.cli import main
from backing.live.index import StreamIndex
from backing.live.reel import Renderer
from tests.backing.live.conftest import LEADER, jack  # noqa: F401
from tests.backing.live.jackd import assert_played, patched, served
from tests.hard.material import number_of
from tests.waiting import PATIENCE, until

RATE = 48000
# Seconds after which a recording is killed.
MOMENTS = [2.3, *random.Random(20261128).choices([n / 20 for n in range(4, 90)], k=19)]
LINE = "E: | 1 e3 2 e5 3 e3 4 e0 | 1 B3 2 e0 3 e3 4 B5"
TRACK = ["track", "--tempo", "240", "--choruses", "1", "--form", "one-chord-vamp"]


@pytest.fixture
def loop_back(jack: str) -> Iterator[None]:  # noqa: F811
    with patched():
        yield


@pytest.fixture
def home(tmp_path: Path, soundfont: Path) -> dict[str, str]:
    return {
        **os.environ, "XDG_DATA_HOME": str(tmp_path / "data"), "TERM": "vt100",
        "BACKING_SOUNDFONT": str(soundfont),
    }  # fmt: skip


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "backing.cli", *words]


def played(soundfont: Path) -> Any:
    """Return what the sound card is given, frame by frame."""
    stream = backing.track(tempo=240, choruses=1, form="one-chord-vamp")
    renderer = Renderer(StreamIndex(stream), soundfont, RATE)
    blocks = []
    while not renderer.over:
        blocks.append(renderer.block())
    return np.concatenate(blocks)


def on_terminal(home: dict[str, str], *words: str) -> tuple[subprocess.Popen[bytes], int]:
    """Start a command that is the first of a terminal, whose keys it reads."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", LEADER, f"from backing.cli import main; main({list(words)!r})"],
        env=home, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    return process, master


def begun(process: subprocess.Popen[Any], take: Path, seconds: float = 0) -> None:
    """Wait until a take is so long, or longer than nothing."""

    def there() -> bool:
        assert process.poll() is None
        if not take.exists() or not take.stat().st_size:  # has its name, and no head yet
            return False
        return bool(soundfile.info(take).frames > seconds * RATE)

    until(there, step=0.02)


@pytest.mark.usefixtures("loop_back")
def test_a_take_is_what_was_played_to_the_sample(
    tmp_path: Path, home: dict[str, str], soundfont: Path
) -> None:
    said: list[str] = []

    def calibrated() -> subprocess.CompletedProcess[str] | None:
        """Try again where the machine was too busy to play the noise, as the command says."""
        done = subprocess.run(
            command("calibrate"), env=home, capture_output=True, text=True, check=False
        )
        said.append(done.stderr)
        return None if done.returncode and "try again" in done.stderr else done

    done = until(calibrated, lambda: said)
    assert done is not None
    assert done.returncode == 0, done.stderr
    assert "loud headphones can damage hearing" in done.stderr
    known = json.loads((tmp_path / "data/porchband/round-trips.json").read_text())
    assert list(known.values()) == [0]
    assert ": 256 frames" in done.stdout  # one period of the server, and that is what it says
    take = tmp_path / "take.wav"

    def recorded() -> tuple[Any, int] | None:
        """Record; again where on a busy machine a cable was in only when all was over."""
        for left in tmp_path.glob("take*"):
            left.unlink()
        done = subprocess.run(
            command("record", *TRACK, "--take", str(take)), env=home, capture_output=True,
            text=True, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert "calibrate" not in done.stderr
        sound, rate = soundfile.read(take, dtype="float32")
        return (sound, rate) if sound.any(axis=0).all() else None

    found = until(recorded)
    assert found is not None
    sound, rate = found
    wanted = played(soundfont)
    assert rate == RATE
    assert len(sound) >= len(wanted)
    assert assert_played(sound, wanted) < 3 * RATE
    mix, _ = soundfile.read(tmp_path / "take-mix.wav", dtype="float32")
    assert len(mix) == len(sound)
    assert sorted(path.name for path in tmp_path.glob("*.wav")) == ["take-mix.wav", "take.wav"]


@pytest.mark.usefixtures("loop_back")
@pytest.mark.parametrize("seconds", MOMENTS[: number_of(1, 20)])
def test_after_a_kill_the_take_opens_and_is_what_was_played(
    tmp_path: Path, home: dict[str, str], soundfont: Path, seconds: float
) -> None:
    place = tmp_path / "data/porchband/round-trips.json"
    place.parent.mkdir(parents=True)
    place.write_text(json.dumps({f"system (JACK Audio Connection Kit), {RATE}": 0}))
    take = tmp_path / "take.wav"
    words = command("record", *TRACK, "--take", str(take))
    process = subprocess.Popen(
        words, env=home, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    begun(process, take)
    time.sleep(seconds)
    known = soundfile.info(take).frames
    process.kill()
    process.communicate()
    sound, _ = soundfile.read(take, dtype="float32")
    assert 0 < known <= len(sound)
    if np.abs(sound).max() > 0:
        assert_played(sound, played(soundfont))
    # The next run numbers its take, and clears away what was left.
    done = subprocess.run(
        command("record", "nothing", "--take", str(take)),
        env=home,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 2
    from backing.recording.recorder import Recorder, free_name

    Recorder(take)
    assert free_name(take).name == "take-2.wav"
    assert [path.name for path in tmp_path.glob(".*")] == []


@pytest.mark.usefixtures("loop_back")
def test_the_meter_is_on_the_screen_and_q_keeps_the_take(
    tmp_path: Path, home: dict[str, str]
) -> None:
    process, master = on_terminal(
        home, "record", *TRACK, "--take", str(tmp_path / "take.wav"), "--no-mix"
    )
    shown = b""
    end = time.monotonic() + PATIENCE
    pressed = False
    with contextlib.suppress(OSError):  # the terminal is gone when the process is
        while time.monotonic() < end:
            if select.select([master], [], [], 0.1)[0]:
                shown += os.read(master, 65536)
            if not pressed and b"recording take.wav  [###" in shown:
                os.write(master, b"q")
                pressed = True
            if process.poll() is not None:
                break
    process.wait(PATIENCE)
    os.close(master)
    assert pressed, shown[-2000:]
    assert process.returncode == 0
    assert 0 < soundfile.info(tmp_path / "take.wav").duration < 6  # all of it are 13 seconds
    assert [path.name for path in tmp_path.glob("*.wav")] == ["take.wav"]
    assert [path.name for path in tmp_path.glob(".*")] == []


@pytest.mark.usefixtures("loop_back")
def test_a_take_is_heard_as_it_was_really_played(tmp_path: Path, home: dict[str, str]) -> None:
    """The keys move tempo and place while it is recorded; the guitar itself is what comes in."""
    take = tmp_path / "take.wav"
    alone = ["--without", "drums", "--without", "bass", "--comp", "none", "--no-resume-count"]
    words = ["loop", "--line", LINE, "--from", "240", "--shape", "hold", "--passes", "9", *alone]
    keys = {0.2: b"-", 1.2: b"nn", 2.9: b"p", 4.1: b" ", 6.0: b" ", 7.2: b"q"}

    def recorded() -> dict[str, Any] | None:
        """Record and hear it; again where the machine was too busy for all of it, as it says."""
        for left in tmp_path.glob("take*"):
            left.unlink()
        process, master = on_terminal(home, "record", *words, "--take", str(take), "--no-mix")
        shown: list[bytes] = []

        def drained() -> None:
            with contextlib.suppress(OSError):  # the terminal is gone when the process is
                while piece := os.read(master, 65536):
                    shown.append(piece)

        reader = threading.Thread(target=drained, daemon=True)
        reader.start()
        for seconds, key in keys.items():
            begun(process, take, seconds)
            os.write(master, key)
        assert process.wait(PATIENCE) == 0
        reader.join(PATIENCE)
        os.close(master)
        done = CliRunner().invoke(main, ["hear", str(take), "--json"])
        assert done.exit_code == 0, done.output
        found: dict[str, Any] = json.loads(done.stdout)
        whole = not found["extra"] and all(
            note["how"] == "played" and abs(note["off"]) < 0.03 for note in found["notes"]
        )
        return found if whole or b"close other programs" not in b"".join(shown) else None

    found = until(recorded)
    assert found is not None
    rows = json.loads(take.with_suffix(".json").read_text(encoding="utf-8"))["segments"]
    after = [*pairwise(rows)]
    assert len({row[3] for row in rows}) > 1  # slower
    assert max(b[0] - a[0] for a, b in after) > 1  # next, twice
    assert min(b[0] - a[0] for a, b in after) < 0  # previous
    assert any(b[1] - a[4] > 0.3 for a, b in after if a[4])  # stopped
    assert {note["how"] for note in found["notes"]} == {"played"}
    assert max(abs(note["off"]) for note in found["notes"]) < 0.03  # less is not noticed
    assert len(found["notes"]) >= 12
    assert found["extra"] == []


def test_a_server_that_goes_keeps_the_take(
    tmp_path: Path,
    home: dict[str, str],
    jack: str,  # noqa: F811
) -> None:
    with served(f"{jack}-take") as server:
        process = subprocess.Popen(
            command("record", *TRACK, "--take", str(tmp_path / "take.wav")),
            env={**home, "JACK_DEFAULT_SERVER": f"{jack}-take"}, stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        begun(process, tmp_path / "take.wav", 0.5)
        server.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=PATIENCE)
    assert process.returncode == 1
    assert "the sound card has gone" in said
    assert "Traceback" not in said
    assert soundfile.info(tmp_path / "take.wav").frames > RATE // 2


def test_without_a_sound_card_it_says_what_to_do(tmp_path: Path, home: dict[str, str]) -> None:
    for words in (["calibrate"], ["record", *TRACK, "--take", str(tmp_path / "take.wav")]):
        done = subprocess.run(
            command(*words), env={**home, "JACK_DEFAULT_SERVER": "there-is-none",
            "JACK_NO_START_SERVER": "1"}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 1
        assert "connect a microphone or an interface" in done.stderr
    assert list(tmp_path.glob("*.wav")) == []


STUMBLES = """
import time
from backing.live.card import Card
def heard(block, frame):
    if 24_000 <= frame < 24_256:
        time.sleep(0.15)  # as a computer that is too busy
card = Card(heard)
card.start(lambda out: out.fill(0))
while card._frames < 48_000:
    time.sleep(0.01)
print(card.gaps)
card.close()
"""


@pytest.mark.usefixtures("jack")
def test_what_the_card_loses_is_counted(home: dict[str, str]) -> None:
    words = [sys.executable, "-c", STUMBLES]
    done = subprocess.run(
        words, env=home, capture_output=True, text=True, timeout=PATIENCE, check=True
    )
    assert int(done.stdout) > 0
