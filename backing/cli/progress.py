"""How far long work is, on standard error: a bar on a terminal, else a line."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

__all__ = ["bar", "on_terminal"]

PARTS = 1000  # of a bar


def on_terminal() -> bool:
    """Tell whether somebody looks at standard error."""
    return sys.stderr is not None and sys.stderr.isatty()


@contextmanager
def bar(label: str, whole: float, line: str = "") -> Iterator[Callable[[float], None]]:
    """Give a function that shows how much is done: a bar; one line where there is no terminal."""
    if not on_terminal():
        waiting = [line] if line else []
        yield lambda done: click.echo(waiting.pop(), err=True) if waiting else None
        return
    with click.progressbar(length=PARTS, label=label, file=sys.stderr) as shown:
        yield lambda done: shown.update(round(PARTS * min(1.0, done / whole)) - shown.pos)
