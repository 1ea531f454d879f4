"""`backing loop`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from backing import pieces
from backing.cli.options import (
    STEP,
    TEMPO,
    output_options,
    phrase_options,
    setting_options,
)
from backing.cli.report import deliver
from backing.output import Sound

__all__ = ["command"]


@click.command(
    "loop",
    epilog="\b\nFor example:\n  backing loop lamp-oil --from 40 --to 56 --step 4 -o loop.wav",
)
@phrase_options
@click.option(
    "--from", "start", type=TEMPO, help="First tempo; about 60 % of the phrase's if left out."
)
@click.option("--to", "goal", type=TEMPO, help="Last tempo; the phrase's if left out.")
@click.option(
    "--step",
    type=STEP,
    default=pieces.STEP,
    show_default=True,
    help="Beats a minute from one tempo to the next.",
)
@click.option(
    "--each",
    type=click.IntRange(1, 100),
    default=pieces.EACH,
    show_default=True,
    help="Passes at each tempo.",
)
@setting_options(whole=False)
@output_options
def command(
    phrase: str, outputs: tuple[Path, ...], sound: Sound, as_json: bool, **setting: Any
) -> None:
    """Write a phrase over its own bars of backing, pass after pass.

    PHRASE is a file or the name of a shipped phrase. The tempo steps from --from to --to; a
    lower --to slows down.
    """
    deliver(pieces.loop(phrase, **setting), outputs, sound, as_json=as_json)
