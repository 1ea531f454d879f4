"""`backing lesson`."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from backing.cautions import LOUD
from backing.cli.options import (
    Whole,
    json_option,
    missing,
    print_json,
    soundfont_option,
    voice_option,
)
from backing.cli.progress import on_terminal
from backing.events import VOICES

if TYPE_CHECKING:
    from backing.lesson.catalogue import Estimate
    from backing.lesson.data import Lesson
    from backing.lesson.make import Progress, Result

__all__ = ["command"]

NAME = 30  # characters of the name that is shown beside the bar
EVERY = 10.0  # seconds between two lines of progress where there is no terminal


@click.command(
    "lesson",
    epilog="\b\nFor example:\n  backing new first --lesson\n  backing lesson first.toml -o first",
)
@click.argument(
    "lessons", metavar="LESSON...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "-o", "--output", "folder", metavar="DIR", type=click.Path(path_type=Path),
    help="Folder of the lesson, or of a folder for each of several: a new one, or one that this "
    "command made. A dry run needs none.",
)  # fmt: skip
@click.option(
    "--jobs", type=Whole(1, 64),
    default=len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count(),
    help="How many sounds are made at once; as many as there are processors if left out.",
)  # fmt: skip
@click.option(
    "--cluster", metavar="ADDRESS", default="",
    help="Make the sounds on the workers of this Dask scheduler: tcp://10.0.0.5:8786.",
)  # fmt: skip
@soundfont_option
@voice_option
@click.option(
    "--dry-run", is_flag=True,
    help="Write nothing; list what there will be, and how long it takes.",
)  # fmt: skip
@json_option
def command(
    lessons: tuple[Path, ...],
    folder: Path | None,
    jobs: int,
    cluster: str,
    soundfont: Path | None,
    voice: str | None,
    dry_run: bool,
    as_json: bool,
) -> None:
    """Make a lesson's folder, or make again what of it has changed.

    LESSON is a file that names phrases, keys and tempos; `backing new NAME --lesson` starts one.
    For each phrase and key there are demos, seamless loops, trade tracks and backings at each
    tempo, MIDI beside each, a sheet and a practice page; for the whole a text for the description
    under a video, with chapter times, and a manifest. Interrupted and called again, it goes on.

    Several lessons lie in a folder each, under a page that leads to all; what is alike in them is
    rendered once.
    """
    from backing.lesson.catalogue import INDEX, estimate, folders, make_catalogue, warnings
    from backing.lesson.lesson import read_lesson
    from backing.lesson.make import make_lesson

    if folder is None and not dry_run:
        raise missing("folder")
    read = [replace(read_lesson(path), voice=voice or VOICES[0]) for path in lessons]
    told = {"": estimate(read[0])} if len(read) == 1 else {}
    known: list[str] = []
    for name, one in zip(folders(read), read, strict=True) if len(read) > 1 else ():
        told[name] = estimate(one, known)
        known += told[name].digests
    for text in warnings(told):
        click.echo(f"note: {text}", err=True)
    if folder is None or dry_run:
        _show(read, told, jobs, as_json=as_json)
        return

    @contextmanager
    def begun(number: int, lesson: Lesson) -> Iterator[Progress]:
        click.echo(f"{number} of {len(read)}: {lesson.title}", err=True)
        with _progress() as shown:
            yield shown

    try:
        if len(read) > 1:
            results = make_catalogue(read, folder, soundfont, jobs, begun, cluster)
        else:
            with _progress() as shown:
                results = [make_lesson(read[0], folder, soundfont, shown, jobs, cluster=cluster)]
    except KeyboardInterrupt:
        click.echo(
            "\nwhat is complete is kept: run the same command again to go on", nl=False, err=True
        )
        raise
    if as_json:
        rows = [_summary(one.title, result) for one, result in zip(read, results, strict=True)]
        print_json(rows[0] if len(rows) == 1 else {"folder": str(folder), "lessons": rows})
        return
    for lesson, result in zip(read, results, strict=True):
        click.echo(_told(lesson.title, result))
        for path in result.files if len(read) == 1 else ():
            if path.endswith((".html", ".pdf", ".txt", ".json")):
                click.echo(f"  {folder / path}")
        _tell_blanks(lesson)
        for text in result.remarks:
            click.echo(f"note: {text}", err=True)
    if len(read) > 1:
        click.echo(f"  {folder / INDEX}")
    if any(result.seconds for result in results):
        click.echo(LOUD, err=True)


def _show(
    read: Sequence[Lesson], told: Mapping[str, Estimate], jobs: int, *, as_json: bool
) -> None:
    """Print what there will be, and about how much of it in how long."""
    from backing.lesson.catalogue import INDEX, WORDS
    from backing.lesson.items import check_items, sounds
    from backing.lesson.make import MANIFEST

    rows = [(name, WORDS) for name in (INDEX, MANIFEST) if len(read) > 1]
    for lesson, (name, one) in zip(read, told.items(), strict=True):
        check_items(lesson, sounds(lesson))
        rows += [(f"{name}/{path}".lstrip("/"), size) for path, size in one.files]
    size, seconds = sum(size for _, size in rows), sum(one.seconds for one in told.values()) / jobs
    if as_json:
        files = [{"path": path, "bytes": size} for path, size in rows]
        print_json({"title": read[0].title, "files": files, "bytes": size,
                    "seconds": round(seconds)})  # fmt: skip
        return
    for path, size_ in rows:
        click.echo(f"{size_ / 1e6:8.1f} MB  {path}")
    room = f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"
    click.echo(f"{len(rows)} files, about {room}, made in about {_time(seconds)}", err=True)


def _time(seconds: float) -> str:
    """Return a time as people say it: seconds, minutes, or hours and minutes."""
    if seconds <= 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


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
    if not on_terminal():
        begun = told = time.monotonic()
        first = True

        def line(done: float, whole: float, name: str) -> None:
            nonlocal first, told
            now = time.monotonic()
            if first and whole > 0:
                # Nothing has a name before the first sound; papers are made without waiting.
                sound = f"rendering about {_time(whole)} of audio"
                click.echo("making sheets and pages" if name else sound, err=True)
            elif now - told >= EVERY and 0 < done < whole:
                left = (now - begun) * (whole - done) / done
                click.echo(f"{done / whole:.0%}, about {_time(left)} left", err=True)
                told = now
            first = False

        yield line
        return
    bar = click.progressbar(
        length=1000, label="making", show_eta=True, file=sys.stderr,
        width=0,  # what the rest leaves
        item_show_func=lambda name: name and name[:NAME].ljust(NAME),
    )  # fmt: skip

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
        "title": title, "folder": str(result.folder), "made": result.made, "removed": result.gone,
        "kept": result.kept, "seconds": round(result.seconds, 3), "files": result.files,
    }  # fmt: skip
