"""Command lines put together at random: an answer or a refusal in words, and nothing left over."""

from __future__ import annotations

import random
import shutil
from pathlib import Path
from unittest.mock import patch

import click
import pytest
from click.testing import CliRunner

from backing.cli import COMMANDS, main
from backing.live.errors import LiveError
from tests.hard.material import (
    EXAMPLES,
    LONG,
    HangError,
    memory,
    number_of,
    tree,
    watched,
)

SLOWEST_WORK = 30.0  # seconds that a command may take which does make something
MORE_MEMORY = 250.0  # MB that the rest of a batch may add
LEFT_BEHIND = 40.0  # MB for a thousand lines; engraver and typesetter keep a little of each page
BATCH = 500 if LONG else 100  # whatever share of them is run: the bounds count on it
FIRST: list[float] = []  # MB after the beginning of the first batch of this process

BAD = (
    "", " ", "-", "--", "-1", "0", "nan", "inf", "1e308", "9" * 30, "0x10", "1/0", "٣", "½", "é",
    "A" * 300, "a\nb", "\U0001f3b8", "..", "/", "/dev/null", "nowhere/x.mid", "a.toml", "x.toml/",
    "broken.toml", "folder", "link.toml", "lamp-oil", "--key", "$(id)", "%s%n", "*", "~",
)  # fmt: skip
# What an option may well be given, by its name; choices and defaults are read from the option.
GOOD = {
    "key": ("Bb", "F#", "Cm", "C# minor", "g", "E"),
    "groove": ("shuffle", "slow-blues", "rumba-blues", "./own.toml"),
    "form": ("twelve-bar", "turnaround-loop", "eight-bar", "./form.toml"),
    "swing": ("2:1", "straight", "auto", "3:2"),
    "tempo": ("60", "96.5", "240", "30"),
    "from": ("60", "96.5", "240", "30"),
    "to": ("60", "96.5", "240", "30"),
    "step": ("5", "10", "0.5"),
    "each": ("1", "3"),
    "passes": ("1", "3"),
    "phrase-rests": ("2", "4"),
    "band-rests": ("2", "4"),
    "count-in": ("0", "1", "2"),
    "looseness": ("0", "1.5"),
    "seed": ("1", "-7", "99999999999999999999"),
    "choruses": ("1", "2"),
    "bars": ("1-4", "3", "9-12", "2-99"),
    "plan": ("plan.toml", "phrase.toml"),
    "soundfont": ("phrase.toml",),
    "stems": ("stems",),
    "port": ("no such port",),
    "pedal": ("no such pedal", "x:60=space"),
    "variation": ("in the wind", "easy"),
    "position": ("1", "5", "12"),
    "strings": ("GBe", "EAD"),
    "tag": ("bends",),
    "part": ("call", "response", "0", "P1"),
    "output": ("x.mid", "y.mid"),
}
ARGUMENTS = {
    "phrase": ("lamp-oil", "phrase.toml", "own phrase.toml", "phrase.toml"),
    "phrases": ("phrase.toml", "own phrase.toml"),
    "files": ("phrase.toml", "own phrase.toml"),
    "file": ("score.musicxml", "phrase.toml"),
    "lesson": ("lesson.toml", "phrase.toml"),
    "name": ("new one", "a/b", "phrase.toml"),
    "what": ("grooves", "forms", "phrases", "soundfonts"),
}
OUTPUTS = {
    "sheet": ("x.txt", "x.musicxml", "x.svg", "x.pdf"),
    "transpose": ("x.toml", "phrase.toml"),
    "import": ("x.toml",),
    "lesson": ("out", "folder"),
}
ALOUD = ("calibrate",)  # it plays a noise on whatever sound card there is
# Sound takes long: every piece of it is of the shortest kind.
SOUND = ("x.wav", "x.flac", "x.ogg", "x.opus", "x.mp3")
TINY = {
    "track": ["--form", "turnaround-loop", "--choruses", "1", "--tempo", "240"],
    "demo": ["--choruses", "1", "--tempo", "240"],
    "loop": ["--passes", "1", "--from", "240", "--to", "240"],
    "trade": ["--passes", "1", "--from", "240", "--to", "240"],
}
LESSON = """\
title = "Small"
make = ["demo", "sheet"]
formats = ["opus"]
tempos = [240]
choruses = 1
[[phrase]]
file = "phrase.toml"
variations = []
"""


def stage(folder: Path) -> None:
    """Put into a folder what the words of the command lines name."""
    shutil.copy(EXAMPLES / "lesson" / "screen-door.toml", folder / "phrase.toml")
    shutil.copy(EXAMPLES / "porch-light.toml", folder / "own phrase.toml")
    house = Path(EXAMPLES).parent / "backing"
    shutil.copy(house / "grooves" / "two-beat.toml", folder / "own.toml")
    shutil.copy(house / "forms" / "eight-bar.toml", folder / "form.toml")
    (folder / "plan.toml").write_text("from = 60\nto = 70\neach = 1\n", encoding="utf-8")
    (folder / "broken.toml").write_text("title = 'x\n[[part]\n", encoding="utf-8")
    (folder / "lesson.toml").write_text(LESSON, encoding="utf-8")
    (folder / "folder").mkdir()
    (folder / "folder" / "kept.txt").write_text("kept", encoding="utf-8")
    (folder / "link.toml").symlink_to("nowhere.toml")


def command_line(dice: random.Random) -> list[str]:
    """Return a command with options and arguments of its own and some of others."""
    quick = [name for name in COMMANDS if name not in ("lesson", *ALOUD)]
    name = dice.choice(quick + ["lesson"] * (dice.random() < 0.3))
    words = [name]
    for one in _command(name).params:
        if isinstance(one, click.Argument):
            known = ARGUMENTS.get(str(one.name), ())
            if dice.random() < 0.95:
                words.append(dice.choice(known if known and dice.random() < 0.9 else BAD))
        elif dice.random() < (0.9 if one.name in ("outputs", "output", "folder") else 0.12):
            words += _option(dice, name, one)
    if dice.random() < 0.05:  # another command's
        strange = _command(dice.choice(list(COMMANDS)))
        words += _option(dice, name, dice.choice(strange.params))
    if dice.random() < 0.05:
        dice.shuffle(words)
    if any(word in words for word in SOUND) or "--stems" in words:
        words += TINY.get(name, [])
    return words


def _command(name: str) -> click.Command:
    found = main.get_command(click.Context(main), name)
    assert found is not None
    return found


def _option(dice: random.Random, command: str, one: click.Parameter) -> list[str]:
    flag = dice.choice([*one.opts, *one.secondary_opts])
    if getattr(one, "is_flag", False):
        return [flag]
    known = GOOD.get(one.opts[-1].lstrip("-"), ())
    if isinstance(one.type, click.Choice):
        known = tuple(str(choice) for choice in one.type.choices)
    if "--output" in one.opts:
        known = OUTPUTS.get(command, known)
        if command in TINY and dice.random() < 0.04:
            known = SOUND
    value = dice.choice(known if known and dice.random() < 0.9 else BAD)
    return [f"{flag}={value}"] if flag.startswith("--") and dice.random() < 0.1 else [flag, value]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    return work


def silent(*_: object, **__: object) -> None:
    """Stand where a piece would be played: nobody listens for hours."""
    raise LiveError("there is no output here")


@pytest.mark.parametrize("first", range(0, number_of(BATCH, 20_000), BATCH))
def test_random_command_lines_answer_or_refuse(folder: Path, first: int) -> None:
    stage(folder)
    staged = tree(folder)
    runner = CliRunner()
    before = 0.0
    codes = {0: 0, 1: 0, 2: 0}
    with patch("backing.live.play.play", silent):
        for number in range(first, first + BATCH):
            if number == first + BATCH // 4:
                before = memory()  # engraver, typesetter and soundfont are loaded by now
            words = command_line(random.Random(number))
            told = f"case {number}: {words}"
            try:
                with watched(SLOWEST_WORK):
                    result = runner.invoke(main, words)
            except HangError as error:
                pytest.fail(f"{told}: {error}")
            assert isinstance(result.exception, SystemExit | None), f"{told}: {result.exception!r}"
            assert result.exit_code in codes, told
            codes[result.exit_code] += 1
            assert "Traceback" not in result.stderr, told
            after = tree(folder)
            if result.exit_code:
                assert "\nError: " in f"\n{result.stderr}", told
                assert after == staged, told
            elif after != staged:
                assert not [n for n in after if n.split("/")[-1].startswith(".")], told
                for one in folder.iterdir():
                    shutil.rmtree(one) if one.is_dir() else one.unlink()
                stage(folder)
    assert min(codes.values()) > BATCH / 20, codes  # every answer is tried
    FIRST.append(before)
    assert memory() - before < MORE_MEMORY
    assert memory() - FIRST[0] < MORE_MEMORY + LEFT_BEHIND * len(FIRST) * BATCH / 1000
