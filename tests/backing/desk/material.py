"""A desk as it is started by hand, and questions as its page asks them."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.waiting import PATIENCE

__all__ = ["PORCH", "WINDOW", "Served"]

PORCH = Path(__file__).parents[3] / "examples/porch-light.toml"
WINDOW = "0123456789abcdef"


class Served:
    """A desk on a folder, in a process of its own."""

    def __init__(self, folder: Path, home: Path, port: int = 0, errors: int | None = None,
                 begin: str = "") -> None:  # fmt: skip
        self.folder, self.home = folder, home
        program = ["-m", "backing.cli"]
        if begin:
            program = ["-c", f"{begin}; from backing.cli import main; main()"]
        self.process = subprocess.Popen(
            [sys.executable, *program, "desk", str(folder), "--no-browser", "--port", str(port)],
            env={**os.environ, "XDG_STATE_HOME": str(home)}, stdout=subprocess.PIPE,
            stderr=errors, text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        self.address = line.rpartition(": ")[2].strip()
        self.port = int(self.address.split(":")[2].split("/")[0])
        self.key = ""

    def __enter__(self) -> Served:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        self.process.wait(PATIENCE)
        assert self.process.stdout is not None
        self.process.stdout.close()

    @contextmanager
    def sent(
        self, path: str, asked: Any = None, method: str = "POST", **headers: str
    ) -> Iterator[http.client.HTTPResponse]:
        """Give the answer, still to be read; the page's own headers where others are not given."""
        usual = {
            "Host": f"127.0.0.1:{self.port}",
            "Origin": f"http://127.0.0.1:{self.port}",
            "Authorization": f"Bearer {self.key}",
        }
        given = {name.replace("_", "-").title(): value for name, value in headers.items()}
        told = {name: value for name, value in {**usual, **given}.items() if value}
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
        try:
            line.putrequest(method, path, skip_host=True)
            body = asked if isinstance(asked, bytes) else json.dumps(asked).encode()
            body = b"" if asked is None else body
            for name, value in {**told, "Content-Length": str(len(body))}.items():
                line.putheader(name, value)
            line.endheaders(body)
            yield line.getresponse()
        finally:
            line.close()

    def ask(
        self, path: str, asked: Any = None, method: str = "POST", **headers: str
    ) -> tuple[int, Any, dict[str, str]]:
        """Return status, answer and headers."""
        with self.sent(path, asked, method, **headers) as answer:
            raw = answer.read()
            kind = answer.getheader("content-type", "")
            found = json.loads(raw) if "json" in (kind or "") else raw
            return answer.status, found, {k.lower(): v for k, v in answer.getheaders()}

    def done(self, events: http.client.HTTPResponse, job: int) -> Any:
        """Return what is told of a job's end; `events` is what a window is told."""
        for line in events:
            if line.startswith(b"data: ") and f'"job": {job}'.encode() in line:
                told = json.loads(line[6:])
                if told.get("done"):
                    return told
        raise AssertionError("it told nothing of its end")

    def enter(self) -> None:
        """Exchange the token of the address for the key."""
        status, told, _ = self.ask("/enter", {"token": self.address.partition("#")[2]})
        assert status == 200, told
        self.key = told["key"]

    def question(self, name: str, /, **asked: Any) -> Any:
        """Return the answer to a question."""
        status, told, _ = self.ask(f"/api/{name}", {"window": WINDOW, **asked})
        assert status == 200, told
        return told
