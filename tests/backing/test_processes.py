"""Workers that begin and end with the run."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

# Ctrl-C comes when a worker is there and has not yet heard what it is for.
STOPPED = """
import os, signal
from multiprocessing import util
from backing.processes import apart

begin = util.spawnv_passfds

def begun(path, words, *more):
    worker = begin(path, words, *more)
    if any("spawn_main" in str(word) for word in words):  # not what keeps track of resources
        os.kill(os.getpid(), signal.SIGINT)
    return worker

util.spawnv_passfds = begun
if __name__ == "__main__":
    try:
        apart(os.getpid)
    except KeyboardInterrupt:
        print("stopped")
"""


def test_a_worker_that_is_begun_when_the_run_is_stopped_says_nothing(tmp_path: Path) -> None:
    script = tmp_path / "stopped.py"
    script.write_text(STOPPED, encoding="utf-8")
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("stopped\n", "")
