"""Items made in several processes, which only write drafts: names and records the run gives."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from itertools import islice
from pathlib import Path
from typing import Any

from backing.lesson.items import Item
from backing.processes import workers
from phrases.errors import BluesError
from phrases.failures import named

__all__ = ["PROCESSES", "made"]

PROCESSES = 2

Files = dict[str, str]
Facts = dict[str, Any]


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
    with workers(processes) if processes > 1 else contextlib.nullcontext() as executor:
        if executor is None:
            for item in items:
                begun(item)
                yield (item, *_make(item, drafts, font))
            return
        waiting = iter(items)
        busy: dict[Future[tuple[Files, Facts]], Item] = {}
        while True:
            for item in islice(waiting, processes - len(busy)):
                begun(item)
                busy[executor.submit(_make, item, drafts, font)] = item
            if not busy:
                return
            done, _ = wait(busy, return_when=FIRST_COMPLETED)
            for future in done:
                item = busy.pop(future)
                yield (item, *future.result())


def _make(item: Item, drafts: Path, font: Path) -> tuple[Files, Facts]:
    from backing.lesson.sound import make_item

    try:
        return make_item(item, drafts, font)
    except BluesError:
        raise
    except Exception as error:
        raise named(error, item.name) from None
