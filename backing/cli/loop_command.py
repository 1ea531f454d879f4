"""`backing loop`."""

from __future__ import annotations

from typing import Any

import click

from backing import pieces
from backing.cli.options import Wanted, output_options, phrase_options, setting_options
from backing.cli.practice_options import plan_options, region_options
from backing.cli.report import deliver

__all__ = ["command"]


@click.command(
    "loop",
    epilog="\b\nFor example:\n  backing loop lamp-oil --from 40 --to 56 --step 4 -o loop.wav",
)
@phrase_options
@plan_options
@region_options
@setting_options(whole=False)
@output_options
def command(phrase: str, wanted: Wanted, **setting: Any) -> None:
    """Play a phrase over its own bars of backing, pass after pass.

    PHRASE is a file or the name of a shipped phrase. From about 60 % of its tempo to its tempo,
    in steps, if nothing else is asked for; a --to below --from slows down.
    """
    deliver(pieces.loop(phrase, **setting), wanted, setting["groove"])
