"""Files that are being made: hidden, beside their place, and gone after a run that was killed.

The name of a draft begins with `DRAFT`. It is locked while it is written; the next run that writes
into its folder removes those that nobody holds locked.
"""

from __future__ import annotations

import contextlib
import glob
import os
from collections.abc import Iterator
from pathlib import Path

__all__ = ["DRAFT", "hidden", "sweep"]

DRAFT = ".backing-"


@contextlib.contextmanager
def hidden(target: Path) -> Iterator[Path]:
    """Give a new file beside another; it is locked, so that `sweep` leaves it alone."""
    while True:
        draft = target.with_name(f"{DRAFT}{os.urandom(6).hex()}{target.suffix}")
        with draft.open("xb") as file:
            try:
                if not _locked(file.fileno(), wait=True):
                    file.close()  # Windows renames no open file
                elif not draft.exists():
                    continue  # another run took it for one that was left over
                yield draft
                return
            finally:
                with contextlib.suppress(OSError):
                    draft.unlink(missing_ok=True)


def sweep(folder: Path) -> None:
    """Remove the drafts of runs that were killed: those that nobody holds locked."""
    with contextlib.suppress(OSError):
        for left in folder.glob(f"{glob.escape(DRAFT)}*"):
            with contextlib.suppress(OSError), left.open("rb") as file:
                if _locked(file.fileno(), wait=False):
                    left.unlink()


def _locked(file: int, *, wait: bool) -> bool:
    """Lock a file until it is closed; False where another has it, or nothing can be locked."""
    try:
        import fcntl
    except ImportError:  # Windows, where drafts that are left over stay
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True
