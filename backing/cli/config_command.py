"""`backing config`."""

from __future__ import annotations

import os

import click

from backing.cli.options import json_option, print_json

__all__ = ["command"]


@click.command("config", epilog='\b\nFor example, in that file:\n  card = "USB"\n  seed = 7')
@json_option
def command(as_json: bool) -> None:
    """Show what is set once for all commands, and where.

    The settings are lines of a TOML file in the platform's place for such. An option goes before
    its environment variable, and that before the file.
    """
    from backing.cli.config import SETTINGS, place, settings

    path, told = place(), settings()
    rows = []
    for name, (_, about) in SETTINGS.items():
        variable = f"BACKING_{name.upper()}"
        value = os.environ.get(variable) or told.get(name)
        source = variable if os.environ.get(variable) else "file" if name in told else None
        rows.append({"name": name, "value": value, "from": source, "about": about})
    if as_json:
        print_json({"file": str(path), "there": path.exists(), "settings": rows})
        return
    click.echo(f"{path}{'' if path.exists() else '  (not there; every setting is the usual one)'}")
    for row in rows:
        shown = "as usual" if row["from"] is None else f"{row['value']}  (from {row['from']})"
        click.echo(f"  {row['name']:<10} {shown:<24} {row['about']}")
