"""`backing film`."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from backing.cautions import LOUD
from backing.cli import completing
from backing.cli.options import (
    Asked,
    Choice,
    called,
    force_option,
    inner_context,
    json_option,
    print_json,
)  # fmt: skip
from backing.cli.progress import bar
from backing.film.shape import RATES, SIZES, shape
from backing.formats import STRIPS
from backing.tempo import clock_time

__all__ = ["command"]

SHOWN = ("demo", "loop", "trade")  # what has a phrase to show
# Options of those commands that are about playing, sound files and plans.
OTHERS = (
    "--stems", "--rate", "--bits", "--card", "--port", "--pedal", "--hands-free", "--dry-run",
    "--resume-count", "--no-resume-count",
)  # fmt: skip


@click.command(
    "film",
    context_settings={"ignore_unknown_options": True, "help_option_names": ["-h", "--help"]},
    epilog="\b\nFor example:\n  backing film lamp-oil --key E -o lamp-oil.mp4\n"
    "  backing film loop lamp-oil --from 50 --to 70 -o loop.mp4\n"
    "  backing film lamp-oil --strip -o over-my-picture.webm",
)
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path),
    help=f"The film, an .mp4; a strip is a {' or a '.join(STRIPS)}.",
)  # fmt: skip
@click.option(
    "--size", type=Choice(SIZES), default=SIZES[0], show_default=True,
    help="Pixels; the upright one is for telephones.",
)  # fmt: skip
@click.option(
    "--fps", type=Choice(RATES), default=RATES[1], show_default=True, help="Pictures a second.",
)  # fmt: skip
@click.option(
    "--strip", is_flag=True,
    help="Leave the ground transparent and the upper half free, to lay over your own picture.",
)  # fmt: skip
@click.option(
    "--take", type=click.Path(path_type=Path, exists=True, dir_okay=False), metavar="FILE",
    help="Your own recording of the phrase, or of the whole demo, in place of the guitar.",
)  # fmt: skip
@click.option(
    "--soundfont", type=click.Path(path_type=Path), help="Soundfont (.sf2, .sf3) for its sound."
)
@force_option
@json_option
@click.argument(
    "words", nargs=-1, type=click.UNPROCESSED, metavar="[WHAT] PHRASE [OPTIONS]",
    shell_complete=completing.phrases,
)  # fmt: skip
@click.pass_context
def command(
    ctx: click.Context,
    path: Path | None,
    size: str,
    fps: int,
    strip: bool,
    take: Path | None,
    soundfont: Path | None,
    force: bool,
    as_json: bool,
    words: tuple[str, ...],
) -> None:
    """Make a film of a phrase: the sheet with a moving cursor, the neck, and the sound.

    WHAT is demo, loop or trade with what that command takes; a phrase alone is a demo. Beside the
    film lie its captions (.vtt).
    """
    what, *rest = words or ("",)
    if what not in SHOWN:
        what, rest = "demo", list(words)
    if path is None:
        raise click.UsageError("name a file for the film: -o film.mp4")
    _check(path, what, words, strip=strip, take=take)
    if strip and path.suffix.lower() == ".webm" and size == SIZES[1]:  # VP9 would take 1.5 GB
        raise click.UsageError(f"{path}: a strip of {size} is a .mov, or of {SIZES[0]} a .webm")
    asked = Asked()
    called(inner_context(ctx, what, rest, asked))
    stream = asked.stream
    assert stream is not None
    assert stream.phrase is not None
    from backing.film.write import film
    from backing.sheet.letters import blanks, places

    taken = None
    if take is not None:
        from backing.lesson.take import with_take

        taken = partial(with_take, take, stream.phrase, stream)
    seconds = float(stream.seconds)
    with bar("filming", seconds, f"filming {seconds:.0f} s") as shown:
        files = film(
            stream, path, shape(size, strip=strip), fps,
            soundfont=soundfont, take=taken, progress=shown, force=force,
        )  # fmt: skip
    if told := blanks(places(stream.phrase)):
        click.echo(f"{stream.title}: {told}", err=True)
    if as_json:
        print_json({
            "title": stream.title, "key": str(stream.key), "seconds": round(seconds, 6),
            "size": size, "fps": fps,
            "files": [{"path": str(file), "format": file.suffix[1:]} for file in files],
        })  # fmt: skip
        return
    long = clock_time(seconds)
    click.echo(f"{stream.title} in {stream.key}, {size} at {fps}, {long} of music")
    for file in files:
        click.echo(f"  {file}")
    click.echo(LOUD, err=True)


def _check(
    path: Path, what: str, words: tuple[str, ...], *, strip: bool, take: Path | None
) -> None:
    if words[:1] == ("track",):
        raise click.UsageError("a track has no phrase to show; name a phrase")
    suffix = path.suffix.lower()
    if strip and suffix not in STRIPS:
        kinds = " or ".join(STRIPS)
        raise click.UsageError(f"{path}: a strip ends in {kinds}, which can be transparent")
    if not strip and suffix != ".mp4":
        also = "; with --strip it is a strip" if suffix in STRIPS else ""
        raise click.UsageError(f"{path}: a film ends in .mp4{also}")
    if take is not None and what != "demo":
        raise click.UsageError(f"--take goes into a demo; leave it out of a {what}")
    if "--seamless" in words:
        raise click.UsageError("a film has an end; leave out --seamless, or say --passes")
    for word in OTHERS:
        if word in {one.partition("=")[0] for one in words}:
            raise click.UsageError(f"{word} changes nothing in a film; leave it out")
