"""Every command without a network and with one folder to write in: nothing asks for more.

A namespace of its own has no network, and every disk in it but the work folder may only be read.
An audit hook, which each Python process of the run installs, notes every look-up of a host and
every connection that is tried.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from backing.cli import COMMANDS
from tests.hard.material import EXAMPLES, LONG, ROOT

HOOK = """
import os, socket, sys
def hook(event, words):
    if event in ("socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"):
        if event == "socket.connect" and words[0].family == socket.AF_UNIX:
            return  # a sound server of this machine
        with open(os.environ["HARD_LOG"], "a") as log:
            log.write(f"{event} {words[1:]}\\n")
sys.addaudithook(hook)
"""
# The namespace's own disks: all to be read only, but the work folder.
CELL = """
set -e
mount --make-rprivate /
mount --bind "$WORK" "$WORK"
for disk in $(awk '$2 !~ "^/(proc|sys)" && $4 ~ "^rw" {print $2}' /proc/mounts | sort -u); do
    [ "$disk" = "$WORK" ] || mount -o remount,bind,ro "$disk"
done
cd "$WORK/out"
exec "$@"
"""
# Several commands in one process, which is quicker; a line for each with its exit code.
RUN = """
import shlex, sys
from backing.cli import main
for line in sys.stdin.read().splitlines():
    try:
        main(shlex.split(line), prog_name="backing")
    except SystemExit as end:
        print("CODE", end.code or 0, line)
"""
TINY = "--form turnaround-loop --choruses 1 --tempo 240"
LINES = [
    "--version", "--help", *(f"{name} --help" for name in COMMANDS),
    *(f"list {what}" for what in ("grooves", "forms", "phrases", "scales", "soundfonts")),
    *(["list ports"] if find_spec("rtmidi") else []),
    f"track {TINY} -o t.mid -o t.wav -o t.mp3 --stems stems",
    f"track {TINY} -o t.flac -o t.ogg",
    f"track {TINY} -o t.opus",
    "demo phrase.toml --choruses 1 -o d.mid", "loop phrase.toml --dry-run",
    "loop phrase.toml --passes 1 -o l.mid", "trade phrase.toml --passes 1 -o g.mid",
    "check phrase.toml", "tidy phrase.toml", "transpose phrase.toml --key E -o e.toml",
    "sheet phrase.toml", "sheet phrase.toml -o s.pdf -o s.svg -o s.txt -o s.musicxml",
    "sheet --form quick-change -o chart.pdf", "import s.musicxml -o again.toml", "new fresh",
    "new class --lesson", "lesson small.toml -o lesson",
]  # fmt: skip
LESSON = """\
title = "Small"
make = ["demo", "loop", "sheet", "page"]
formats = ["opus"]
tempos = [240]
choruses = 1
[[phrase]]
file = "phrase.toml"
variations = []
"""


def celled(work: Path, code: str, lines: str = "") -> subprocess.CompletedProcess[str]:
    """Run Python code in the cell, in the folder ``out`` of a work folder."""
    (work / "hook").mkdir(exist_ok=True)
    (work / "hook" / "sitecustomize.py").write_text(HOOK, encoding="utf-8")
    for name in ("out", "home", "tmp"):
        (work / name).mkdir(exist_ok=True)
    return subprocess.run(
        ["unshare", "--net", "--mount", "sh", "-c", CELL, "sh", sys.executable, "-c", code],
        input=lines,
        env={
            **os.environ,
            "WORK": str(work),
            "HOME": str(work / "home"),
            "TMPDIR": str(work / "tmp"),
            "HARD_LOG": str(work / "log"),
            # Where PulseAudio is installed, its client makes files when it looks for a sound card.
            "PULSE_RUNTIME_PATH": str(work / "pulse"),
            "PULSE_COOKIE": str(work / "pulse" / "cookie"),
            "PYTHONPATH": f"{work / 'hook'}{os.pathsep}{ROOT}",
            "PYTHONDONTWRITEBYTECODE": "1",
        },
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


@pytest.fixture
def work(tmp_path: Path) -> Path:
    if shutil.which("unshare") is None or celled(tmp_path, "").returncode:
        pytest.skip("namespaces cannot be made here; root can")
    return tmp_path


def test_the_cell_holds(work: Path) -> None:
    code = (
        "import socket\n"
        "for path in ('/tmp/outside', '/var/tmp/outside', '../out/inside'):\n"
        "    try: open(path, 'w').close(); print('wrote', path)\n"
        "    except OSError as error: print(error.strerror, path)\n"
        "try: socket.create_connection(('192.0.2.1', 80), 1)\n"
        "except OSError as error: print(error.strerror)\n"
    )
    assert celled(work, code).stdout.splitlines() == [
        "Read-only file system /tmp/outside",
        "Read-only file system /var/tmp/outside",
        "wrote ../out/inside",
        "Network is unreachable",
    ]
    assert "192.0.2.1" in (work / "log").read_text()


def test_every_command_works_alone(work: Path) -> None:
    out = work / "out"
    out.mkdir(exist_ok=True)
    shutil.copy(EXAMPLES / "lesson" / "screen-door.toml", out / "phrase.toml")
    (out / "small.toml").write_text(LESSON, encoding="utf-8")
    lines = [*LINES, f"lesson {EXAMPLES / 'lesson' / 'lesson.toml'} -o whole"] if LONG else LINES
    done = celled(work, RUN, "\n".join(lines))
    codes = re.findall(r"^CODE (\d+) (.*)$", done.stdout, re.MULTILINE)
    assert [line for _, line in codes] == lines, done.stderr
    assert [line for code, line in codes if code != "0"] == [], done.stderr
    assert not (work / "log").exists(), (work / "log").read_text()
    assert [path.name for path in (work / "tmp").rglob("*")] == []
    assert [path.name for path in (work / "home").rglob("*")] == []
    named = {line.split()[0] for line in lines}
    assert set(COMMANDS) <= named
    hidden = [path for path in out.rglob(".*") if path.name != ".lesson"]
    assert hidden == []
