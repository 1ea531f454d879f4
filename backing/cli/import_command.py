"""`backing import`."""

from __future__ import annotations

from pathlib import Path

import click

from backing.cli.options import json_option, print_json, toml_path

__all__ = ["command"]


@click.command(
    "import",
    epilog="\b\nFor example:\n  backing import lesson.musicxml -o lesson.toml\n"
    "  backing import band.mxl --list\n"
    "  backing import band.mxl --part 'Lead Guitar' --voice 2 -o lead.toml\n"
    "  backing import from-a-chat.txt -o lick.toml",
)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", type=click.Path(path_type=Path),
    callback=lambda ctx, param, value: value and toml_path(ctx, param, value),
    help="Phrase file to write.",
)  # fmt: skip
@click.option("--list", "list_", is_flag=True, help="Show the parts of the file and their voices.")
@click.option(
    "--part", metavar="NAME", default="", help="The part to read, where several have tablature."
)
@click.option(
    "--voice", metavar="N", default="", help="The voice to read, where there are several."
)
@click.option("--force", is_flag=True, help="Write over the file if it is there already.")
@json_option
def command(
    file: Path, output: Path | None, list_: bool, part: str, voice: str, force: bool, as_json: bool
) -> None:
    """Read a phrase from MusicXML or from plain-text tablature.

    FILE is a .musicxml, .xml or .mxl file, as notation programs export it, or six lines of text in
    a .txt or .tab file. One voice of one part becomes a phrase, with repeats played out and both
    staves read together; what a phrase cannot say is listed on standard error with its bars.
    """
    from backing.exchange.importing import import_musicxml, import_tab
    from backing.exchange.tabtext import SUFFIXES
    from phrases.replacing import check_free
    from phrases.rewrite import replace_file

    text = file.suffix.lower() in SUFFIXES
    if text and (part or voice or list_):
        word = "--part" if part else "--voice" if voice else "--list"
        raise click.UsageError(f"{word} is for MusicXML; plain-text tablature has one part")
    if list_:
        if output is not None or part or voice:
            word = "-o" if output is not None else "--part" if part else "--voice"
            raise click.UsageError(f"--list shows what is in the file; leave {word} out")
        _check_kind(file)
        _list(file, as_json)
        return
    if output is None:
        raise click.UsageError("name the phrase file to write: -o my-phrase.toml")
    check_free(output, force=force)
    _check_kind(file)
    found = import_tab(file) if text else import_musicxml(file, part, voice)
    replace_file(output, found.text)
    if found.told:
        click.echo("not carried over, or changed:", err=True)
        for line in found.told:
            click.echo(f"  {line}", err=True)
    phrase = found.phrase
    if as_json:
        answer = {
            "title": phrase.title,
            "key": str(phrase.key),
            "tempo": float(phrase.tempo),
            "meter": str(phrase.meter),
            "bars": phrase.bars,
            "part": found.part,
            "told": list(found.told),
            "file": str(output),
        }
        print_json(answer)
        return
    click.echo(
        f"{phrase.title} in {phrase.key}, {phrase.bars} bars, "
        f"{float(phrase.tempo):g} beats a minute\n  {output}"
    )


def _list(file: Path, as_json: bool) -> None:
    """Show the parts of a MusicXML file."""
    from dataclasses import asdict

    from backing.exchange.parts import list_parts

    parts = list_parts(file)
    if as_json:
        print_json([asdict(one) for one in parts])
        return
    for one in parts:
        click.echo(f"{one.name} ({one.key}): {one.fault or f'{one.bars} bars'}")
        for staff, voice, notes, fretted in one.voices:
            click.echo(f"  staff {staff}, voice {voice}: {notes} notes, {fretted} with a fret")


def _check_kind(file: Path) -> None:
    """Refuse this program's own files, which other commands read."""
    from phrases.errors import Problem, TextFileError
    from phrases.kinds import kind_of_file, told

    if file.suffix.lower() == ".toml" and file.is_file():
        what = told(kind_of_file(file), "MusicXML")
        raise TextFileError(str(file), (Problem(what),))
