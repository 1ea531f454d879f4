"""`backing pedal`."""

from __future__ import annotations

import queue
from contextlib import ExitStack

import click

from backing.cli.options import json_option, print_json

__all__ = ["command"]

PATIENCE = 30.0  # seconds for one press


@click.command("pedal")
@json_option
def command(as_json: bool) -> None:
    """Learn a MIDI foot pedal by pressing it, and remember it.

    It is asked what to press for each of a few things; Enter leaves one out. What was learnt is
    written into the config file as the setting `pedal`. A pedal that sends keystrokes, as a page
    turner does, needs none of this.
    """
    from backing.cli.config import remember
    from backing.live.errors import LiveError
    from backing.live.keys import Keyboard
    from backing.live.pedal import learn, pressed
    from backing.live.ports import inputs, open_port

    names = inputs()
    if not names:
        raise LiveError("there is no MIDI input here; connect the pedal and try again")
    came: queue.SimpleQueue[tuple[str, int]] = queue.SimpleQueue()
    with ExitStack() as stack:
        for name in names:
            port = open_port("MidiIn", "input", name)
            stack.callback(port.close)

            def heard(event: tuple[list[int], float], _: object = None, name: str = name) -> None:
                number = pressed(event[0])
                if number is not None:
                    came.put((name, number))

            port.client.set_callback(heard)
        keyboard = stack.enter_context(Keyboard())

        def press(what: str) -> tuple[str, int] | None:
            click.echo(f"press the pedal {what} (Enter: none)", err=True)
            for _ in range(round(PATIENCE / 0.1)):
                if keyboard.read(0.1):
                    return None
                if not came.empty():
                    return came.get()
            return None

        text = learn(press)
    path = remember("pedal", text)
    if as_json:
        print_json({"pedal": text, "file": str(path)})
        return
    click.echo(f"pedal = {text}\n  {path}")
