"""`backing demo`."""

from __future__ import annotations

from typing import Any

import click

from backing import pieces
from backing.cli.options import Wanted, output_options, phrase_options, setting_options
from backing.cli.report import deliver

__all__ = ["command"]


@click.command(
    "demo",
    epilog="\b\nFor example:\n  backing demo examples/porch-light.toml --choruses 1 -o demo.wav",
)
@phrase_options
@setting_options(whole=True)
@output_options
def command(phrase: str, wanted: Wanted, **setting: Any) -> None:
    """Play a phrase over a backing, or write it to files.

    PHRASE is a file or the name of a shipped phrase. Key, groove, tempo and swing are the
    phrase's own where they are not given.
    """
    deliver(pieces.demo(phrase, **setting), wanted, setting["groove"])
