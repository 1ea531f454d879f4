"""The command `backing`: one thin module for each command, imported only when called."""

from __future__ import annotations

import atexit
import contextlib
import errno
import gc
import os
import re
import signal
import sys
from importlib import import_module
from io import TextIOWrapper
from pathlib import Path
from typing import Any

import click

from phrases.errors import BluesError, WordsError

__all__ = ["main"]

# numpy's threads for matrices take longer to start than numpy to load, and nothing here has use
# for them.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# A virtual machine may have given its large free pages back and wait for each of them.
os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
# Of the many small objects here hardly any is in a ring, and all of them go at the end.
gc.set_threshold(100_000)
atexit.register(gc.freeze)

# Each command's module and the line that --help shows, so that help imports none of them.
COMMANDS: dict[str, str] = {
    "track": "Play a backing track, or write it to files.",
    "demo": "Play a phrase over a backing, or write it to files.",
    "loop": "Play a phrase over its own bars, pass after pass, at changing tempos.",
    "trade": "Play call and response with gaps for you to fill.",
    "record": "Play a backing and record the sound card's input over it.",
    "hear": "Hear a take: which notes are there, when they come, how far bends go.",
    "catch": "Write down what is played in a take, as a draft of a phrase.",
    "calibrate": "Measure the sound card's delay, so that takes are in time.",
    "check": "Look a phrase over: what each note is, what is hard, what bends cost.",
    "tidy": "Write the notes of phrase files in their canonical form.",
    "vary": "Propose variations of a phrase, and add those that are chosen to its file.",
    "transpose": "Write a phrase in another key, position or set of strings.",
    "sheet": "Write a phrase as sheet music and tablature, or a form as a chord chart.",
    "film": "Make a film of a phrase: its sheet, cursor, neck and sound.",
    "import": "Read a phrase from MusicXML or from plain-text tablature.",
    "lesson": "Make a lesson's folder: sounds, loops, sheets and the practice page.",
    "desk": "Write, see, hear and publish the phrases of a folder in the browser.",
    "new": "Start a phrase or lesson file, with comments that teach the format.",
    "list": "Show the grooves, forms, phrases, soundfonts, cards or ports that are here.",
    "pedal": "Learn a MIDI foot pedal by pressing it, and remember it.",
    "completion": "Print what makes the Tab key complete in bash, zsh or fish.",
    "man": "Show the manual page, or write it to a file or pipe.",
    "config": "Show what is set once for all commands, and where.",
}


INTERRUPTED = 130  # the exit code after Ctrl-C, common practice among shells

# What is said where what a command works on is missing.
NAMES = {
    "phrase": "name a phrase: a file, one that `backing list phrases` shows, or a --line of notes",
    "lesson": "name a lesson file; `backing new my-lesson --lesson` starts one",
    "file": "name a MusicXML file or a text file with tablature: score.musicxml",
    "paths": "name phrase files: my-phrase.toml",
    "folder": "name the folder to make with -o: -o my-lesson",
    "take": "name a take: a sound file, such as one that `backing record` made",
    "shell": "say for which shell: bash, zsh or fish",
    "name": "give it a name: backing new my-phrase",
}


class _Commands(click.Group):
    """A group that knows its commands by name and loads one when it is called."""

    def main(self, *args: Any, **extra: Any) -> Any:
        if not extra.get("standalone_mode", True):
            return super().main(*args, **extra)
        try:
            super().main(*args, **extra)
        except OSError as error:  # --help and --version are said before a command runs
            said = error.strerror or str(error)
        except Exception as error:
            from phrases.failures import named

            given = extra.get("args") or (args[0] if args else None) or sys.argv[1:]
            files = [word for word in given if os.path.isfile(word)]  # noqa: PTH113 - any word
            said = str(named(error, ", ".join(files) or f"backing {' '.join(given)}"))
        with contextlib.suppress(OSError):
            click.echo(f"Error: {said}", err=True)
        sys.exit(1)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command: click.Command = import_module(f"backing.cli.{name}_command").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if args[:1] == ["help"]:  # as the short option, before or after a command
            args = [*args[1:2], "--help"]
        return super().parse_args(ctx, args)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from phrases.words import expected

            ctx.fail(expected("a command", args[0], [*COMMANDS, "help"]))
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        # Being told to end, as by Ctrl-C, removes what is half written.
        with contextlib.suppress(ValueError):
            signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
        # A terminal or a pipe that knows no emoji, or a name that is no text, is no failure.
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, TextIOWrapper) and stream.errors == "strict":
                stream.reconfigure(errors="replace")
        try:
            words = [*ctx._protected_args, *ctx.args]
            if words[:1] != ["config"] and not {"-h", "--help"} & {*words}:
                from backing.cli.config import settings

                told = settings()
                if os.environ.get("BACKING_SOUNDFONT"):  # which whoever looks for one reads
                    told.pop("soundfont", None)
                told["source"] = told.pop("input", None)
                ctx.default_map = dict.fromkeys(COMMANDS, told)
            return super().invoke(ctx)
        except click.UsageError as error:
            said = _said(error)
            if said == error.message:
                raise
            raise click.UsageError(said, error.ctx) from None
        except KeyboardInterrupt:
            click.echo("\nstopped", err=True)
            sys.exit(INTERRUPTED)
        except WordsError as error:
            raise click.UsageError(str(error)) from None
        except BluesError as error:
            raise click.ClickException(str(error)) from None
        except OSError as error:
            if error.errno == errno.EPIPE:
                raise
            raise click.ClickException(error.strerror or str(error)) from None


def _said(error: click.UsageError) -> str:
    """Return an error's message, with what to write instead of words that no command takes."""
    if isinstance(error, click.MissingParameter) and error.param is not None:
        return NAMES.get(error.param.name or "", error.message)
    if found := re.fullmatch(r"(?:File|Directory) '(.+)' (is a|does).*\.", error.message):
        folder, there = error.message.startswith("Dir"), found[2] == "is a"
        wanted, got = ("folder", "file") if folder else ("file", "folder")
        return f"{found[1]}: {f'is a {got}; name a' if there else 'there is no such'} {wanted}"
    if isinstance(error, click.NoSuchOption) and error.ctx:
        from phrases.words import nearest

        options = {o for param in error.ctx.command.params for o in param.opts if o[1:2] == "-"}
        name = error.option_name
        if name in ("--tempo", "--bpm") and "--from" in options:
            return (
                f"there is no {name}: tempos go --from one --to another; for a single one write "
                "--shape hold --to 60"
            )
        word = "tempo" if name == "--bpm" else name.lstrip("-")
        close = nearest(word, [option[2:] for option in options])
        return f"there is no {name} here" + (f'; did you mean "--{close}"?' if close else "")
    found = re.fullmatch(r"Got unexpected extra arguments? \((.*)\)", error.message)
    if found is None:
        return error.message
    extra = found[1].split()
    suffix = Path(extra[-1]).suffix
    if {"major", "minor"} & set(extra):
        hint = 'put a key of two words between quotes: --key "Bb minor"'
    elif suffix and suffix != ".toml":
        hint = f"a file to write is named after -o: -o {extra[-1]}"
    else:
        hint = "one name is enough; put a name that has spaces between quotes"
    return f'"{found[1]}" is more than this command takes; {hint}'


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="porchband", prog_name="backing")
def main() -> None:
    """Make backing tracks, demos and practice loops for blues guitar.

    A teacher writes one phrase in a text file; this makes the band under it, the demo and the
    loops to practise with, as MIDI and audio. `backing COMMAND --help` says more.
    """
