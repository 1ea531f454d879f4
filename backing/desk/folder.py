"""A teacher's folder: what lies in it, what is saved, and drafts of what is not yet.

Conventions: a file is named by its path from the folder, with ``/``; nothing outside the folder is
read or written, wherever a link leads. A file's stamp is a digest of its bytes, empty where there
is none. Drafts lie outside the folder, one for each file and window.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import stat
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backing.lesson import lesson  # noqa: F401  it declares what a lesson file is
from phrases.errors import BluesError
from phrases.kinds import kind_of
from phrases.rewrite import replace_file
from phrases.textfile import LARGEST_FILE

__all__ = ["ChangedError", "Folder", "FolderError", "Text"]

MOST = 500  # files that are listed
DEEP = 4  # folders within folders that are looked into
KINDS = {"a phrase": "phrase", "a lesson": "lesson", "": ""}


class FolderError(BluesError):
    """A file that cannot be opened or written here."""


class ChangedError(FolderError):
    """A file that is not as it was when it was opened; `now` is what it has become."""

    def __init__(self, now: Text) -> None:
        super().__init__("the file was changed by another program since it was opened here")
        self.now = now


@dataclass(frozen=True, slots=True)
class Text:
    """What a file holds, its lines ended by line feeds, and its stamp."""

    text: str
    stamp: str


class Folder:
    """A folder that the desk works on; that of the drafts is made when it is needed."""

    def __init__(self, root: Path, drafts: Path) -> None:
        self.root = Path(os.path.realpath(root))
        self.name = hashlib.sha256(os.fsencode(self.root)).hexdigest()[:16]
        self._drafts = drafts / self.name
        self.memory = self._drafts / "made"  # what was made of what
        self._seen: dict[tuple[str, int, int], dict[str, str]] = {}

    def path(self, name: str) -> Path:
        """Return the path of a file by its name.

        Raises `FolderError` if it is no TOML file, or lies outside.
        """
        parts = name.split("/")
        plain = name.isprintable() and "\\" not in name and ":" not in name
        if not plain or not name.endswith(".toml") or any(p[:1] in ("", ".") for p in parts):
            raise FolderError(f'"{name[:60]}": name a file here that ends in .toml')
        path = self.root.joinpath(*parts)
        real = os.path.realpath(path)
        if os.path.commonpath([self.root, real]) != str(self.root):
            raise FolderError(f'"{name[:60]}" leads out of the folder')
        return Path(real)

    def read(self, name: str) -> Text:
        """Return a file.

        Raises `FolderError` if there is none, or it is no plain text that a phrase or a lesson
        could be.
        """
        path = self.path(name)
        try:
            # No link put there meanwhile is followed, and no pipe's other end waited for.
            ways = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
            with open(path, "rb", opener=lambda p, _: os.open(p, ways)) as file:
                if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                    raise FolderError(f"{name}: is not a file")
                raw = file.read(LARGEST_FILE + 1)
            text = raw.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
        except UnicodeDecodeError:
            raise FolderError(f"{name}: is not text in UTF-8") from None
        except OSError as error:
            raise FolderError(f"{name}: cannot be read: {error.strerror}") from None
        if len(raw) > LARGEST_FILE:
            raise FolderError(f"{name}: is over 1 MB")
        return Text(text, hashlib.sha256(raw).hexdigest()[:24])

    def save(self, name: str, text: str, stamp: str) -> Text:
        """Write a file, if it is still the one that was opened.

        The lines of `text` end in line feeds; a file keeps its own line ends. `stamp` is of the
        file as it was opened, empty for a new one. Raises `ChangedError` if it has become another,
        `FolderError` or `TextFileError` if it cannot be written.
        """
        path = self.path(name)
        now, ends = Text("", ""), "\n"
        if os.path.lexists(path):
            now = self.read(name)
            raw = path.read_bytes()
            ends = "\r\n" if b"\r\n" in raw else "\n"
        if now.stamp != stamp and now.text != text:
            raise ChangedError(now)
        if now.text != text or not now.stamp:
            replace_file(path, text.replace("\n", ends))
        return self.read(name)

    def listing(self) -> list[dict[str, str]]:
        """Return the phrases and lessons here: name, title, kind, if no slip hides it."""
        found: list[dict[str, str]] = []
        for folder, inside, files in os.walk(self.root):
            here = Path(folder).relative_to(self.root)
            deep = len(here.parts) >= DEEP
            inside[:] = [] if deep else sorted(n for n in inside if not n.startswith("."))
            for file in sorted(files):
                if file.endswith(".toml") and len(found) < MOST:
                    with contextlib.suppress(BluesError, OSError):
                        found.append(self._about((here / file).as_posix()))
        return [one for one in found if one["kind"] != "other"]

    def _about(self, name: str) -> dict[str, str]:
        seen = self.path(name).stat()
        key = (name, seen.st_mtime_ns, seen.st_size)
        if key not in self._seen:
            about = {"name": name, "title": "", "kind": ""}
            with contextlib.suppress(tomllib.TOMLDecodeError, RecursionError):
                data = tomllib.loads(self.read(name).text)
                about["kind"] = KINDS.get(kind_of(data), "other")
                title = data.get("title")
                about["title"] = title[:200] if isinstance(title, str) else ""
            self._seen[key] = about
        return self._seen[key]

    def keep(self, name: str, window: str, text: str, stamp: str) -> None:
        """Keep a window's unsaved text as a draft; drop the draft where nothing is changed."""
        path = self._draft(name, window)
        with contextlib.suppress(BluesError):
            if self.read(name).text == text:
                path.unlink(missing_ok=True)
                return
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        told = {"name": name, "window": window, "text": text, "stamp": stamp, "at": time.time()}
        draft = path.with_suffix(".new")
        draft.write_text(json.dumps(told), encoding="utf-8")
        draft.replace(path)

    def drop(self, name: str, window: str) -> None:
        """Forget a draft."""
        self._draft(name, window).unlink(missing_ok=True)

    def drafts(self, name: str = "") -> list[dict[str, Any]]:
        """Return the drafts of a file, or of all, the latest first."""
        found = []
        for path in self._drafts.glob("*.json") if self._drafts.is_dir() else ():
            with contextlib.suppress(OSError, ValueError):
                told = json.loads(path.read_text(encoding="utf-8"))
                if not name or told["name"] == name:
                    found.append(told)
        return sorted(found, key=lambda one: -float(one["at"]))

    def _draft(self, name: str, window: str) -> Path:
        self.path(name)
        if not re.fullmatch(r"[0-9a-z]{8,32}", window):
            raise FolderError("this is no window of the desk")
        return self._drafts / f"{hashlib.sha256(name.encode()).hexdigest()[:16]}-{window}.json"
