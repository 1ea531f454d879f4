"""`backing calibrate`."""

from __future__ import annotations

import click

__all__ = ["command"]


@click.command("calibrate")
def command() -> None:
    """Measure how long sound takes through the sound card, so that takes are in time.

    Connect an output of the sound card to an input with a cable, or put the microphone close to a
    loudspeaker, not to headphones on your ears. Then noise is played, quietly, for four seconds.
    Once for each sound card is enough.
    """
    from backing.recording.round_trip import measure, remember

    click.echo(
        "playing noise for four seconds; keep the volume low, and headphones off your ears: loud "
        "headphones can damage hearing",
        err=True,
    )
    name, rate, frames = measure()
    path = remember(name, rate, frames)
    click.echo(f"{name}: {frames} frames at {rate}, {1000 * frames / rate:.1f} ms; kept in {path}")
