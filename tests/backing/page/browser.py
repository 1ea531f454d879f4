"""Chromium without a window, through chromedriver's HTTP interface (W3C WebDriver)."""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import urllib.error
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.waiting import PATIENCE, until

__all__ = ["Browser", "missing"]

DRIVER, BROWSER = "chromedriver", ("chromium", "chromium-browser", "google-chrome")
ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # W3C WebDriver, web element identifier
KEYS = {"space": " ", "up": "\ue013", "down": "\ue015", "left": "\ue012", "right": "\ue014",
        "tab": "\ue004", "shift": "\ue008", "pagedown": "\ue00f", "pageup": "\ue00e",
        "enter": "\ue007", "control": "\ue009", "end": "\ue010", "f2": "\ue032",
        "escape": "\ue00c", "backspace": "\ue003", "delete": "\ue017"}  # fmt: skip


def missing() -> str:
    """Return why there is no browser to test with; empty where there is one."""
    if not shutil.which(DRIVER):
        return "chromedriver is not installed (Debian: chromium-driver)"
    if not any(map(shutil.which, BROWSER)):
        return "chromium is not installed"
    return ""


class Browser:
    """One browser with one page; `words` are for its command line."""

    def __init__(self, profile: Path, *words: str) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.driver = subprocess.Popen(
            [DRIVER, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self.base = f"http://127.0.0.1:{port}"
        program = next(found for name in BROWSER if (found := shutil.which(name)))
        options = {
            "binary": program,
            "args": [
                "--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu",
                "--hide-scrollbars", f"--user-data-dir={profile}", "--window-size=1280,800",
                *words,
            ],
        }  # fmt: skip
        wanted = {
            "browserName": "chrome",
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"performance": "ALL", "browser": "ALL"},
        }
        self.session = ""
        try:
            self._wait_for_driver()
            made = self._ask("POST", "/session", {"capabilities": {"alwaysMatch": wanted}})
            self.session = f"/session/{made['sessionId']}"
        except BaseException:
            self.driver.kill()
            self.driver.wait()
            raise

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._ask("DELETE", self.session)
        finally:
            self.driver.terminate()
            self.driver.wait(PATIENCE)

    def _wait_for_driver(self) -> None:
        def ready() -> bool:
            with contextlib.suppress(OSError):
                return bool(self._ask("GET", "/status")["ready"])
            return False

        until(ready, "chromedriver does not answer", 0.05)

    def _ask(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self.base + path, data, {"Content-Type": "application/json"}, method=method
        )
        try:
            with urllib.request.urlopen(request, timeout=PATIENCE) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            with error:
                told = json.load(error)["value"]
            raise RuntimeError(f"{told['error']}: {told['message'][:500]}") from None

    def protocol(self, command: str, **words: Any) -> Any:
        """Send a command of the DevTools protocol."""
        return self._ask("POST", f"{self.session}/goog/cdp/execute",
                         {"cmd": command, "params": words})  # fmt: skip

    def open(self, path: Path | str) -> None:
        """Open a file or an address and wait until it is loaded."""
        address = path.as_uri() if isinstance(path, Path) else path
        self._ask("POST", f"{self.session}/url", {"url": address})

    def run(self, script: str, *words: Any) -> Any:
        """Return what a script returns; promises are waited for."""
        wrapped = f"return (async () => {{ {script} }}).apply(null, arguments);"
        return self._ask("POST", f"{self.session}/execute/sync",
                         {"script": wrapped, "args": list(words)})  # fmt: skip

    def until(self, script: str) -> Any:
        """Return what a script returns as soon as it is true."""
        return until(lambda: self.run(script), f"never true: {script}", 0.03)

    def click(self, selector: str) -> None:
        """Press an element with the pointer."""
        found = self._ask("POST", f"{self.session}/element",
                          {"using": "css selector", "value": selector})  # fmt: skip
        self._ask("POST", f"{self.session}/element/{found[ELEMENT]}/click", {})

    def type(self, selector: str, text: str) -> None:
        """Type into an element, or choose a file where it takes one."""
        found = self._ask("POST", f"{self.session}/element",
                          {"using": "css selector", "value": selector})  # fmt: skip
        self._ask("POST", f"{self.session}/element/{found[ELEMENT]}/value", {"text": text})

    def keys(self, *names: str, hold: str = "") -> None:
        """Press keys, named as in `KEYS` or by their letter, while another may be held."""
        acts: list[dict[str, Any]] = []
        for name in names:
            key = KEYS.get(name, name)
            acts += [{"type": "keyDown", "value": key}, {"type": "keyUp", "value": key}]
        if hold:
            held = KEYS[hold]
            acts = [{"type": "keyDown", "value": held}, *acts, {"type": "keyUp", "value": held}]
        sequence = {"type": "key", "id": "keyboard", "actions": acts}
        self._ask("POST", f"{self.session}/actions", {"actions": [sequence]})

    def other(self) -> str:
        """Go to a new tab; return what `back` needs to come back to this one."""
        here: str = self._ask("GET", f"{self.session}/window")
        made = self._ask("POST", f"{self.session}/window/new", {"type": "tab"})
        self._ask("POST", f"{self.session}/window", {"handle": made["handle"]})
        return here

    def back(self, handle: str, *, close: bool = False) -> None:
        """Go to a tab, and close the one that is left if that is wanted."""
        if close:
            self._ask("DELETE", f"{self.session}/window")
        self._ask("POST", f"{self.session}/window", {"handle": handle})

    def size(self, width: int, height: int, *, touch: bool = False, scale: float = 1.0) -> None:
        """Make the window as large as a screen, and wait until the page has seen it."""
        self.protocol("Emulation.setDeviceMetricsOverride", width=width, height=height,
                      deviceScaleFactor=scale, mobile=touch)  # fmt: skip
        shown = "await new Promise(done => requestAnimationFrame(done));"
        self.run(shown + shown)

    def picture(self, path: Path) -> None:
        """Save what the window shows."""
        path.write_bytes(base64.b64decode(self._ask("GET", f"{self.session}/screenshot")))

    def log(self, kind: str) -> list[dict[str, Any]]:
        """Return what has been logged since: ``browser`` or ``performance``."""
        found: list[dict[str, Any]] = self._ask("POST", f"{self.session}/se/log", {"type": kind})
        return found

    def requests(self) -> list[str]:
        """Return the addresses that were asked for since."""
        messages = [json.loads(row["message"])["message"] for row in self.log("performance")]
        return [
            str(message["params"]["request"]["url"])
            for message in messages
            if message["method"] == "Network.requestWillBeSent"
        ]
