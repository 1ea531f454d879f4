"""Firefox without a window, through its own remote protocol, Marionette.

References: Mozilla, "Marionette: Protocol" (firefox-source-docs.mozilla.org): a message is its
length in bytes, a colon and JSON; `[0, id, command, words]` is answered with `[1, id, error,
result]`.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.backing.page.browser import ELEMENT, KEYS
from tests.waiting import PATIENCE, until

__all__ = ["Firefox", "missing", "sound_server"]

BROWSER = ("firefox-esr", "firefox")
# Nothing is fetched, asked or updated; sound needs no finger.
SETTINGS = {
    "app.update.disabledForTesting": True,
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "media.autoplay.default": 0,
    "network.captive-portal-service.enabled": False,
    "network.connectivity-service.enabled": False,
    "network.proxy.type": 1,
    "network.proxy.http": "127.0.0.1",
    "network.proxy.http_port": 9,
    "network.proxy.ssl": "127.0.0.1",
    "network.proxy.ssl_port": 9,
    "toolkit.startup.max_resumed_crashes": -1,
}


def missing() -> str:
    """Return why there is no Firefox to test with; empty where there is one."""
    return "" if any(map(shutil.which, BROWSER)) else "firefox is not installed"


@contextlib.contextmanager
def sound_server(folder: Path) -> Iterator[str]:
    """Give the address of a PulseAudio server without a loudspeaker, or that of the user's own.

    Firefox plays nothing, and its audio clock stands, where there is no sound card.
    """
    if "PULSE_SERVER" in os.environ:
        yield os.environ["PULSE_SERVER"]
        return
    socket_file = folder / "native"
    words = [
        "pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1",
        "-L", "module-null-sink rate=48000",
        "-L", f"module-native-protocol-unix auth-anonymous=1 socket={socket_file}",
    ]  # fmt: skip
    home = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}
    server = subprocess.Popen(
        words, env={**os.environ, **home}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until(lambda: server.poll() is not None or socket_file.exists())
        if server.poll() is not None:
            raise RuntimeError("pulseaudio does not start")
        yield f"unix:{socket_file}"
    finally:
        server.terminate()
        server.wait()


class Firefox:
    """One browser with one page."""

    def __init__(self, profile: Path, sound: str = "") -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        settings = {**SETTINGS, "marionette.port": port}
        lines = [f"user_pref({json.dumps(k)}, {json.dumps(v)});" for k, v in settings.items()]
        (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
        program = next(found for name in BROWSER if (found := shutil.which(name)))
        self.program = subprocess.Popen(
            [program, "--headless", "--no-remote", "--marionette", "--remote-allow-system-access",
             "--profile", str(profile)],
            env={**os.environ, "PULSE_SERVER": sound},
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self.count = 0
        self.held = contextlib.ExitStack()  # closed in the other order
        try:
            self.held.callback(self._gone)
            self.line = self.held.enter_context(self._connected(port))
            self.stream = self.held.enter_context(self.line.makefile("rb"))
            self._message()  # it greets
            self._ask("WebDriver:NewSession", {"capabilities": {}})
        except BaseException:
            self.held.close()
            raise

    def __enter__(self) -> Firefox:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self._ask("Marionette:Quit", {"flags": ["eForceQuit"]})
            self.program.wait(PATIENCE)
        finally:
            self.held.close()

    def _gone(self) -> None:
        self.program.kill()
        self.program.wait()

    def _connected(self, port: int) -> socket.socket:
        end = time.monotonic() + PATIENCE
        while True:
            try:
                return socket.create_connection(("127.0.0.1", port), PATIENCE)
            except ConnectionRefusedError:
                if self.program.poll() is not None or time.monotonic() > end:
                    raise RuntimeError("firefox does not answer") from None
                time.sleep(0.05)

    def _message(self) -> Any:
        size = b""
        while not size.endswith(b":"):
            size += self.stream.read(1) or b"0:"
        return json.loads(self.stream.read(int(size[:-1])))

    def _ask(self, command: str, words: dict[str, Any]) -> Any:
        self.count += 1
        body = json.dumps([0, self.count, command, words]).encode()
        self.line.sendall(f"{len(body)}:".encode() + body)
        _, _, error, result = self._message()
        if error is not None:
            raise RuntimeError(f"{error['error']}: {error['message'][:500]}")
        return result["value"] if set(result or ()) == {"value"} else result

    def setting(self, name: str, value: bool | int) -> None:
        """Change a setting of the browser's while it runs."""
        script = "Services.prefs[`set${arguments[2]}Pref`](arguments[0], arguments[1]);"
        kind = "Bool" if isinstance(value, bool) else "Int"
        self._ask("Marionette:SetContext", {"value": "chrome"})
        self._ask("WebDriver:ExecuteScript", {"script": script, "args": [name, value, kind]})
        self._ask("Marionette:SetContext", {"value": "content"})

    def open(self, path: Path | str) -> None:
        """Open a file or an address and wait until it is loaded."""
        address = path.as_uri() if isinstance(path, Path) else path
        self._ask("WebDriver:Navigate", {"url": address})

    def run(self, script: str, *words: Any) -> Any:
        """Return what a script returns; promises are waited for."""
        wrapped = f"return (async () => {{ {script} }}).apply(null, arguments);"
        return self._ask(
            "WebDriver:ExecuteScript", {"script": wrapped, "args": list(words), "sandbox": None}
        )

    def until(self, script: str) -> Any:
        """Return what a script returns as soon as it is true."""
        return until(lambda: self.run(script), f"never true: {script}", 0.03)

    def click(self, selector: str) -> None:
        """Press an element with the pointer."""
        found = self._ask("WebDriver:FindElement",
                          {"using": "css selector", "value": selector})  # fmt: skip
        self._ask("WebDriver:ElementClick", {"id": found[ELEMENT]})

    def keys(self, *names: str, hold: str = "") -> None:
        """Press keys, named as in `browser.KEYS` or by their letter, while another may be held."""
        acts: list[dict[str, Any]] = []
        for name in names:
            key = KEYS.get(name, name)
            acts += [{"type": "keyDown", "value": key}, {"type": "keyUp", "value": key}]
        if hold:
            held = KEYS[hold]
            acts = [{"type": "keyDown", "value": held}, *acts, {"type": "keyUp", "value": held}]
        sequence = {"type": "key", "id": "keyboard", "actions": acts}
        self._ask("WebDriver:PerformActions", {"actions": [sequence]})

    def size(self, width: int, height: int) -> None:
        """Make the window as large as a screen."""
        self._ask("WebDriver:SetWindowRect", {"width": width, "height": height})
