"""The command starts at once: help loads neither numpy nor MIDI nor audio libraries."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

HEAVY = {"numpy", "mido", "rtmidi", "fluidsynth", "soundfile", "pretty_midi", "scipy"}
PAGES = {"verovio", "typst", "fontTools"}
TREES = {"tree_sitter", "tree_sitter_toml"}


def python(code: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=False
    )


def loaded(*words: str) -> set[str]:
    code = (
        "import sys\nfrom backing.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print('MODULES', *sys.modules)"
    )
    line = python(code, *words).stdout.splitlines()[-1]
    assert line.startswith("MODULES")
    return set(line.split()[1:])


@pytest.mark.parametrize(
    "words",
    [
        ["--help"],
        ["track", "--help"],
        ["demo", "--help"],
        ["loop", "--help"],
        ["sheet", "--help"],
        ["list", "grooves"],
        ["list", "forms"],
        ["list", "soundfonts"],
    ],
)
def test_help_and_lists_are_light(words: list[str]) -> None:
    assert not loaded(*words) & (HEAVY | TREES | PAGES)


def test_the_check_above_can_fail() -> None:
    modules = loaded("track", "-o", os.devnull + "/x.mid")
    assert "backing.output" in modules
    code = "import backing.sound.audio, sys; print('numpy' in sys.modules)"
    assert python(code).stdout.strip() == "True"


def test_completion_is_light() -> None:
    code = (
        "import os, sys\nos.environ.update(_BACKING_COMPLETE='bash_complete',"
        " COMP_WORDS='backing track --groove s', COMP_CWORD='3')\n"
        "from backing.cli import main\n"
        "try:\n    main(prog_name='backing')\nexcept SystemExit:\n    pass\n"
        "print('MODULES', *sys.modules)"
    )
    lines = python(code).stdout.splitlines()
    assert "plain,shuffle" in lines
    assert not set(lines[-1].split()) & (HEAVY | TREES)


def test_closed_standard_output_is_no_traceback() -> None:
    command = f"{sys.executable} -m backing.cli list grooves | head -c 1"
    result = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert "Traceback" not in result.stderr
