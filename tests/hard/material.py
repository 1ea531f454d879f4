"""What the reliability runs share: how long they are, a watch on time and memory, a child."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import signal
import subprocess
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import cycle, product
from pathlib import Path
from types import FrameType
from typing import TypeVar

__all__ = [
    "EXAMPLES",
    "LONG",
    "ROOT",
    "SLOWEST",
    "HangError",
    "backing",
    "in_turn",
    "memory",
    "number_of",
    "some",
    "tree",
    "watched",
]

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
# `make hard` sets it: the same runs, as long as they are meant to be.
LONG = bool(os.environ.get("HARD"))
# Seconds of the processor that reading one text or refusing one command may take.
SLOWEST = 5.0


T = TypeVar("T")
U = TypeVar("U")


def number_of(short: int, long: int) -> int:
    """Return how many cases a run has; `HARD_SHARE` (0 to 1) takes a part of a long one."""
    if not LONG:
        return short
    return max(short, round(long * float(os.environ.get("HARD_SHARE", "1"))))


def some(cases: Collection[T], count: int) -> list[T]:
    """Return as many cases, chosen once for all; in a long run all of them."""
    chosen = set(random.Random(1).sample(range(len(cases)), number_of(count, len(cases))))
    return [case for number, case in enumerate(cases) if number in chosen]


def in_turn(these: Iterable[T], ways: Sequence[U]) -> list[tuple[T, U]]:
    """Return each with the next of the ways; in a long run with every one."""
    if LONG:
        return list(product(these, ways))
    return list(zip(these, cycle(ways), strict=False))


class HangError(BaseException):
    """Something took too long; no ``except Exception`` may swallow it."""


@contextlib.contextmanager
def watched(seconds: float = SLOWEST) -> Iterator[None]:
    """Raise `HangError` where the body takes more of the processor than it may."""

    def ring(_number: int, _frame: FrameType | None) -> None:
        raise HangError(f"longer than {seconds:g} s")

    # Of the processor; by the clock it may be busy with others, but not for ever.
    timers = ((signal.SIGPROF, signal.ITIMER_PROF, 1), (signal.SIGALRM, signal.ITIMER_REAL, 20))
    before = {number: signal.signal(number, ring) for number, _, _ in timers}
    for _, timer, times in timers:
        signal.setitimer(timer, times * seconds)
    try:
        yield
    finally:
        for number, timer, _ in timers:
            signal.setitimer(timer, 0)
            signal.signal(number, before[number])


def memory() -> float:
    """Return the most memory that this process has ever used, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def tree(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder by its path, with what it holds."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def backing(
    *words: str | Path,
    folder: Path,
    env: Mapping[str, str] | None = None,
    before: tuple[str, ...] = (),
    seconds: float = 300,
) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, in a folder.

    Parameters
    ----------
    words
        As a user types them.
    env
        Variables besides those of this process; an empty one is taken away.
    before
        Words that start it: a shell's limits, a namespace.
    """
    known = {**os.environ, "PYTHONPATH": str(ROOT), **(env or {})}
    return subprocess.run(
        [*before, sys.executable, "-m", "backing.cli", *map(str, words)],
        cwd=folder,
        env={name: value for name, value in known.items() if value},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        timeout=seconds,
        check=False,
    )
