"""`backing hear`."""

from __future__ import annotations

import contextlib
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from backing.cli.options import (
    PLAYED,
    Asked,
    called,
    force_option,
    inner_context,
    json_option,
    print_json,
)  # fmt: skip
from backing.cli.progress import bar
from backing.formats import REVIEWS
from phrases.words import expected

if TYPE_CHECKING:
    from backing.events import Stream
    from backing.listening.report import Heard
    from backing.recording.slate import Slate

__all__ = ["command", "heard", "told_stream"]


@click.command(
    "hear",
    context_settings={"ignore_unknown_options": True, "help_option_names": ["-h", "--help"]},
    epilog="\b\nFor example:\n"
    "  backing hear out/take.wav -o out/review.html\n"
    "  backing hear phone.wav loop lamp-oil --from 50 --to 60\n"
    "  backing hear phone.wav lamp-oil --tempo 72",
)
@click.option(
    "-o", "--output", "outputs", type=click.Path(path_type=Path, dir_okay=False), multiple=True,
    help="Write the review, .html or .svg with pictures, .txt with a line for every note.",
)  # fmt: skip
@click.option("--strict", is_flag=True, help="A teacher's limits: half of the usual ones.")
@click.option("--history", is_flag=True, help="Show what was heard of the takes in its folder.")
@force_option
@json_option
@click.argument("take", type=click.Path(path_type=Path, dir_okay=False))
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="[WHAT ITS OPTIONS]")
@click.pass_context
def command(
    ctx: click.Context,
    take: Path,
    outputs: tuple[Path, ...],
    strict: bool,
    history: bool,
    force: bool,
    as_json: bool,
    words: tuple[str, ...],
) -> None:
    """Hear a take: which notes are there, when they come, and how far the bends go.

    TAKE is a file that `backing record` made, which knows what it was played over; for any other
    say so: WHAT is demo, loop or trade with what that command takes, or a phrase alone, played
    once. In a trade only your turns are heard. Beside the take a log is kept (takes.jsonl).
    """
    from backing.listening import report

    if history:
        for name, given in (("-o", outputs), ("--strict", strict), ("--json", as_json)):
            if given:
                raise click.UsageError(f"--history only shows the log; leave out {name}")
        for line in report.history(take):
            click.echo(line)
        return
    for path in outputs:
        if path.suffix.lower() not in REVIEWS:
            raise click.UsageError(expected("a review's suffix", path.suffix, REVIEWS))
    found = heard(ctx, take, words, strict=strict)
    for path in outputs:
        report.write(found, path, force=force)
    if as_json:
        print_json(report.facts(found))
    else:
        for line in report.lines(found):
            click.echo(line)
        for path in outputs:
            click.echo(f"  {path}")
    report.log(found)


def heard(ctx: click.Context, take: Path, words: tuple[str, ...], *, strict: bool) -> Heard:
    """Return a take as it is heard against what was played.

    `words` say what was played, empty where the file beside the take does; `strict` takes a
    teacher's limits.
    """
    from backing.listening import report
    from backing.listening.source import Source
    from backing.recording.slate import read_slate

    with Source(take) as source, contextlib.ExitStack() as stack:
        slate = None if words else read_slate(take)
        if slate is None and not words:
            raise click.UsageError(
                f"nothing beside {take} says what it was played over; say it: "
                f"backing hear {take} loop my-phrase --from 50"
            )
        told = list(words) if slate is None else slate.words
        if told[0] not in PLAYED:
            if len(told) > 1 and not told[1].startswith("-"):
                raise click.UsageError(expected("what was played", told[0], PLAYED))
            told = ["loop", *_once(told)]
        if told[0] == "track":
            raise click.UsageError(
                "a track has no phrase to be heard; name what was played: demo, loop or trade"
            )
        stream, _ = stack.enter_context(told_stream(ctx, told, slate))
        turns = told[0] == "trade"
        with bar("listening", 1) as progress:
            return report.hear(
                source, stream, slate, turns=turns, strict=strict, progress=progress
            )


def _once(words: list[str]) -> list[str]:
    """Return the words of a loop that plays a phrase once, at its own tempo or another."""
    words = ["--to" if word in ("--tempo", "--bpm") else word for word in words]
    return [*words, "--shape", "hold", "--passes", "1"]


def renamed(text: str, name: str, new: str) -> str:
    """Return the text of a phrase file that names another file in place of one."""
    return re.sub(rf"""(?<=["']){re.escape(name)}(?=["'])""", lambda _: new, text)


@contextlib.contextmanager
def told_stream(
    ctx: click.Context, words: list[str], slate: Slate | None
) -> Iterator[tuple[Stream, dict[str, str]]]:
    """Give what a command plays, and where each file lies that a slate knows.

    A file that a slate knows is read from its text there, not from where it lay.
    """
    asked, files = Asked(), dict[str, str]()
    with tempfile.TemporaryDirectory() as folder:
        text = "" if slate is None else slate.phrase
        for number, (name, known) in enumerate(() if slate is None else slate.files.items()):
            file = Path(folder, str(number), Path(name).name)  # by which a band draws what it does
            file.parent.mkdir()
            file.write_text(known, encoding="utf-8")
            new = files[name] = file.as_posix()
            text = renamed(text, name, new)
            words = [
                word.removesuffix(name) + new if word in (name, f"{word.partition('=')[0]}={name}")
                else word for word in words
            ]  # fmt: skip
        inner = inner_context(ctx, words[0], words[1:], asked)
        if text:
            file = Path(folder, "phrase.toml")
            file.write_text(text, encoding="utf-8")
            inner.params["phrase"] = str(file)
        called(inner)
        if asked.stream is None:
            raise click.UsageError("leave out what writes files: a take is only heard")
        yield asked.stream, files
