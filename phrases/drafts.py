"""Files that are being made: hidden, beside their place, and gone after a run that was killed.

A draft has a mark beside it, a small file that says in words which draft it stands for and is
locked as long as that is written. The next run that writes into the folder removes a mark with
its draft only where the names, the mark's words, the owner and the files' ages all say that this
program wrote them, and nobody holds the lock. Whatever else has such a name is somebody's own.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
import time
from collections.abc import Iterator
from pathlib import Path

__all__ = ["DRAFT", "hidden", "sweep"]

DRAFT = ".backing-"
MARK = ".mark"
LONG_AGO = 24 * 3600  # seconds; another machine's lock on a shared disk is not seen everywhere
SLACK = 5  # seconds by which a draft may seem older than its mark
_NAME = re.compile(re.escape(DRAFT) + r"[0-9a-f]{12}" + re.escape(MARK))
_TOLD = b"porchband on %b was writing %b; unlocked, both files may go\n"
_WORDS = re.compile(_TOLD % (b"(.*)", b"(.*)"), re.DOTALL)


@contextlib.contextmanager
def hidden(target: Path) -> Iterator[Path]:
    """Give a new file beside another, marked and locked so that `sweep` leaves it alone."""
    token = os.urandom(6).hex()
    mark = target.with_name(f"{DRAFT}{token}{MARK}")
    draft = target.with_name(f"{DRAFT}{token}{target.suffix}")
    try:
        with mark.open("xb") as file:
            _locked(file.fileno(), wait=True)
            file.write(_words(draft))
            file.flush()
            draft.open("xb").close()
            yield draft
    finally:  # a signal may come as soon as there is a mark; Windows removes no open file
        for left in (draft, mark):
            with contextlib.suppress(OSError):
                left.unlink()


def sweep(folder: Path) -> None:
    """Remove the drafts of runs that were killed, and nothing else."""
    with contextlib.suppress(OSError):
        for mark in folder.iterdir():
            if _NAME.fullmatch(mark.name):
                with contextlib.suppress(OSError):
                    _clear(mark)


def _clear(mark: Path) -> None:
    """Remove a mark and its draft, if both are left over."""
    if not stat.S_ISREG(os.lstat(mark).st_mode):
        return
    with open(mark, "rb", opener=_plainly) as file:
        found = os.fstat(file.fileno())
        told = _WORDS.fullmatch(file.read(4096))
        if not (told and _ours(found) and _locked(file.fileno(), wait=False)):
            return
        draft = mark.parent / os.fsdecode(told[2])
        if draft.parent != mark.parent or draft.stem != mark.stem or draft == mark:
            return
        here = told[1] == _here()
        if not here and time.time() - found.st_mtime < LONG_AGO:
            return
        with contextlib.suppress(FileNotFoundError):
            left = os.lstat(draft)
            if not _ours(left) or left.st_mtime < found.st_mtime - SLACK:
                return
            draft.unlink()
        mark.unlink()


def _here() -> bytes:
    """Return this machine's name."""
    return os.fsencode(os.uname().nodename) if hasattr(os, "uname") else b"-"


def _words(draft: Path) -> bytes:
    name = os.fsencode(draft.name)
    return _TOLD % (_here(), name)


def _ours(found: os.stat_result) -> bool:
    """Tell whether something is a plain file of this user's."""
    mine = not hasattr(os, "getuid") or found.st_uid == os.getuid()
    return stat.S_ISREG(found.st_mode) and mine


def _plainly(path: str, flags: int) -> int:
    """Open a file, but no link, and without waiting for the other end of a pipe."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))


def _locked(file: int, *, wait: bool) -> bool:
    """Lock a file until it is closed; False where another has it, or nothing can be locked.

    A library that locks by name could lock another file than the one whose words were read.
    """
    try:
        import fcntl
    except ImportError:  # Windows, where drafts that are left over stay
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True
