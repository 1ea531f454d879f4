"""`backing tidy`."""

from __future__ import annotations

from pathlib import Path

import click

from backing.cli.options import given_phrase, json_option, line_option, missing, print_json
from phrases.errors import BluesError

__all__ = ["command"]


@click.command(
    "tidy", epilog="\b\nFor example:\n  backing tidy mine.toml\n  backing tidy *.toml --check"
)
@click.argument(
    "paths", metavar="[FILE]...", nargs=-1, type=click.Path(path_type=Path, allow_dash=True)
)
@line_option
@click.option("--check", is_flag=True, help="Write nothing; exit with 1 if a file is not tidy.")
@json_option
@click.pass_context
def command(
    ctx: click.Context, paths: tuple[Path, ...], typed: str | None, check: bool, as_json: bool
) -> None:
    """Write the notes of phrase files in their canonical form.

    Lines longer than 88 characters are broken at bar lines. Comments, order and everything else
    stay as they are. Where one FILE is no phrase, none is written. A line of notes, or - for
    standard input, is printed.
    """
    if typed is not None or list(map(str, paths)) == ["-"]:
        _print(given_phrase("-" if paths else None, typed, None))
        return
    if not paths:
        raise missing("paths")
    from phrases.kinds import PHRASE
    from phrases.rewrite import replace_file, tidy
    from phrases.textfile import read_text

    changed: dict[Path, str] = {}
    problems = []
    for path in paths:
        try:
            before = read_text(path, PHRASE)
            after = tidy(before, str(path))
        except BluesError as error:
            problems.append(str(error))
        else:
            if after != before:
                changed[path] = after
    if problems:
        raise BluesError("\n".join(dict.fromkeys(problems)))
    if not check:
        for path, text in changed.items():
            replace_file(path, text)
    if as_json:
        files = [{"path": str(path), "tidy": path not in changed} for path in paths]
        print_json({"files": files, "written": not check})
    else:
        changes = "is not tidy" if check else "tidied"
        for path in dict.fromkeys(paths):
            click.echo(f"{path}: {changes if path in changed else 'is tidy already'}")
    if check and changed:
        ctx.exit(1)


def _print(phrase: str) -> None:
    """Print a phrase that has no file in its canonical form, a line as a line."""
    from phrases.files import load_phrase
    from phrases.notation import write_line
    from phrases.rewrite import tidy
    from phrases.typed import Typed

    assert isinstance(phrase, Typed)
    found = load_phrase(phrase)
    if phrase.shift:
        part = found.parts[0]
        click.echo(write_line(part.strokes, part.bars, found.meter.beats))
    else:
        click.echo(tidy(phrase.text, str(phrase)), nl=False)
