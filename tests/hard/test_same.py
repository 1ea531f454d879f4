"""Every shipped example is the same bytes each time: in two processes, folders and time zones."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from backing.forms import form_names
from backing.grooves import groove_names
from phrases.files import shipped
from tests.hard.material import EXAMPLES, LONG, ROOT

# Two processes that have nothing in common but the program.
HERE = {"TZ": "UTC", "PYTHONHASHSEED": "1", "LC_ALL": "C.UTF-8"}
THERE = {"TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "4242", "LC_ALL": "C", "HOME": "/nowhere"}
RUN = """
import shlex, sys
from backing.cli import main
for line in sys.stdin.read().splitlines():
    try:
        main(shlex.split(line), prog_name="backing")
    except SystemExit as end:
        if end.code:
            print("FAILED", line)
"""


def examples() -> list[str]:
    """Return a command line for everything that ships, or in the short form for some of it."""
    lines = []
    for name in ["porch-light.toml", *shipped()][: None if LONG else 2]:
        lines += [
            f"demo {name} --choruses 1 -o demo-{name}.mid",
            f"loop {name} -o loop-{name}.mid",
            f"trade {name} -o trade-{name}.mid",
            f"sheet {name} -o {name}.pdf -o {name}.svg -o {name}.musicxml -o {name}.txt",
        ]
    for groove in groove_names()[: None if LONG else 1]:
        lines.append(f"track --groove {groove} --choruses 1 -o {groove}.mid")
    for form in form_names()[: None if LONG else 1]:
        lines += [
            f"track --form {form} --choruses 1 -o {form}.mid",
            f"sheet --form {form} -o {form}-chart.pdf -o {form}-chart.svg",
        ]
    if LONG:
        sound = " ".join(f"-o {{0}}.{s}" for s in ("wav", "flac", "ogg", "opus", "mp3"))
        for name in ["porch-light.toml", *shipped()]:
            lines.append(f"demo {name} --choruses 1 {sound.format('demo-' + name)}")
        for groove in groove_names():
            lines.append(f"track --groove {groove} --choruses 1 {sound.format(groove)}")
        lines += ["track --stems stems", "lesson lesson.toml -o lesson"]
    else:
        tiny = "track --form turnaround-loop --choruses 1 --tempo 240"
        lines += [
            f"{tiny} -o t.wav -o t.ogg -o t.mp3 --stems stems",
            "lesson small.toml -o lesson",
        ]
    return lines


SMALL = """\
title = "Small"
make = ["loop", "sheet", "page"]
formats = ["wav"]
tempos = [240]
[[phrase]]
file = "screen-door.toml"
variations = []
"""


def made(folder: Path, lines: list[str], env: Mapping[str, str]) -> dict[str, str]:
    """Run command lines in a new folder; return the digest of every file that is to be seen."""
    folder.mkdir(parents=True)
    for path in (EXAMPLES / "porch-light.toml", *(EXAMPLES / "lesson").glob("*.toml")):
        shutil.copy(path, folder)
    (folder / "small.toml").write_text(SMALL, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", RUN],
        input="\n".join(lines),
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **env},
        capture_output=True,
        text=True,
        timeout=3600,
        check=True,
    )
    assert "FAILED" not in done.stdout, done.stderr
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".lesson" not in path.parts
    }


def test_everything_is_the_same_bytes_in_another_process(tmp_path: Path) -> None:
    lines = examples()
    one = made(tmp_path / "a", lines, HERE)
    other = made(tmp_path / "another folder" / "é", lines, THERE)
    assert list(one) == list(other)
    assert [name for name in one if one[name] != other[name]] == []
    suffixes = {Path(name).suffix for name in one}
    assert {".mid", ".wav", ".mp3", ".pdf", ".svg", ".html", ".musicxml", ".txt"} <= suffixes


@pytest.mark.parametrize("words", [["--seed", "2"], ["--tempo", "61"]])
def test_the_comparison_can_fail(words: list[str], tmp_path: Path) -> None:
    plain = made(tmp_path / "a", ["track --choruses 1 -o t.mid"], HERE)
    other = made(tmp_path / "b", [f"track --choruses 1 -o t.mid {' '.join(words)}"], HERE)
    assert plain["t.mid"] != other["t.mid"]
