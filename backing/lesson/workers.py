"""Work for several processes: each makes items one after another and answers what it made.

A worker reads pickled items from its standard input and writes pickled answers to its standard
output. It ends when its input does, so none outlives the run that started it for long. It only
writes drafts; names and records are given by the run itself.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from backing.lesson.items import Item
from phrases.errors import BluesError
from phrases.failures import named

__all__ = ["PROCESSES", "WorkError", "made"]

PROCESSES = 2
ENDED = 3.0  # seconds that a worker gets to end by itself

Made = tuple[Item, dict[str, str], dict[str, float]]


class WorkError(BluesError, RuntimeError):
    """A worker that ended before its work."""


def made(
    items: Sequence[Item],
    drafts: Path,
    font: Path,
    processes: int = PROCESSES,
    begun: Callable[[Item], None] = lambda item: None,
) -> Iterator[Made]:
    """Yield items as they are made, in whatever order: names of their drafts, and facts.

    Parameters
    ----------
    items
        What to make.
    drafts
        The folder for it.
    font
        The soundfont.
    processes
        How many work at once; with one, or one item, it is this one.
    begun
        Called, in any thread, with each item that is begun.

    Raises
    ------
    BluesError
        The first that a worker meets; what others were making is given up.
    """
    if processes == 1 or len(items) == 1:
        from backing.lesson.sound import make_item

        for item in items:
            begun(item)
            yield (item, *make_item(item, drafts, font))
        return
    waiting: SimpleQueue[Item] = SimpleQueue()
    for item in items:
        waiting.put(item)
    workers = [_start(drafts, font) for _ in range(min(processes, len(items)))]
    pool = ThreadPoolExecutor(len(workers))
    try:
        busy: dict[Future[Made | None], subprocess.Popen[bytes]] = {
            pool.submit(_one, worker, waiting, begun): worker for worker in workers
        }
        while busy:
            done, _ = wait(busy, return_when=FIRST_COMPLETED)
            for future in done:
                worker = busy.pop(future)
                answer = future.result()
                if answer is not None:
                    busy[pool.submit(_one, worker, waiting, begun)] = worker
                    yield answer
    finally:
        for worker in workers:
            _end(worker)
        pool.shutdown(wait=True, cancel_futures=True)


def _start(drafts: Path, font: Path) -> subprocess.Popen[bytes]:
    # A session of its own: Ctrl-C is for the run, which then ends its workers.
    root = str(Path(__file__).parents[2])
    path = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.Popen(
        [sys.executable, "-m", "backing.lesson.workers", str(drafts), str(font)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": path},
    )


def _one(
    worker: subprocess.Popen[bytes], waiting: SimpleQueue[Item], begun: Callable[[Item], None]
) -> Made | None:
    """Have a worker make the next item that waits; None where none does."""
    assert worker.stdin is not None
    assert worker.stdout is not None
    try:
        item = waiting.get_nowait()
    except Empty:
        return None
    begun(item)
    try:
        pickle.dump(item, worker.stdin)
        worker.stdin.flush()
        answer: Any = pickle.load(worker.stdout)
    except (OSError, EOFError, pickle.UnpicklingError):
        code = worker.poll()
        raise WorkError(
            f"{item.name}: its process ended before it was made"
            f"{'' if code is None else f' (code {code})'}; is there enough memory? "
            "Run the same command again to go on"
        ) from None
    if isinstance(answer, BaseException):
        raise answer
    files, facts = answer
    return item, files, facts


def _end(worker: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(OSError):
        worker.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        worker.wait(ENDED)
    for pipe in (worker.stdin, worker.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def main(drafts: Path, font: Path) -> None:
    """Work until there is no more input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints is no answer
    from backing.lesson.sound import make_item

    while True:
        try:
            item = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        answer: object
        try:
            answer = make_item(item, drafts, font)
        except BluesError as error:
            answer = error
        except Exception as error:
            answer = named(error, item.name)
        try:
            pickle.dump(answer, answers)
            answers.flush()
        except BrokenPipeError:
            return


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
