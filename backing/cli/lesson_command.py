"""`backing lesson`."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from backing.cli.options import json_option

if TYPE_CHECKING:
    from backing.lesson.data import Lesson
    from backing.lesson.make import Progress, Result

__all__ = ["command"]

NAME = 30  # characters of the name that is shown beside the bar
EVERY = 10.0  # seconds between two lines of progress where there is no terminal
LOUD = "Start with the volume low: loud headphones can damage hearing."


@click.command(
    "lesson",
    epilog="\b\nFor example:\n  backing new first --lesson\n  backing lesson first.toml -o first",
)
@click.argument("lesson", metavar="LESSON", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    "folder",
    metavar="DIR",
    required=True,
    type=click.Path(path_type=Path),
    help="Folder of the lesson: a new one, or one that this command made.",
)
@click.option(
    "--soundfont", type=click.Path(path_type=Path), help="Soundfont (.sf2, .sf3) for audio."
)
@click.option("--dry-run", is_flag=True, help="Write nothing; list the sounds that there will be.")
@json_option
def command(
    lesson: Path, folder: Path, soundfont: Path | None, dry_run: bool, as_json: bool
) -> None:
    """Make a lesson's folder, or make again what of it has changed.

    LESSON is a file that names phrases, keys and tempos; `backing new NAME --lesson` starts one.
    For each phrase and key there are demos, seamless loops, trade tracks and backings at each
    tempo, MIDI beside each, a sheet and a practice page; for the whole a text for the description
    under a video, with chapter times, and a manifest. Interrupted and called again, it goes on.
    """
    from backing.lesson.items import check_items, sounds
    from backing.lesson.lesson import read_lesson

    read = read_lesson(lesson)
    if dry_run:
        items = sounds(read)
        check_items(read, items)
        names = [f"{item.name}.{suffix}" for item in items for suffix in item.formats]
        if as_json:
            click.echo(json.dumps({"title": read.title, "sounds": names}, ensure_ascii=False))
        else:
            for name in names:
                click.echo(name)
        return
    from backing.lesson.make import make_lesson

    try:
        with _progress() as shown:
            result = make_lesson(read, folder, soundfont, shown)
    except KeyboardInterrupt:
        click.echo(
            "\nwhat is complete is kept: run the same command again to go on", nl=False, err=True
        )
        raise
    if as_json:
        click.echo(json.dumps(_summary(read.title, result), ensure_ascii=False))
        return
    click.echo(_told(read.title, result))
    for path in result.files:
        if path.endswith((".html", ".pdf", ".txt", ".json")):
            click.echo(f"  {folder / path}")
    _tell_blanks(read)
    for text in result.remarks:
        click.echo(f"note: {text}", err=True)
    if result.seconds:
        click.echo(LOUD, err=True)


def _tell_blanks(lesson: Lesson) -> None:
    """Tell which letters the sheets leave blank, since no font has them."""
    from backing.sheet.letters import blanks, places

    for study in lesson.studies if "sheet" in lesson.make else ():
        told = blanks(places(study.phrase))
        if told:
            click.echo(f"{study.phrase.title}: {told}", err=True)


@contextmanager
def _progress() -> Iterator[Progress]:
    """Give what shows progress with the time left: a bar on a terminal, else a line at times."""
    if sys.stderr is None or not sys.stderr.isatty():
        begun = told = time.monotonic()
        first = True

        def line(done: float, whole: float, name: str) -> None:
            nonlocal first, told
            now = time.monotonic()
            if first and whole > 0:
                # Nothing has a name before the first sound; papers are made without waiting.
                sound = f"rendering about {whole:.0f} s of audio"
                click.echo("making sheets and pages" if name else sound, err=True)
            elif now - told >= EVERY and 0 < done < whole:
                left = (now - begun) * (whole - done) / done
                click.echo(f"{done / whole:.0%}, about {left:.0f} s left", err=True)
                told = now
            first = False

        yield line
        return
    bar = click.progressbar(
        length=1000,
        label="making",
        show_eta=True,
        file=sys.stderr,
        width=0,  # what the rest leaves
        item_show_func=lambda name: name and name[:NAME].ljust(NAME),
    )

    def step(done: float, whole: float, name: str) -> None:
        part = round(1000 * min(1.0, done / whole)) if whole else 1000
        bar.update(max(0, part - bar.pos), name.rpartition("/")[2])

    with bar:
        yield step


def _told(title: str, result: Result) -> str:
    count = len(result.files)
    if not result.made and not result.gone:
        return f"{title}: {count} files, all as they should be"
    gone = f", {len(result.gone)} removed" if result.gone else ""
    return f"{title}: {count} files, {len(result.made)} made, {result.kept} kept{gone}"


def _summary(title: str, result: Result) -> dict[str, object]:
    return {
        "title": title,
        "folder": str(result.folder),
        "made": list(result.made),
        "removed": list(result.gone),
        "kept": result.kept,
        "seconds": round(result.seconds, 3),
        "files": list(result.files),
    }
