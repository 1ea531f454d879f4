"""Items made in several processes, which only write drafts: names and records the run gives."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from pathlib import Path
from typing import Any

from backing.lesson.items import Item
from phrases.errors import BluesError
from phrases.failures import named

__all__ = ["PROCESSES", "WorkError", "made", "pool"]

PROCESSES = 2

Files = dict[str, str]
Facts = dict[str, Any]


class WorkError(BluesError, RuntimeError):
    """A worker that ended before its work."""


def made(
    items: Sequence[Item],
    drafts: Path,
    font: Path,
    processes: int = PROCESSES,
    begun: Callable[[Item], None] = lambda item: None,
) -> Iterator[tuple[Item, Files, Facts]]:
    """Yield items as they are made, in whatever order: names of their drafts, and facts.

    A script of one's own that makes a lesson must begin at ``if __name__ == "__main__"``. `drafts`
    is the folder for them; `processes` work at once: with one, or one item, it is this one.
    `begun` is called with each item that is begun. Raises the first `BluesError` that a worker
    meets; what others were making is given up.
    """
    processes = min(processes, len(items))
    executor = pool(processes) if processes > 1 else None
    if executor is None:
        for item in items:
            begun(item)
            yield (item, *_make(item, drafts, font))
        return
    waiting = iter(items)
    busy: dict[Future[tuple[Files, Facts]], Item] = {}
    before = set(multiprocessing.active_children())
    with executor:
        try:
            while True:
                for item in islice(waiting, processes - len(busy)):
                    begun(item)
                    busy[executor.submit(_make, item, drafts, font)] = item
                if not busy:
                    return
                done, _ = wait(busy, return_when=FIRST_COMPLETED)
                for future in done:
                    item = busy.pop(future)
                    try:
                        yield (item, *future.result())
                    except BrokenProcessPool:
                        raise WorkError(
                            f"{item.name}: its process ended before it was made; is there enough "
                            "memory? Run the same command again to go on"
                        ) from None
        finally:
            if busy:
                for worker in set(multiprocessing.active_children()) - before:
                    with contextlib.suppress(OSError):
                        worker.kill()


def pool(processes: int) -> ProcessPoolExecutor | None:
    """Return workers; None where the system lets none share anything, as in some containers."""
    try:
        return ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _alone)
    except OSError:
        return None


def _make(item: Item, drafts: Path, font: Path) -> tuple[Files, Facts]:
    from backing.lesson.sound import make_item

    try:
        return make_item(item, drafts, font)
    except BluesError:
        raise
    except Exception as error:
        raise named(error, item.name) from None


def _alone() -> None:
    """Begin a worker: Ctrl-C is for the run, which then ends it, and so does the run's own end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.dup2(2, 1)  # what a library prints is no answer
    run = multiprocessing.parent_process()
    assert run is not None

    def follow() -> None:
        run.join()
        os._exit(1)

    threading.Thread(target=follow, daemon=True).start()
