"""Every error message, as a player reads it: the table is ``messages.txt``, to be read aloud.

A row is a command line, the lines of the file ``x.toml`` if it reads one (after ``> ``), and what
is said: the exit code and the message. Where a wording changes, ``python -m tests.test_messages``
writes the table again from what is said now; then read the difference.
"""

from __future__ import annotations

import ast
import os
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from click import ClickException
from click.testing import CliRunner

from backing.cli import main
from phrases.errors import BluesError
from phrases.textfile import TextFile
from tests.conftest import wheel_soundfont

TABLE = Path(__file__).with_name("messages.txt")
ROOT = Path(__file__).parents[1]

PHRASE = 'title = "x"\nkey = "A"\ntempo = 90\n[[part]]\nnotes = \'| 1 e8\'\n'
LESSON = 'title = "x"\n[[phrase]]\nfile = "y.toml"\n'

# Modules every one of whose messages has a row, or a reason here not to have one.
WHOLE = (
    "backing/cli/__init__.py", "backing/cli/check_command.py", "backing/cli/film_command.py",
    "backing/cli/import_command.py",
    "backing/cli/list_command.py", "backing/cli/options.py", "backing/cli/practice_options.py",
    "backing/cli/record_command.py", "backing/cli/report.py", "backing/cli/tidy_command.py",
    "backing/cli/transpose_command.py", "backing/forms/form.py",
    "backing/grooves/groove.py", "backing/harmony.py", "backing/lanes.py", "backing/output.py",
    "backing/pieces.py", "backing/practice/looper.py", "backing/practice/plan.py",
    "backing/practice/region.py", "backing/cli/vary_command.py", "phrases/moves/proposals.py",
)  # fmt: skip
ELSEWHERE = {
    "error.strerror or str(error)": "a failure of the machine that no command foresees",
    "cannot be written: {": "a disk: tests/hard/test_places.py, tests/backing/test_output.py",
    "no room to render": "a disk: tests/backing/test_output.py",
    "may only be read": "root may write everywhere: tests/backing/test_output.py",
    "rate {rate}": "the command line has a choice: tests/backing/test_output.py",
    "is not a word of a plan": "the command has no such option: tests/backing/test_pieces.py",
    "it must be {_WORDS": "an option has a type: tests/backing/test_pieces.py",
    "{bits} bits": "the command line has a choice: tests/backing/test_output.py",
}


@dataclass(frozen=True)
class Row:
    """A command line, the text of the file it reads, and what is said."""

    words: str
    text: str
    said: str


def rows() -> Iterator[Row]:
    for block in TABLE.read_text(encoding="utf-8").strip().split("\n\n"):
        first, *lines = block.split("\n")
        text = "".join(f"{line[2:]}\n" for line in lines if line.startswith(">"))
        said = "\n".join(line for line in lines if not line.startswith(">"))
        yield Row(first.removeprefix("$ backing "), text, said)


ROWS = tuple(rows())


def said(row: Row, folder: Path) -> str:
    """Return what a command line says, with its exit code, run in a folder of its own."""
    (folder / "folder").mkdir()
    (folder / "folder" / "kept.txt").write_text("kept", encoding="utf-8")
    (folder / "y.toml").write_text(PHRASE, encoding="utf-8")
    (folder / "l.toml").write_text(LESSON, encoding="utf-8")
    shutil.copy(ROOT / "examples" / "porch-light.toml", folder / "porch.toml")
    if "x.toml" in row.words:
        (folder / "x.toml").write_text(row.text, encoding="utf-8")
    before, home = sorted(folder.rglob("*")), Path.cwd()
    os.chdir(folder)
    try:
        result = CliRunner().invoke(main, shlex.split(row.words))
    finally:
        os.chdir(home)
    assert isinstance(result.exception, SystemExit), (row, result.exception)
    assert sorted(folder.rglob("*")) == before, row  # nothing is written on an error
    around = re.compile(r"(Usage: |Try |note: |rendering |$)")
    told = [line for line in result.stderr.splitlines() if not around.match(line)]
    return "\n".join([f"{result.exit_code} {told[0]}", *told[1:]])


def test_messages_are_words_and_not_about_the_program() -> None:
    for row in ROWS:
        assert not re.search(r"Traceback|Errno|object at 0x|\bNone\b|<class|Error\(", row.said), (
            row
        )
        assert re.match(r"[12] Error: \S", row.said), row


def sites(path: Path) -> dict[int, str]:
    """Return the lines of a module that tell of a mistake, with what stands there."""
    found = {}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        call: Any = None
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            call = node.exc
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
            name = getattr(node.value.func, "attr", "")
            call = node.value if name in ("complain", "fail") else None
        if call is not None:
            found[call.lineno] = ast.unparse(node)
    return found


def test_every_message_is_as_in_the_table_and_has_a_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table is run with a look at which lines make an error."""
    reached: set[tuple[str, int]] = set()
    told = {name: sites(ROOT / name) for name in WHOLE}
    watched = {str(ROOT / name): name for name in WHOLE}

    def noted(inner: Callable[..., Any]) -> Callable[..., Any]:
        def made(*words: Any, **more: Any) -> Any:
            frame: FrameType | None = sys._getframe(1)
            while frame is not None:
                if (file := watched.get(frame.f_code.co_filename)) is not None:
                    reached.add((file, frame.f_lineno))
                frame = frame.f_back
            return inner(*words, **more)

        return made

    monkeypatch.setattr(BluesError, "__init__", noted(BluesError.__init__))
    monkeypatch.setattr(ClickException, "__init__", noted(ClickException.__init__))
    monkeypatch.setattr(TextFile, "complain", noted(TextFile.complain))
    other = []
    for number, row in enumerate(ROWS):
        folder = tmp_path / str(number)
        folder.mkdir()
        now = said(row, folder)
        if now != row.said:
            other.append((row.words, row.text, row.said, now))
    assert other == [], "if that is meant: python -m tests.test_messages"
    missing = [
        f"{name}:{line}: {what}"
        for name in WHOLE
        for line, what in told[name].items()
        if (name, line) not in reached and not any(part in what for part in ELSEWHERE)
    ]
    assert missing == [], "add rows to tests/messages.txt"


def written_again() -> str:
    """Return the table with what is said now."""
    blocks = []
    for row in ROWS:
        with tempfile.TemporaryDirectory() as folder:
            now = replace(row, said=said(row, Path(folder)))
        text = "".join(f"> {line}\n" for line in now.text.splitlines())
        blocks.append(f"$ backing {now.words}\n{text}{now.said}\n")
    return "\n".join(blocks)


if __name__ == "__main__":
    os.environ["BACKING_SOUNDFONT"] = str(wheel_soundfont())
    TABLE.write_text(written_again(), encoding="utf-8")
