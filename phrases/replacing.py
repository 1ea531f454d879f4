"""Which files may be written over unasked: those that this program made, as their own tags say.

Everything else that lies at a place, a take above all, is somebody's work and stays unless it is
forced.
"""

from __future__ import annotations

from pathlib import Path

from phrases.errors import BluesError

__all__ = ["MADE", "ReplaceError", "check_free", "made_here"]

MADE = "Made by porchband"
# What such a file holds, where it is not `MADE`; text files may be edited by hand and say nothing.
SIGNS: dict[str, bytes] = {
    ".pdf": b"/Author(porchband)",
    ".musicxml": b"<software>porchband</software>",
    ".json": b'"made": "Made by porchband"',
    ".txt": b"",
    ".toml": b"",
}
ENDS = 1 << 17  # bytes at the start and at the end of a file, where tags lie


class ReplaceError(BluesError, FileExistsError):
    """A file that is there already and is not to be written over."""


def made_here(path: Path) -> bool:
    """Tell whether a file's own tag says that this program made it."""
    sign = SIGNS.get(path.suffix.lower(), MADE.encode())
    if not sign:
        return False
    try:
        with path.open("rb") as file:
            start = file.read(ENDS)
            file.seek(max(0, file.seek(0, 2) - ENDS))
            return sign in start or sign in file.read()
    except OSError:
        return False


def check_free(path: Path, *, force: bool = False) -> None:
    """Refuse to write over what is not this program's own.

    Raises `ReplaceError` if there is such a file and it is not forced, or what is there is not a
    file.
    """
    if not path.exists():
        return
    if not path.is_file():
        raise ReplaceError(f"{path}: is not a file; choose another name")
    if not force and not made_here(path):
        raise ReplaceError(
            f"{path}: is there already; choose another name, or write over it with --force"
        )
