"""A lesson on a real scheduler with three workers, one of them killed: the same bytes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from backing.lesson.cluster import ClusterError
from backing.lesson.items import file_digest
from backing.lesson.lesson import read_lesson
from backing.lesson.make import make_lesson
from tests.backing.lesson.material import LESSON, written
from tests.hard.material import LONG, ROOT
from tests.waiting import until

pytestmark = [
    pytest.mark.skipif(not LONG, reason="the workers take their time; `make hard`"),
    # What a library warns of itself while it ends.
    pytest.mark.filterwarnings("ignore"),
]

TEXT = LESSON.replace("[200, 240]", "[160, 180, 200, 220, 240]").replace(
    'full-tempo-only = ["demo", "backing", "trade"]\n', ""
)


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    pytest.importorskip("distributed")
    file = tmp_path / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}

    def start(*words: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", "dask", *words], env=environment,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    own = ["--scheduler-file", str(file), "--no-dashboard"]
    started = [start("scheduler", "--host", "127.0.0.1", "--port", "0", *own)]
    until(lambda: file.exists() and file.read_text().strip().endswith("}"))
    address: str = json.loads(file.read_text())["address"]
    for _ in range(3):
        words = ["--nthreads", "1", "--no-nanny", "--host", "127.0.0.1"]
        started.append(start("worker", *own, *words))
    import distributed

    dask: Any = distributed
    with dask.Client(address, timeout=60) as client:
        client.wait_for_workers(3, timeout=120)
    yield address, started[1:]
    for process in started:
        process.kill()
        process.wait()


def test_a_worker_that_dies_costs_its_items_only(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, workers = cluster
    lesson = read_lesson(written(tmp_path / "lesson", TEXT))
    alone = make_lesson(lesson, tmp_path / "alone", processes=1)
    told: list[float] = []

    def progress(done: float, _whole: float, name: str) -> None:
        told.append(done)
        if name and workers[0].poll() is None:  # the first sound has come
            workers[0].send_signal(signal.SIGKILL)

    far = make_lesson(lesson, tmp_path / "far", progress=progress, cluster=address)
    assert workers[0].wait(60) == -signal.SIGKILL
    assert far.files == alone.files
    assert len(far.files) > 20
    for path in far.files:
        assert file_digest(far.folder / path) == file_digest(alone.folder / path), path


def test_a_soundfont_that_a_worker_has_not_is_told(
    cluster: tuple[str, list[subprocess.Popen[bytes]]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("backing.lesson.cluster.font_digest", lambda _: "another")
    lesson = read_lesson(written(tmp_path / "lesson", TEXT))
    with pytest.raises(ClusterError, match="a worker has another soundfont"):
        make_lesson(lesson, tmp_path / "far", cluster=cluster[0])


def test_where_no_scheduler_answers_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("backing.lesson.cluster.PATIENCE", 1)
    lesson = read_lesson(written(tmp_path, TEXT))
    with pytest.raises(ClusterError, match=r"tcp://127\.0\.0\.1:1: no scheduler answers"):
        make_lesson(lesson, tmp_path / "far", cluster="tcp://127.0.0.1:1")
