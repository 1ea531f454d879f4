"""Killed at any moment: no damaged file has its final name, and the next run works."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import mido
import pytest
import soundfile

from phrases.drafts import hidden
from tests.hard.material import EXAMPLES, ROOT, backing, number_of
from tests.waiting import until

TINY = ["track", "--form", "turnaround-loop", "--choruses", "1", "--tempo", "240"]
WRITES = {
    "midi": [*TINY, "-o", "a.mid"],
    "sound": [*TINY, "-o", "a.wav", "-o", "a.flac", "-o", "a.mp3", "--stems", "stems"],
}
LESSON = """\
title = "Small"
make = ["loop"]
formats = ["wav"]
tempos = [220, 240]
[[phrase]]
file = "screen-door.toml"
variations = []
"""


def check(path: Path) -> None:
    """Fail where a file cannot be read to its end."""
    if path.suffix == ".mid":
        assert len(list(mido.MidiFile(path))) > 10, path
    elif path.suffix in (".wav", ".flac", ".mp3", ".ogg", ".opus"):
        info = soundfile.info(path)
        sound, _ = soundfile.read(path)
        assert len(sound) == info.frames > 40_000, path
    elif path.suffix == ".pdf":
        assert path.read_bytes().rstrip().endswith(b"%%EOF"), path
    elif path.suffix in (".json", ".txt"):
        assert path.read_text(encoding="utf-8").endswith("\n"), path


def visible(folder: Path) -> list[Path]:
    """Return the files that are no drafts and no records."""
    return [
        path
        for path in folder.rglob("*")
        if path.is_file() and not any(p.startswith(".") for p in path.relative_to(folder).parts)
    ]


def timed(words: Sequence[str], folder: Path) -> float:
    """Return how long a command takes that is not killed."""
    begin = time.monotonic()
    done = backing(*words, folder=folder)
    assert done.returncode == 0, done.stderr
    return time.monotonic() - begin


def killed(words: Sequence[str], folder: Path, after: float, draft: str = "") -> bool:
    """Start a command and kill it; tell whether it was still at work.

    `after` counts seconds from its start, or from when there is a draft of a pattern.
    """
    process = subprocess.Popen(
        [sys.executable, "-m", "backing.cli", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    if draft:
        until(lambda: process.poll() is not None or list(folder.glob(draft)), step=0.001)
    time.sleep(after)
    at_work = process.poll() is None
    process.send_signal(signal.SIGKILL)
    process.wait()
    return at_work


@pytest.mark.parametrize("name", WRITES)
def test_an_export_killed_leaves_whole_files_or_none(name: str, tmp_path: Path) -> None:
    words = WRITES[name]
    whole = timed(words, tmp_path)
    names = sorted(path.relative_to(tmp_path) for path in visible(tmp_path))
    dice = random.Random(name)
    hits = 0
    for _ in range(number_of(2, 100)):
        for path in names:
            (tmp_path / path).unlink(missing_ok=True)
        way = dice.choice(["", ".backing-*"])
        hits += killed(words, tmp_path, dice.uniform(0, whole / 2), way)
        for path in visible(tmp_path):
            check(path)
    assert hits
    assert timed(words, tmp_path) > 0
    assert sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file()) == names
    for path in visible(tmp_path):
        check(path)


def test_a_file_that_was_there_is_the_old_one_or_the_new_one(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    new = [*TINY, "--seed", "2", "-o", "a.wav"]
    whole = timed(new, tmp_path)
    after = path.read_bytes()
    timed([*TINY, "-o", "a.wav"], tmp_path)
    before = path.read_bytes()
    assert before != after
    dice = random.Random(5)
    found = []
    for _ in range(number_of(2, 60)):
        path.write_bytes(before)
        killed(new, tmp_path, dice.uniform(0, whole / 3), ".backing-*")
        found.append(path.read_bytes())
    assert set(found) <= {before, after}
    assert before in found


def test_a_draft_in_use_is_left_alone_and_one_of_a_killed_run_is_not(tmp_path: Path) -> None:
    pytest.importorskip("fcntl")
    way = ".backing-*.wav"
    for _ in range(20):
        killed([*TINY, "-o", "b.wav"], tmp_path, 0.0, way)
        if list(tmp_path.glob(way)):
            break
    left = set(tmp_path.iterdir())
    assert left
    with hidden(tmp_path / "held.wav") as held:
        own = set(tmp_path.iterdir()) - left
        assert backing(*TINY, "-o", "a.mid", folder=tmp_path).returncode == 0
        assert held in own
        assert set(tmp_path.iterdir()) - {tmp_path / "b.wav"} == {*own, tmp_path / "a.mid"}


def test_a_lesson_killed_goes_on_and_has_whole_files(tmp_path: Path) -> None:
    source = EXAMPLES / "lesson" / "screen-door.toml"
    (tmp_path / source.name).write_bytes(source.read_bytes())
    (tmp_path / "small.toml").write_text(LESSON, encoding="utf-8")
    words = ["lesson", "small.toml", "-o", "out"]
    dice = random.Random(9)
    whole = timed([*words, "--jobs", "1"], tmp_path)
    names = sorted(path.relative_to(tmp_path) for path in visible(tmp_path))
    hits = 0
    for number in range(number_of(1, 60)):
        if number % 6 == 0:
            for path in (tmp_path / "out").rglob("*.wav"):
                path.unlink()
        hits += killed(words, tmp_path, dice.uniform(0.2, 0.8) * whole)
        for path in visible(tmp_path):
            check(path)
    assert hits

    def goes_on() -> bool:
        done = backing(*words, "--jobs", "1", folder=tmp_path)
        # A worker of the last run may still hold the lock.
        assert not done.returncode or "another run is at work" in done.stderr, done.stderr
        return not done.returncode

    until(goes_on, step=0.2)
    assert sorted(path.relative_to(tmp_path) for path in visible(tmp_path)) == names
    assert not list((tmp_path / "out" / ".lesson").glob("drafts-*"))
