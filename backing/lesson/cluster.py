"""Items made on many machines by Dask, an engine for that; names and records the run gives.

What is sent is the item itself, which is data. What comes back is checked by its SHA-256. A worker
that dies costs its items only, which the scheduler gives to others. Every machine needs the same
version of porchband and the same soundfont; takes and grooves of one's own must lie where all of
them can read them.
"""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from backing.lesson.items import Item, font_digest, program_digest
from phrases.errors import BluesError

__all__ = ["ClusterError", "made_on"]

RETRIES = 3  # of an item whose workers die
PATIENCE = 20  # seconds for the scheduler to answer

Files = dict[str, tuple[str, str, bytes]]  # what it is: its name, its SHA-256, itself


class ClusterError(BluesError, RuntimeError):
    """A cluster that cannot make what was asked for."""


def made_on(
    address: str,
    items: Sequence[Item],
    drafts: Path,
    font: Path,
    begun: Callable[[Item], None] = lambda item: None,
) -> Iterator[tuple[Item, dict[str, str], dict[str, Any]]]:
    """Yield items as they are made, in whatever order: names of their drafts, and facts.

    `address` is of a Dask scheduler, ``tcp://10.0.0.5:8786``; the rest as for
    `backing.lesson.workers.made`. Raises `ClusterError` if there is no such scheduler, its workers
    differ from this machine, or all of them died; else the first `BluesError` that a worker meets.
    """
    try:
        import distributed
    except ImportError:
        raise ClusterError(
            "no cluster without Dask; get it with: pip install 'porchband[cluster]'"
        ) from None
    dask: Any = distributed
    try:
        client = dask.Client(address, timeout=PATIENCE)
    except (OSError, ValueError) as error:
        raise ClusterError(f"{address}: no scheduler answers: {error}") from None
    told = font_digest(font), program_digest()
    with contextlib.closing(client):
        waiting = {}
        for item in items:
            begun(item)
            one = client.submit(_made, item, str(font), told, pure=False, retries=RETRIES)
            waiting[one] = item
        for future in dask.as_completed(list(waiting)):
            item = waiting.pop(future)
            try:
                files, facts = future.result()
            except dask.KilledWorker:
                raise ClusterError(
                    f"{item.name}: the workers that made it died; is there enough memory?"
                ) from None
            future.release()
            for name, known, data in files.values():
                if hashlib.sha256(data).hexdigest() != known:
                    raise ClusterError(f"{item.name}: it was damaged on its way; run it again")
                (drafts / name).write_bytes(data)
            yield item, {what: name for what, (name, _, _) in files.items()}, facts


def _made(item: Item, font: str, told: tuple[str, str]) -> tuple[Files, dict[str, Any]]:
    """Make an item on a worker."""
    from backing.lesson.sound import make_item
    from soundfonts import find_soundfont

    if program_digest() != told[1]:
        raise ClusterError("a worker has another version of porchband; install the same on all")
    path = Path(font) if Path(font).is_file() else find_soundfont(None).path
    if font_digest(path) != told[0]:
        raise ClusterError(f"a worker has another soundfont than {font}; install the same on all")
    with tempfile.TemporaryDirectory() as folder:
        made, facts = make_item(item, Path(folder), path)
        found = {what: (name, (Path(folder) / name).read_bytes()) for what, name in made.items()}
    return {
        what: (name, hashlib.sha256(data).hexdigest(), data)
        for what, (name, data) in found.items()
    }, facts
