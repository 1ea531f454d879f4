"""Work in processes of its own, which end with the run."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from phrases.errors import BluesError

__all__ = ["WorkError", "apart", "pool", "workers"]

Result = TypeVar("Result")


class WorkError(BluesError, RuntimeError):
    """A worker that ended before its work."""


class _Pool(ProcessPoolExecutor):
    """Workers that are begun whole: Ctrl-C and SIGTERM wait for as long as a task is handed over.

    A worker whose beginning is broken off would never hear what it is for, and say so.
    """

    def submit(
        self, fn: Callable[..., Result], /, *words: object, **named: object
    ) -> Future[Result]:
        if threading.current_thread() is not threading.main_thread():
            return super().submit(fn, *words, **named)
        waiting: list[int] = []
        signals = signal.SIGINT, signal.SIGTERM
        usual = [signal.signal(one, lambda got, _: waiting.append(got)) for one in signals]
        try:
            return super().submit(fn, *words, **named)
        finally:
            for one, handler in zip(signals, usual, strict=True):
                signal.signal(one, handler)
            for got in waiting:
                signal.raise_signal(got)


def pool(processes: int) -> ProcessPoolExecutor | None:
    """Return workers; None where the system has no shared semaphores, as in some containers."""
    try:
        return _Pool(processes, multiprocessing.get_context("spawn"), _alone)
    except OSError:
        return None


@contextlib.contextmanager
def workers(processes: int) -> Iterator[ProcessPoolExecutor | None]:
    """Give workers, or None as `pool` does; what they are doing when something fails is given up.

    A script of one's own that uses them must begin at ``if __name__ == "__main__"``. Raises
    `WorkError` if one of them ends before its work.
    """
    before = set(multiprocessing.active_children())
    executor = pool(processes)
    with executor or contextlib.nullcontext():
        try:
            yield executor
        except BaseException as error:
            for worker in set(multiprocessing.active_children()) - before:
                with contextlib.suppress(OSError):
                    worker.kill()
            # The second is what is raised where a worker ends while another is begun.
            if isinstance(error, BrokenProcessPool) or str(error) == "handle is closed":
                raise WorkError(
                    "a process ended before its work; is there enough memory? "
                    "Run the same command again"
                ) from None
            raise


def apart(make: Callable[..., Result], *words: object) -> Result:
    """Call something in a process of its own, so that the memory it takes is given back."""
    with workers(1) as executor:
        return executor.submit(make, *words).result() if executor else make(*words)


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
