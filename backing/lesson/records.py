"""What was made before: a record beside the files of each item, and a lock on the folder.

In the lesson's folder, `HIDDEN` holds a record for each item (its digest; size, time and SHA-256
of each of its files), the layers of the practice page's loops, drafts of what is being made, and
the lock. A file takes its name when it is complete, and its record is written after it, so that
whatever interrupts a run, the next one makes what has no true record.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from backing.lesson.items import file_digest
from backing.output import OutputError
from backing.sound_files import explained

__all__ = ["HIDDEN", "Record", "Shared", "Workshop", "opened"]

HIDDEN = ".lesson"
Facts = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Record:
    """What is known of one item's files."""

    digest: str  # of all that it depends on
    # Size in bytes, time of change in nanoseconds and SHA-256, by path in the lesson's folder.
    files: Mapping[str, tuple[int, int, str]]
    facts: Facts  # what else later steps want to know


@dataclass(slots=True)
class Shared:
    """What has been made already, in whichever lesson, by the digest of all it depends on."""

    _known: dict[str, tuple[dict[str, Path], Mapping[str, Any]]] = field(default_factory=dict)

    def add(self, told: str, files: dict[str, Path], facts: Mapping[str, Any]) -> None:
        """Note files by what they are, and the facts of them."""
        self._known.setdefault(told, (files, facts))

    def copied(self, told: str, drafts: Path) -> tuple[dict[str, str], Mapping[str, Any]] | None:
        """Copy what another lesson has made; return names and facts, None if it made none."""
        if told not in self._known:
            return None
        files, facts = self._known[told]
        made = {}
        for number, (what, path) in enumerate(files.items()):
            made[what] = f"{told[:16]}-{number}{path.suffix}"
            try:
                shutil.copyfile(path, drafts / made[what])
            except OSError:  # somebody has moved it
                return None
        return made, facts


class Workshop:
    """A lesson's folder while it is made; `opened` gives one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.home = os.path.realpath(folder)
        self.drafts = folder / HIDDEN / f"drafts-{secrets.token_hex(4)}"
        self.layers = f"{HIDDEN}/layers"
        self.spared: list[str] = []  # what there is to say of files that were changed by hand
        self._records = folder / HIDDEN / "records"
        # Those of a run that was killed; one of its workers may still write into its own.
        for left in (folder / HIDDEN).glob("drafts-*"):
            shutil.rmtree(left, ignore_errors=True)
        for place in (self.drafts, self._records, folder / self.layers):
            place.mkdir(parents=True, exist_ok=True)

    def record(self, name: str) -> Record | None:
        """Return the record of an item; None if there is none that can be read."""
        try:
            told = json.loads(self._file(name).read_text(encoding="utf-8"))
            files = {path: (int(s), int(t), str(d)) for path, (s, t, d) in told["files"].items()}
            return Record(str(told["digest"]), files, dict(told["facts"]))
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None

    def holds(self, record: Record | None, digest: str) -> bool:
        """Tell whether an item is as its record says and needs no making."""
        if record is None or record.digest != digest:
            return False
        return all(self._same(path, *told) for path, told in record.files.items())

    def _same(self, name: str, size: int, time: int, digest: str) -> bool:
        path = self.folder / name
        try:
            found = path.stat()
            if found.st_size != size:
                return False
            return found.st_mtime_ns == time or file_digest(path) == digest
        except OSError:
            return False

    def keep(self, name: str, digest: str, drafts: Mapping[str, Path], facts: Facts) -> Record:
        """Give drafts their names in the folder and write the record of their item.

        `drafts` is what was made, by its path in the folder; `facts` what else to remember. A file
        that was changed since it was made is not lost: it gets another name. Raises `OutputError`
        if a file cannot be written, or would lie outside the folder.
        """
        before = self.record(name)
        files = {}
        for path, draft in drafts.items():
            target = self.folder / path
            with explained(target):
                self._check_inside(target)
                target.parent.mkdir(parents=True, exist_ok=True)
                told = file_digest(draft)
                if before and path in before.files and target.exists():
                    self._spare(path, {before.files[path][2], told})
                draft.replace(target)
                found = target.stat()
            files[path] = (found.st_size, found.st_mtime_ns, told)
        record = Record(digest, files, facts)
        told_all = {"name": name, "digest": digest, "files": files, "facts": facts}
        self._write(self._file(name), json.dumps(told_all, ensure_ascii=False))
        self._drop(set(before.files if before else ()) - set(files), before)
        return record

    def _spare(self, name: str, own: Collection[str]) -> None:
        """Give a file that somebody changed since it was made another name."""
        target = self.folder / name
        if HIDDEN in target.parts or file_digest(target) in own:
            return
        names = (f"{target.stem}.changed{n}{target.suffix}" for n in ("", *range(2, 1000)))
        spare = next(target.with_name(n) for n in names if not target.with_name(n).exists())
        target.rename(spare)
        self.spared.append(f"{name} was changed after it was made; that is {spare.name} now")

    def draft(self, suffix: str) -> Path:
        """Return a name for a draft that nothing has."""
        return self.drafts / f"{secrets.token_hex(8)}{suffix}"

    def forget(self, names: Collection[str], kept: Collection[str]) -> list[str]:
        """Remove the files of every item but the named ones; return those that are gone.

        A file that was changed since it was made, or that is `kept`, stays.
        """
        gone: list[str] = []
        stay = {self._file(name).name for name in names}
        for path in sorted(self._records.glob("*.json")):
            if path.name in stay:
                continue
            with contextlib.suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
                name = json.loads(path.read_text(encoding="utf-8"))["name"]
                record = self.record(name)
                if record is not None:
                    gone += self._drop(set(record.files) - set(kept), record)
            path.unlink(missing_ok=True)
        return gone

    def _drop(self, names: Collection[str], record: Record | None) -> list[str]:
        gone = []
        for name in sorted(names):
            target = self.folder / name
            with contextlib.suppress(OSError, OutputError):
                self._check_inside(target)
                if record is not None and self._same(name, *record.files[name]):
                    target.unlink()
                    gone.append(name)
                for parent in target.parents:  # what it leaves empty goes too
                    if parent == self.folder or HIDDEN in parent.parts:
                        break
                    parent.rmdir()
        return gone

    def _check_inside(self, path: Path) -> None:
        """Refuse a path that a link, or a record written by others, leads out of the folder."""
        real = os.path.realpath(path.parent)
        own = path.relative_to(self.folder) if path.is_relative_to(self.folder) else path
        if os.path.commonpath([self.home, real]) != self.home or ".." in own.parts:
            raise OutputError(f"{path}: lies outside {self.folder}; is a folder in it a link?")

    def _file(self, name: str) -> Path:
        return self._records / f"{name.replace('/', '~')}.json"

    def _write(self, path: Path, text: str) -> None:
        draft = self.draft(".json")
        with explained(path):
            draft.write_text(text, encoding="utf-8")
            draft.replace(path)


@contextlib.contextmanager
def opened(folder: Path) -> Iterator[Workshop]:
    """Give a lesson's folder to one run; it is made if need be.

    Raises `OutputError` if it cannot be used: it holds other files, or another run is at work in
    it.
    """
    try:
        if folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder}: is not a folder; name one for the lesson")
        hidden = folder / HIDDEN
        if folder.is_dir() and not hidden.is_dir() and any(folder.iterdir()):
            raise OutputError(
                f"{folder}: the folder holds files that are not a lesson's; name a new one"
            )
        if hidden.is_symlink():
            raise OutputError(f"{hidden}: is a link; a lesson keeps its records in its own folder")
        hidden.mkdir(parents=True, exist_ok=True)
        held = FileLock(hidden / "lock", blocking=False).acquire()
    except Timeout:
        raise OutputError(
            f"{folder}: another run is at work in this folder; wait until it has ended"
        ) from None
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        what = error.strerror or str(error)
        raise OutputError(f"{folder}: the folder cannot be used: {what}") from None
    with held:
        work = Workshop(folder)
        try:
            yield work
        finally:
            shutil.rmtree(work.drafts, ignore_errors=True)
