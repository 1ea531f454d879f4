"""What is set once: the config file, environment variables, the pedal; and what Tab offers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import click
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner, Result

from backing.cli import COMMANDS, config, main
from backing.live.card import _devices
from backing.live.errors import LiveError
from backing.live.pedal import CONTROLLER, learn, pressed, read_pedal

SHORT = ["track", "--form", "turnaround-loop", "--choruses", "1"]


def run(*words: str | Path, **variables: str) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], env=variables)


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "mine" / "config.toml"
    path.parent.mkdir()
    monkeypatch.setenv(config.VARIABLE, str(path))
    monkeypatch.delenv("BACKING_SOUNDFONT", raising=False)
    monkeypatch.chdir(tmp_path)
    return path


def made(*words: str, **variables: str) -> dict[str, Any]:
    result = run(*SHORT, "--json", "-o", "a.mid", *words, **variables)
    assert result.exit_code == 0, result.output
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def test_an_option_goes_before_its_variable_and_that_before_the_file(file: Path) -> None:
    """Common practice, and click's own order."""
    assert made()["seed"] == 1
    file.write_text("seed = 7\nlooseness = 0.5\n", encoding="utf-8")
    assert (made()["seed"], made()["looseness"]) == (7, 0.5)
    assert made(BACKING_SEED="8")["seed"] == 8
    assert made("--seed", "9", BACKING_SEED="8")["seed"] == 9
    assert made("--tight")["looseness"] < 0.5


def test_what_is_set_once_is_no_wish_where_it_has_no_use(file: Path) -> None:
    file.write_text('port = "x"\npedal = "y"\ncard = "z"\nsoundfont = "s.sf2"\n', encoding="utf-8")
    made()
    refused = run(*SHORT, "-o", "a.mid", "--port", "x")
    assert "--port is for playing" in refused.stderr
    assert refused.exit_code == 2


def test_it_is_shown_with_where_it_comes_from(file: Path) -> None:
    assert "not there" in run("config").stdout
    file.write_text('soundfont = "a.sf2"\nseed = 7\n', encoding="utf-8")
    shown = json.loads(run("config", "--json", BACKING_CARD="USB").stdout)
    rows = {row["name"]: (row["value"], row["from"]) for row in shown["settings"]}
    assert shown["file"] == str(file)
    assert rows["soundfont"] == (str(file.parent / "a.sf2"), "file")
    assert (rows["seed"], rows["card"]) == ((7, "file"), ("USB", "BACKING_CARD"))
    assert rows["port"] == (None, None)


@pytest.mark.parametrize(
    ("text", "said"),
    [("sed = 7\n", ':1:1: "sed" is not a key here; did you mean "seed"?'),
     ('seed = "7"\n', '"seed" must be a whole number'), ("seed = \n", "not valid TOML")],
)  # fmt: skip
def test_a_slip_in_it_is_told_but_not_to_those_who_ask_for_help(
    file: Path, text: str, said: str
) -> None:
    file.write_text(text, encoding="utf-8")
    refused = run("list", "forms")
    assert (refused.exit_code, said in refused.stderr) == (1, True)
    assert run("track", "--help").exit_code == 0


def test_a_pedal_is_written_beside_what_is_there(file: Path) -> None:
    file.write_text("# mine\nseed = 7 # lucky\npedal = 'old'\n", encoding="utf-8")
    assert config.remember("pedal", "FCB:60=space") == file
    assert file.read_text(encoding="utf-8") == (
        '# mine\nseed = 7 # lucky\npedal = "FCB:60=space"\n'
    )
    file.unlink()
    config.remember("pedal", "FCB:60=space")
    assert config.settings() == {"pedal": "FCB:60=space"}


# --- the pedal -------------------------------------------------------------------


def test_a_pedal_is_learnt_by_pressing_it() -> None:
    presses = iter([("FCB", 60), ("FCB", 60), ("other", 62), ("FCB", CONTROLLER + 64)])
    asked: list[str] = []

    def press(what: str) -> tuple[str, int] | None:
        asked.append(what)
        return next(presses)

    text = learn(press)
    assert text == "FCB:60=space,c64=n"  # a note twice, or of another pedal, is none
    assert read_pedal(text) == ("FCB", {60: "stop", CONTROLLER + 64: "next"})
    assert asked[0] == "to stop and go on"
    with pytest.raises(LiveError, match="nothing was pressed"):
        learn(lambda _: None)


def test_what_a_pedal_sends_when_it_is_pressed() -> None:
    """MIDI 1.0: a note on with a velocity; a controller from 64 on is a switch that is on."""
    sent = [[0x93, 60, 1], [0x90, 60, 0], [0xB0, 64, 64], [0xB0, 64, 63], [0xF8]]
    assert [pressed(data) for data in sent] == [60, None, CONTROLLER + 64, None, None]


# --- cards -----------------------------------------------------------------------


class Cards:
    """PortAudio with three devices of two interfaces."""

    default = type("default", (), {"device": (0, 0)})
    devices = (
        {"name": "Built in", "hostapi": 0, "max_input_channels": 1, "max_output_channels": 2},
        {"name": "USB one", "hostapi": 0, "max_input_channels": 2, "max_output_channels": 2},
        {"name": "USB one", "hostapi": 1, "max_input_channels": 0, "max_output_channels": 2},
    )

    def query_hostapis(self, number: int | None = None) -> Any:
        every = [
            {"name": "ALSA", "default_input_device": 0, "default_output_device": 0},
            {"name": "OSS", "default_input_device": -1, "default_output_device": 2},
        ]
        return every if number is None else every[number]

    def query_devices(self, number: int | None = None) -> Any:
        return self.devices if number is None else self.devices[number]


@pytest.mark.parametrize(
    ("output", "source", "both", "found"),
    [
        ("", "", False, [0, 2]),
        ("usb", "", False, [1, 2]),
        ("USB one (OSS)", "", False, [2]),
        ("usb", "", True, [(1, 1), (0, 1)]),
        ("", "usb", True, [(1, 0)]),
        ("usb", "built", True, [(0, 1)]),
    ],
)
def test_a_card_is_found_by_a_part_of_its_name(
    output: str, source: str, both: bool, found: list[Any]
) -> None:
    assert _devices(Cards(), output, source, both=both) == found


def test_a_card_that_is_not_there_is_told_with_those_that_are() -> None:
    with pytest.raises(LiveError, match=r'"UBS" is not .* output; .*USB one'):
        _devices(Cards(), "UBS", both=False)


def test_a_card_is_for_playing(file: Path) -> None:
    assert run(*SHORT, "--card", "usb", "-o", "a.mid").exit_code == 2


# --- Tab, the manual page, help ----------------------------------------------------


def offered(*words: str) -> list[str]:
    *before, incomplete = words
    complete = ShellComplete(main, {}, "backing", "_BACKING_COMPLETE")
    return [item.value for item in complete.get_completions(before, incomplete)]


@pytest.mark.parametrize(
    ("words", "some"),
    [
        (("demo", "lamp"), "lamp-oil"),
        (("sheet", "lamp"), "lamp-oil"),
        (("demo", "lamp-oil", "--variation", ""), "low flame"),
        (("record", "lo"), "loop"),
        (("record", "loop", "lamp"), "lamp-oil"),
        (("record", "loop", "lamp-oil", "--fr"), "--from"),
        (("record", "--ta"), "--take"),
        (("loop", "lamp-oil", "--shape", "ra"), "ramp"),
        (("completion", "f"), "fish"),
    ],
)
def test_tab_offers(words: tuple[str, ...], some: str) -> None:
    assert some in offered(*words)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_a_script_for_a_shell(shell: str) -> None:
    script = run("completion", shell).stdout
    assert f"_BACKING_COMPLETE={shell}_complete" in script


def test_the_manual_page_is_the_help_of_every_command() -> None:
    page = run("man").stdout
    assert page.startswith('.TH BACKING 1 "" "porchband ')
    for name in COMMANDS:
        assert f"\n.SS backing {name}\n" in page
    macros = (".TH", ".SH", ".SS", ".nf", ".fi")  # man(7)
    odd = [line for line in page.splitlines() if line[:1] in (".", "'")]
    assert all(line.startswith(macros) for line in odd)


def test_on_a_terminal_man_shows_the_manual_page(tmp_path: Path) -> None:
    pty = pytest.importorskip("pty")  # none on Windows
    shown = tmp_path / "man"
    shown.write_text('#!/bin/sh\necho "$@: $(head -c 11)"\n')
    shown.chmod(0o755)
    ours, theirs = pty.openpty()
    words = [sys.executable, "-m", "backing.cli", "man"]
    paths = f"{tmp_path}{os.pathsep}{os.environ['PATH']}"
    subprocess.run(words, stdout=theirs, check=True, env={**os.environ, "PATH": paths})
    assert os.read(ours, 1000) == b"-l -: .TH BACKING\r\n"
    os.close(ours)
    os.close(theirs)


def test_help_is_a_word_too() -> None:
    assert run("help").stdout == run("--help").stdout
    assert run("help", "loop").stdout == run("loop", "--help").stdout


def test_every_setting_is_an_option_and_has_a_variable() -> None:
    """The table, the options and click's variables say the same."""
    options = {
        option: param.envvar
        for name in ("track", "record", "new")
        for param in main.get_command(click.Context(main), name).params  # type: ignore[union-attr]
        for option in param.opts
        if isinstance(param, click.Option)
    }
    for name in set(config.SETTINGS) - {"soundfont"}:  # which is found where soundfonts are
        assert options[f"--{name}"] == f"BACKING_{name.upper()}"


def test_without_a_file_no_reader_of_files_is_loaded() -> None:
    code = (
        "import sys\nfrom backing.cli import main\n"
        "try:\n    main(['list', 'forms'])\nexcept SystemExit:\n    pass\n"
        "print('tree_sitter' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, config.VARIABLE: "/nowhere/config.toml"},
    )  # fmt: skip
    assert done.stdout.endswith("False\n")


@pytest.mark.parametrize("more", [[], ["--lesson"]])
def test_an_author_stands_in_what_is_started(file: Path, more: list[str]) -> None:
    file.write_text('author = "Ann \\"Slide\\" Ò."\n', encoding="utf-8")
    assert run("new", "one", *more).exit_code == 0
    told = tomllib.loads(Path("one.toml").read_text(encoding="utf-8"))
    assert told["author"] == 'Ann "Slide" Ò.'
    assert run("new", "two", *more, "--author", "Bo").exit_code == 0
    assert tomllib.loads(Path("two.toml").read_text(encoding="utf-8"))["author"] == "Bo"
