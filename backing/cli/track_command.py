"""`backing track`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from backing import pieces
from backing.cli.options import output_options, setting_options
from backing.cli.report import deliver
from backing.output import Sound

__all__ = ["command"]


@click.command(
    "track",
    epilog="\b\nFor example:\n  backing track --key Bb --tempo 112 -o bb.mid -o bb.wav",
)
@setting_options(whole=True)
@output_options
def command(outputs: tuple[Path, ...], sound: Sound, as_json: bool, **setting: Any) -> None:
    """Write a backing track."""
    deliver(pieces.track(**setting), outputs, sound, as_json=as_json)
