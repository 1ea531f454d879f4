"""`backing track`."""

from __future__ import annotations

from typing import Any

import click

from backing import pieces
from backing.cli.options import Wanted, output_options, setting_options
from backing.cli.report import deliver

__all__ = ["command"]


@click.command(
    "track", epilog="\b\nFor example:\n  backing track --key Bb --tempo 112 -o bb.mid -o bb.wav"
)
@setting_options(whole=True)
@click.option(
    "--dry-run", is_flag=True, help="Show what the band agrees on, chorus by chorus; make nothing."
)
@output_options
def command(wanted: Wanted, **setting: Any) -> None:
    """Play a backing track, or write it to files."""
    deliver(pieces.track(**setting), wanted, setting["groove"])
