"""How soon a command sounds: from the start of its process to the first sound that leaves it."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from benchmarks.timed import wheel_soundfont

__all__ = ["first_sounds"]

RUNS = 15
PHRASE = str(Path(__file__).parents[1] / "examples" / "porch-light.toml")
COMMANDS = {"track": ["track"], "demo": ["demo", PHRASE], "loop": ["loop", PHRASE]}

# The command itself, but that it says when the first sound is handed to the card or the port.
# `backing.cli` comes first, as in the command: it says how numpy is to be loaded.
NOTED = """
import sys, time
from backing.cli import main
def told(found=[]):
    if not found:
        found.append(print(time.clock_gettime(time.CLOCK_MONOTONIC), flush=True))
if "--port" in sys.argv:
    from backing.live.sender import Sender as kind
    name = "_send"
    def sounds(data): return data[0] & 0xF0 == 0x90
else:
    from backing.live.sound import Playback as kind
    name = "_fill"
    def sounds(out): return abs(out).max() > 1e-4
kept = getattr(kind, name)
def noted(self, what):
    kept(self, what)
    if sounds(what):
        told()
setattr(kind, name, noted)
sys.argv[0] = "backing"
main()
"""


def first_sounds(port: str | None) -> Iterator[str]:
    """Yield a row for each command, on the sound card and on a MIDI port that listens, if any."""
    for what, words in COMMANDS.items():
        for where, more in (
            ("sound card", ["--soundfont", wheel_soundfont()]),
            *([("MIDI port", ["--port", port])] if port else []),
        ):
            found = sorted(_once([*words, *more]) for _ in range(RUNS))
            yield (
                f"| `backing {what}` | {where} | {statistics.median(found):.0f} | {found[0]:.0f} "
                f"| {found[-1]:.0f} |"
            )


def _once(words: list[str]) -> float:
    """Return the milliseconds until a command sounds."""
    began = time.clock_gettime(time.CLOCK_MONOTONIC)
    with subprocess.Popen(
        [sys.executable, "-c", NOTED, *words], stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        at = float(process.stdout.readline())
        process.terminate()
    return 1000 * (at - began)
