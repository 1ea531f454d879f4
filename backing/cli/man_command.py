"""`backing man`."""

from __future__ import annotations

import shutil
import subprocess
import sys
from importlib.metadata import version

import click

from backing.cli.options import json_option, print_json

__all__ = ["command", "page"]


@click.command("man", epilog="\b\nFor example:\n  backing man > backing.1\n  man ./backing.1")
@json_option
def command(as_json: bool) -> None:
    """Show the manual page, which is the help of all commands.

    On a terminal `man` shows it; elsewhere it is written in man's own language, roff.
    """
    if as_json:
        print_json({"page": page()})
        return
    man = shutil.which("man") if sys.stdout.isatty() else None
    if (
        not man
        or subprocess.run([man, "-l", "-"], input=page(), text=True, check=False).returncode
    ):
        click.echo(page(), nl=False)


def page() -> str:
    """Return the manual page in the language of ``man`` (man(7))."""
    from backing.cli import COMMANDS, main

    top = click.Context(main, info_name="backing")
    rows = [f'.TH BACKING 1 "" "porchband {version("porchband")}"', ".SH NAME"]
    rows += ["backing \\- backing tracks, demos and practice loops for blues guitar"]
    rows += [".SH SYNOPSIS", ".nf", *_plain(main.get_usage(top)), ".fi"]
    rows += [".SH DESCRIPTION", *_plain(main.help or ""), ".SH COMMANDS"]
    for name in COMMANDS:
        found = main.get_command(top, name)
        assert found is not None
        ctx = click.Context(found, info_name=name, parent=top, terminal_width=76)
        rows += [f".SS backing {name}", ".nf", *_plain(found.get_help(ctx)), ".fi"]
    return "\n".join(rows) + "\n"


def _plain(text: str) -> list[str]:
    """Return lines in which nothing is a command of troff's."""
    lines = (line.replace("\\", "\\e").replace("-", "\\-") for line in text.splitlines())
    return ["\\&" + line if line.startswith((".", "'")) else line for line in lines]
