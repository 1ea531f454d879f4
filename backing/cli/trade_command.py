"""`backing trade`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from backing import pieces
from backing.cli.options import output_options, phrase_options, setting_options
from backing.cli.practice_options import gap_options, plan_options
from backing.cli.report import deliver
from backing.output import Sound

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
def command(
    phrase: str,
    outputs: tuple[Path, ...],
    sound: Sound,
    as_json: bool,
    dry_run: bool,
    **setting: Any,
) -> None:
    """Play call and response with gaps for you to fill.

    PHRASE is a file or the name of a shipped phrase. The tempo is the phrase's unless --from,
    --to or --shape say otherwise.
    """
    made = pieces.trade(phrase, **setting)
    deliver(made, outputs, sound, as_json=as_json, dry_run=dry_run)
