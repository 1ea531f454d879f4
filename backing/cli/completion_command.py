"""`backing completion`."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from backing.cli.options import Choice, json_option, print_json

__all__ = ["command"]

# Where each shell reads it from, as its manual says.
HOW = {
    "bash": "backing completion bash > ~/.local/share/bash-completion/completions/backing",
    "zsh": "backing completion zsh > a folder of $fpath, as _backing",
    "fish": "backing completion fish > ~/.config/fish/completions/backing.fish",
}


@click.command("completion", epilog="\b\nFor example:\n  " + "\n  ".join(HOW.values()))
@click.argument("shell", metavar="SHELL", type=Choice(list(HOW)))
@json_option
def command(shell: str, as_json: bool) -> None:
    """Print what makes the Tab key complete commands, options, phrases, ports and cards.

    SHELL is bash, zsh or fish.
    """
    found = get_completion_class(shell)
    assert found is not None
    from backing.cli import main

    script = found(main, {}, "backing", "_BACKING_COMPLETE").source()
    if as_json:
        print_json({"shell": shell, "script": script})
        return
    click.echo(script)
