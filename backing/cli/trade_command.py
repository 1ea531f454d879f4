"""`backing trade`."""

from __future__ import annotations

from typing import Any

import click

from backing import pieces
from backing.cli.options import Wanted, output_options, phrase_options, setting_options
from backing.cli.practice_options import gap_options, plan_options
from backing.cli.report import deliver

__all__ = ["command"]


@click.command(
    "trade",
    epilog="\b\nFor example:\n  backing trade lamp-oil --gap echo --guide soft -o trade.wav",
)
@phrase_options
@gap_options
@plan_options
@setting_options(whole=False)
@output_options
def command(phrase: str, wanted: Wanted, **setting: Any) -> None:
    """Play call and response with gaps for you to fill.

    PHRASE is a file or the name of a shipped phrase. The tempo is the phrase's unless --from,
    --to or --shape say otherwise.
    """
    deliver(pieces.trade(phrase, **setting), wanted, setting["groove"])
