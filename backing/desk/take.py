"""What somebody plays at the desk: over what, as which file, and by which command it is read.

A take lies in the folder `TAKES`, numbered, never written over. One that the browser recorded
begins with the first frame of what was played, which lies beside it, as with `backing record`; a
sound file from elsewhere comes without, and the command says what it was played over.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from backing.desk.folder import Folder, FolderError
from backing.desk.play import Playing
from backing.recording.growing import Growing
from backing.recording.recorder import free_name
from backing.recording.slate import Slate, write_slate

__all__ = ["LONGEST", "SUFFIXES", "TAKES", "begun", "finished", "over", "reading_command"]

TAKES = "takes"
LONGEST = 600  # seconds
RATES = (8000, 192_000)
SUFFIXES = {"catch": ".toml", "hear": ".svg"}


def begun(folder: Folder, name: str, rate: int) -> Growing:
    """Return a take of a phrase, to be written.

    Raises `FolderError` if it would lie outside the folder, or there is no such rate.
    """
    where = folder.root / TAKES
    if where.resolve() != where or not RATES[0] <= rate <= RATES[1]:
        raise FolderError(f"{TAKES}: a take cannot be kept there")
    where.mkdir(exist_ok=True)
    return Growing(free_name(where / f"{Path(folder.path(name)).stem}.wav"), rate, 1)


def finished(take: Growing, what: Playing | None) -> None:
    """Close a take, and write beside it what it was played over.

    Raises `FolderError` if there is nothing in it.
    """
    if not take.frames:
        take.close(kept=False)
        take.path.unlink()
        raise FolderError("nothing was recorded")
    take.close()
    if what is not None:
        rows: list[list[float | None]] = [
            [number, float(section.start), 0.0, 1.0, None]
            for number, section in enumerate(what.stream.sections)
            if float(section.start) * take.rate < take.frames
        ]
        made = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        write_slate(take.path, Slate([*what.words], what.text, take.rate, take.frames,
                                     measured=False, segments=rows, made=made))  # fmt: skip


def over(how: str, what: Playing | None, asked: dict[str, Any]) -> list[str]:
    """Return the words that say what a take was played over, where nothing beside it does."""
    if what is not None:
        return []
    if how == "catch":
        return [word for key in ("key", "groove", "tempo") for word in (f"--{key}", asked[key])]
    more = ["--variation", asked["variation"]] if asked.get("variation") else []
    return [asked["name"], "--tempo", asked["tempo"], "--key", asked["key"], *more]


def reading_command(file: str, how: str, words: list[str]) -> list[str]:
    """Return the command that reads a take: ``catch`` or ``hear``."""
    return [how, "-o", Path(file).with_suffix(SUFFIXES[how]).as_posix(), file, *words]
