"""`backing calibrate`."""

from __future__ import annotations

import click

from backing.cli.options import json_option, print_json

__all__ = ["command"]


@click.command("calibrate")
@click.option(
    "--card", metavar="NAME", default="", envvar="BACKING_CARD",
    help="The sound card that plays, one of `backing list cards`.",
)  # fmt: skip
@click.option(
    "--input", "source", metavar="NAME", default="", envvar="BACKING_INPUT",
    help="The sound card that records, one of `backing list cards`.",
)  # fmt: skip
@json_option
def command(*, card: str, source: str, as_json: bool) -> None:
    """Measure how long sound takes through the sound card, so that takes are in time.

    Connect an output of the sound card to an input with a cable, or put the microphone close to a
    loudspeaker, not to headphones on your ears. Then noise is played, quietly, for four seconds.
    Once for each sound card is enough.
    """
    from backing.recording.round_trip import measure, remember

    name, rate, frames, said = measure(_announced, card, source)
    path = remember(name, rate, frames - said)
    if as_json:
        print_json({"card": name, "rate": rate, "frames": frames, "file": str(path)})
        return
    click.echo(f"{name}: {frames} frames at {rate}, {1000 * frames / rate:.1f} ms; kept in {path}")


def _announced() -> None:
    click.echo(
        "playing noise for four seconds; keep the volume low, and headphones off your ears: loud "
        "headphones can damage hearing",
        err=True,
    )
