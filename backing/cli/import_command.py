"""`backing import`."""

from __future__ import annotations

import json
from pathlib import Path

import click

from backing.cli.options import json_option, toml_path

__all__ = ["command"]


@click.command(
    "import",
    epilog="\b\nFor example:\n  backing import lesson.musicxml -o lesson.toml\n"
    "  backing import band.mxl --part 'Lead Guitar' -o lead.toml",
)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path),
    callback=toml_path,
    help="Phrase file to write.",
)
@click.option(
    "--part", metavar="NAME", default="", help="The part to read, where several have tablature."
)
@click.option("--force", is_flag=True, help="Write over the file if it is there already.")
@json_option
def command(file: Path, output: Path, part: str, force: bool, as_json: bool) -> None:
    """Read a phrase from the tablature of a MusicXML file.

    FILE is a .musicxml, .xml or .mxl file, as notation programs export it, with strings and frets
    in standard tuning. One voice of one part becomes a phrase; what a phrase cannot say is listed
    on standard error.
    """
    from backing.exchange.importing import import_musicxml
    from phrases.replacing import check_free
    from phrases.rewrite import replace_file

    check_free(output, force=force)
    _check_kind(file)
    found = import_musicxml(file, part)
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
        click.echo(json.dumps(answer, ensure_ascii=False))
        return
    click.echo(
        f"{phrase.title} in {phrase.key}, {phrase.bars} bars, "
        f"{float(phrase.tempo):g} beats a minute\n  {output}"
    )


def _check_kind(file: Path) -> None:
    """Refuse this program's own files, which other commands read."""
    from phrases.errors import Problem, TextFileError
    from phrases.kinds import kind_of_file, told

    if file.suffix.lower() == ".toml" and file.is_file():
        what = told(kind_of_file(file), "MusicXML")
        raise TextFileError(str(file), (Problem(what),))
