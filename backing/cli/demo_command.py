"""`backing demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from backing import pieces
from backing.cli.options import output_options, phrase_options, setting_options
from backing.cli.report import deliver
from backing.output import Sound

__all__ = ["command"]


@click.command(
    "demo",
    epilog="\b\nFor example:\n  backing demo examples/porch-light.toml --choruses 1 -o demo.wav",
)
@phrase_options
@setting_options(whole=True)
@output_options
def command(
    phrase: str, outputs: tuple[Path, ...], sound: Sound, as_json: bool, **setting: Any
) -> None:
    """Write a phrase over a backing.

    PHRASE is a file or the name of a shipped phrase. Key, groove, tempo and swing are the
    phrase's own where they are not given.
    """
    deliver(pieces.demo(phrase, **setting), outputs, sound, as_json=as_json)
