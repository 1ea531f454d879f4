"""What is made of a file: the commands themselves, each in a process of its own.

What the desk shows is what it runs, so its files are the command's own, and so are its messages,
its progress and what it leaves when it is stopped.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import re
import shlex
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from backing import pieces
from backing.desk.folder import Folder, FolderError
from backing.desk.look import parsed
from backing.formats import FORMATS
from backing.lesson.catalogue import SPEED, estimate
from backing.lesson.lesson import read_lesson

__all__ = ["OUT", "Job", "offers"]

OUT = "out"  # the folder inside the teacher's folder
PATIENCE = 5.0  # seconds that a command has to stop by itself
SHEET = (60_000, 1.0)  # bytes and seconds of a sheet
PIECES: dict[str, Callable[..., Any]] = {
    "backing": pieces.track, "demo": pieces.demo, "loop": pieces.loop, "trade": pieces.trade
}  # fmt: skip
TITLES = {
    "backing": "Backing", "demo": "Demo", "loop": "Practice loop", "trade": "Call and response",
    "sheet": "Sheet", "lesson": "Lesson with its pages",
}  # fmt: skip
REMEMBERED = ("track", "demo", "loop", "trade", "sheet")  # a lesson remembers for itself
_SHARE = re.compile(r"(\d{1,3})%")
_LEFT = re.compile(r"\d+:\d\d:\d\d|about [^\r\n]+ left")


def offers(folder: Folder, name: str, kind: str) -> list[dict[str, Any]]:
    """Return the commands that a saved file can be given to, each with files, bytes and seconds.

    Raises `BluesError` if the file has mistakes.
    """
    path, text = folder.path(name), folder.read(name).text
    stem = Path(name).stem
    if kind == "lesson":
        told = estimate(read_lesson(path))
        words = ["lesson", name, "-o", f"{OUT}/{stem}"]
        seconds = told.seconds / (os.cpu_count() or 1)
        return [_offer("lesson", words, told.size, seconds, len(told.files))]
    phrase = parsed(path, text)
    found = []
    band = ["--key", str(phrase.key), "--groove", phrase.groove, "--tempo",
            f"{float(phrase.tempo):g}"]  # fmt: skip
    if phrase.groove.endswith(".toml"):
        band[3] = os.path.relpath(phrase.groove, folder.root)
    for what, make in PIECES.items():
        given = ["track", *band] if what == "backing" else [what, name]
        outputs = [f"{OUT}/{stem}_{what}{suffix}" for suffix in (".wav", ".mid")]
        length = float(
            (
                make(key=str(phrase.key), groove=phrase.groove, tempo=phrase.tempo)
                if what == "backing"
                else make(phrase)
            ).seconds
        )
        words = [*given, *(word for one in outputs for word in ("-o", one))]
        size = round(length * FORMATS[".wav"].size * 44100 / 48000)
        found.append(_offer(what, words, size, 1 + length / SPEED, len(outputs)))
    return [*found, _offer("sheet", ["sheet", name, "-o", f"{OUT}/{stem}.pdf"], *SHEET, 1)]


def _offer(what: str, words: list[str], size: int, seconds: float, files: int) -> dict[str, Any]:
    return {"what": what, "title": TITLES[what], "command": _command(words),
            "words": words, "bytes": size, "seconds": seconds, "files": files}  # fmt: skip


def _command(words: list[str]) -> str:
    return shlex.join(["backing", *words])


@dataclass
class Job:
    """A command that runs."""

    number: int  # its name
    folder: Folder  # and `words`: where, and what, without ``backing``
    words: list[str]
    # Called with what it says of itself: ``share`` from 0 to 1, ``left``, and at its end
    # ``files``, ``error`` or ``stopped``.
    tell: Callable[[dict[str, Any]], None]
    running: bool = True
    _process: asyncio.subprocess.Process | None = None
    _said: str = ""
    _stopped: bool = field(default=False)

    @property
    def command(self) -> str:
        """What it is on the command line."""
        return _command(self.words)

    def outputs(self) -> list[str]:
        """Return the files or the folder that it writes, checked to lie inside."""
        found = [self.words[n + 1] for n, word in enumerate(self.words) if word == "-o"]
        for one in found:
            real = os.path.realpath(self.folder.root / one)
            if os.path.commonpath([self.folder.root, real]) != str(self.folder.root):
                raise FolderError(f"{one} leads out of the folder")
        return found

    async def run(self, memory: Path) -> None:
        """Run it to its end; what is as it should be is not made again.

        `memory` is a file for what was made of what.
        """
        try:
            outputs = self.outputs()
            told = self._digest()
            known = _remembered(memory)
            there = all((self.folder.root / one).exists() for one in outputs)
            if self.words[0] in REMEMBERED and there and known.get(outputs[0]) == told:
                self._end(files=self._listed(outputs), kept=True)
                return
            (self.folder.root / outputs[0]).parent.mkdir(exist_ok=True)
            code, answer = await self._command()
            if self._stopped:
                self._end(stopped=True)
            elif code:
                last = [line for line in re.split(r"[\r\n]+", self._said) if line.strip()]
                self._end(error="\n".join(last[-3:]).removeprefix("Error: ") or "it failed")
            else:
                files = self._listed(outputs)
                if self.words[0] == "lesson":
                    made = json.loads(answer)
                    files = self._listed([f"{outputs[0]}/{one}" for one in made["files"]])
                elif self.words[0] in ("catch", "hear"):
                    text = (self.folder.root / outputs[0]).read_text(encoding="utf-8")
                    self._end(files=files, said=answer.splitlines(), text=text)
                    return
                else:
                    memory.parent.mkdir(parents=True, exist_ok=True)
                    memory.write_text(json.dumps({**known, outputs[0]: told}), encoding="utf-8")
                self._end(files=files)
        except (OSError, ValueError) as error:
            self._end(error=str(error))
        except asyncio.CancelledError:
            self.stop()
            raise

    def _digest(self) -> str:
        """Return a digest of the command and of every file in the folder that it may read."""
        told = hashlib.sha256(repr(self.words).encode())
        for one in self.folder.listing():
            told.update(one["name"].encode() + self.folder.read(one["name"]).stamp.encode())
        return told.hexdigest()

    async def _command(self) -> tuple[int, str]:
        words = [sys.executable, "-m", "backing.cli", *self.words]
        words += ["--json"] if self.words[0] == "lesson" else []
        ours, theirs = os.openpty()  # so that it shows how far it is
        try:
            self._process = await asyncio.create_subprocess_exec(
                *words, cwd=self.folder.root, stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE, stderr=theirs, start_new_session=True,
            )  # fmt: skip
            os.close(theirs)
            theirs = -1
            loop = asyncio.get_running_loop()
            loop.add_reader(ours, self._hear, ours)
            if self._stopped:
                self.stop()
            answer, _ = await self._process.communicate()
            loop.remove_reader(ours)
            self._hear(ours)
        finally:
            for one in (ours, theirs):
                if one >= 0:
                    os.close(one)
        return self._process.returncode or 0, answer.decode("utf-8", "replace")

    def _hear(self, terminal: int) -> None:
        try:
            said = os.read(terminal, 65536).decode("utf-8", "replace")
        except OSError:  # the other end is closed
            with contextlib.suppress(RuntimeError):
                asyncio.get_running_loop().remove_reader(terminal)
            return
        self._said = (self._said + said)[-8000:]
        shares, left = _SHARE.findall(said), _LEFT.findall(said)
        if shares:
            share = min(1.0, int(shares[-1]) / 100)
            self.tell({"job": self.number, "share": share, "left": left[-1] if left else ""})

    def stop(self) -> None:
        """Stop it as Ctrl-C does, and if it does not obey, at once."""
        self._stopped = True
        process = self._process
        if process is None or process.returncode is not None:
            return

        def end(sign: signal.Signals) -> None:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, sign)

        end(signal.SIGINT)
        with contextlib.suppress(RuntimeError):
            asyncio.get_running_loop().call_later(PATIENCE, end, signal.SIGKILL)

    def _listed(self, names: list[str]) -> list[dict[str, Any]]:
        return [
            {"path": one, "bytes": (self.folder.root / one).stat().st_size}
            for one in names
            if (self.folder.root / one).is_file()
        ]

    def _end(self, **told: Any) -> None:
        self.running = False
        self.tell({"job": self.number, "done": True, **told})


def _remembered(memory: Path) -> dict[str, str]:
    with contextlib.suppress(OSError, ValueError):
        known = json.loads(memory.read_text(encoding="utf-8"))
        if isinstance(known, dict):
            return known
    return {}
