"""`backing desk`."""

from __future__ import annotations

from pathlib import Path

import click

from backing.cli.options import Whole, json_option, print_json

__all__ = ["command"]

PORT = 8377


@click.command("desk", epilog="\b\nFor example:\n  backing desk examples/lesson")
@click.argument(
    "folder", metavar="[FOLDER]", default=".",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
)  # fmt: skip
@click.option(
    "--port", type=Whole(0, 65535), default=PORT, show_default=True,
    help="Where this machine's browser finds it; 0 for any that is free.",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@json_option
def command(folder: Path, port: int, no_browser: bool, as_json: bool) -> None:
    """Open a folder in the browser: write, see, hear and publish its phrases and lessons.

    It answers this machine alone, by an address that is good once, and ends with Ctrl-C, or a
    while after its last window was closed.
    """
    try:
        from backing.desk.folder import Folder
        from backing.desk.server import run
    except ImportError as error:
        if error.name not in ("starlette", "uvicorn", "watchfiles"):
            raise
        raise click.ClickException(
            f"the desk needs {error.name}: pip install 'porchband[desk]'"
        ) from None
    from platformdirs import user_state_path

    def told(address: str) -> None:
        if as_json:
            print_json({"folder": str(folder), "address": address})
            return
        click.echo(f"{folder.resolve().name or folder}: {address}")
        click.echo("Ctrl-C ends it", err=True)

    run(Folder(folder, user_state_path("porchband") / "desk"), port, told, browser=not no_browser)
