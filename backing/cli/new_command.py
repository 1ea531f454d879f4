"""`backing new`."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

import click

from backing.cli.options import json_option, print_json

__all__ = ["command"]


@click.command(
    "new", epilog="\b\nFor example:\n  backing new my-phrase\n  backing new first-lesson --lesson"
)
@click.argument("name", metavar="NAME", type=click.Path(path_type=Path))
@click.option("--lesson", is_flag=True, help="Start a lesson file; a phrase file if left out.")
@click.option("--author", default="", envvar="BACKING_AUTHOR", help="Who made it.")
@json_option
def command(name: Path, lesson: bool, author: str, as_json: bool) -> None:
    """Start a phrase file, or a lesson file, with comments that teach the format.

    It is called NAME.toml, works as it stands, and replaces no file that is there.
    """
    from backing.lesson.starter import write_starter

    path = write_starter(name, lesson=lesson, author=author)
    kind = "lesson" if lesson else "phrase"
    if as_json:
        print_json({"file": str(path), "kind": kind})
        return
    made = path.stem if lesson else f"{path.stem}.wav"
    follows = f"{'lesson' if lesson else 'demo'} {quote(str(path))} -o {quote(made)}"
    click.echo(f"{path}: a {kind} to start from; change it, then\n  backing {follows}")
