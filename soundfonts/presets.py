"""Which presets a soundfont holds, read from its header alone.

Reference: SoundFont 2.04, 7.2: the ``phdr`` chunk of the ``pdta`` list, 38 bytes for each preset
and one record more that ends them.
"""

from __future__ import annotations

import struct
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

__all__ = ["DRUMS", "Stamp", "presets", "stamp"]

Stamp = tuple[Path, int, int]  # path, size and time

DRUMS = 128  # the bank of General MIDI's percussion
HEADER = struct.Struct("<20sHH14s")


def stamp(path: Path) -> Stamp:
    """Return what tells a file from one that replaced it; size and time are 0 without a file."""
    try:
        status = path.stat()
    except OSError:
        return path, 0, 0
    return path, status.st_size, status.st_mtime_ns


def presets(path: Path) -> frozenset[tuple[int, int]] | None:
    """Return the presets of a soundfont, each a bank and a program from 0.

    None where the file does not say, as one that is damaged.
    """
    try:
        return _presets(*stamp(path))
    except OSError:
        return None


@lru_cache(maxsize=8)
def _presets(path: Path, size: int, time: int) -> frozenset[tuple[int, int]] | None:
    with path.open("rb") as file:
        place = _find(file, 12, size, b"LIST", b"pdta")
        found = None if place is None else _find(file, place[0] + 4, place[1], b"phdr")
        if found is None:
            return None
        file.seek(found[0])
        data = file.read(found[1] - found[0])
    whole = data[: len(data) // HEADER.size * HEADER.size]
    rows = list(HEADER.iter_unpack(whole))[:-1]
    return frozenset((bank, program) for _, program, bank, _ in rows)


def _find(
    file: BinaryIO, start: int, end: int, name: bytes, form: bytes = b""
) -> tuple[int, int] | None:
    """Return where the body of a RIFF chunk begins and ends."""
    while start + 8 <= end:
        file.seek(start)
        here, size = struct.unpack("<4sI", file.read(8).ljust(8, b"\0"))
        if here == name and (not form or file.read(4) == form):
            return start + 8, min(end, start + 8 + size)
        start += 8 + size + size % 2
    return None
