"""Whole commands timed in turn, and the memory they take."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

__all__ = ["BACKING", "RUNS", "Figures", "memory", "pair", "seconds", "wheel_soundfont"]

RUNS = 5
BACKING = str(Path(sys.executable).with_name("backing"))

Figures = tuple[float, float, float]  # ours, the other's, and the ratio


def wheel_soundfont() -> str:
    """Return the soundfont inside the pretty_midi wheel."""
    spec = find_spec("pretty_midi")
    assert spec is not None
    assert spec.origin is not None
    return str(Path(spec.origin).parent / "TimGM6mb.sf2")


def seconds(command: Sequence[str]) -> float:
    """Return the wall seconds of a command that must succeed."""
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - began


def pair(ours: Sequence[str], other: Sequence[str], runs: int = RUNS) -> Figures:
    """Return median seconds of both and the median of the ratios, run in turn after a warm-up."""
    seconds(ours), seconds(other)
    rows = [(seconds(ours), seconds(other)) for _ in range(runs)]
    first, second = zip(*rows, strict=True)
    ratio = statistics.median(a / b for a, b in rows)
    return statistics.median(first), statistics.median(second), ratio


def memory(command: Sequence[str]) -> tuple[float, float]:
    """Return the wall seconds and the most memory in MB of a command that must succeed."""
    began = time.perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return time.perf_counter() - began, usage.ru_maxrss / 1024
