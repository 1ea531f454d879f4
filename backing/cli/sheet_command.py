"""`backing sheet`."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from backing import pieces
from backing.cli.options import FORM, KEY, json_option
from phrases.errors import BluesError

if TYPE_CHECKING:
    from backing.forms import Form
    from backing.sheet.page import Kind, Paper
    from phrases.phrase import Phrase

__all__ = ["command"]

SUFFIXES = (".pdf", ".svg", ".txt", ".musicxml")
CHART_SUFFIXES = (".pdf", ".svg")
PAPERS = ("a4", "letter")
STAVES = ("tab", "notation")


class _FileError(BluesError, OSError):
    """A sheet that cannot be written."""


def _suffix(
    ctx: click.Context, param: click.Parameter, paths: tuple[Path, ...]
) -> tuple[Path, ...]:
    for path in paths:
        if path.suffix.lower() not in SUFFIXES:
            raise click.BadParameter(f"{path}: a sheet ends in {' '.join(SUFFIXES)}")
    return paths


@click.command(
    "sheet",
    epilog="\b\nFor example:\n  backing sheet lamp-oil -o lamp-oil.pdf\n"
    "  backing sheet lamp-oil --key E --only tab\n"
    "  backing sheet --form quick-change --key Bb -o chart.pdf",
)
@click.argument("phrase", metavar="[PHRASE]", required=False)
@click.option(
    "-o",
    "--output",
    "outputs",
    type=click.Path(path_type=Path),
    multiple=True,
    callback=_suffix,
    help="File to write, .pdf .svg .txt or .musicxml; the plain text is printed if left out.",
)
@click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'.")
@click.option(
    "--form",
    type=FORM,
    help=f"Form whose chords stand over it, {pieces.FORM} if left out; alone, its chord chart.",
)
@click.option("--variation", metavar="NAME", help="Write one of the phrase's variations.")
@click.option(
    "--chorus", is_flag=True, help="Write every bar of the form, with the phrase in its bars."
)
@click.option("--only", type=click.Choice(STAVES), help="Leave the notation or the tablature out.")
@click.option("--plain", is_flag=True, help="Leave strokes and fingers out.")
@click.option(
    "--paper", type=click.Choice(PAPERS), default=PAPERS[0], show_default=True, help="Page size."
)
@click.option("--larger", is_flag=True, help="Print everything larger.")
@click.option("--left-handed", is_flag=True, help="Mirror the fretboard diagram.")
@json_option
def command(
    phrase: str | None,
    outputs: tuple[Path, ...],
    key: str | None,
    form: str | None,
    variation: str | None,
    *,
    as_json: bool,
    **options: Any,
) -> None:
    """Write a phrase as sheet music and tablature, or a form as a chord chart.

    PHRASE is a file or the name of a shipped phrase. Strokes and fingers that it does not give
    are suggested on the page; text and MusicXML have those that it gives.
    """
    from backing.forms import find_form
    from backing.sheet.page import Paper

    paper = Paper(
        options["paper"],
        options["larger"],
        options["left_handed"],
        options["only"] or "both",
        not options["plain"],
    )
    found = find_form(form or pieces.FORM)
    if phrase is None:
        _check_chart(form, outputs, variation, options)
        title, made = _chart(found, key, paper, outputs)
    else:
        title, made = _sheet(phrase, found, key, variation, paper, outputs, options)
    for path in outputs:
        _check_place(path)
    for path, data in zip(outputs, made, strict=False):
        _replace(path, data)
    if as_json:
        files = [{"path": str(path), "format": path.suffix.lower()[1:]} for path in outputs]
        click.echo(json.dumps({"title": title, "files": files}, ensure_ascii=False))
    elif outputs:
        click.echo(title)
        for path in outputs:
            click.echo(f"  {path}")
    else:
        click.echo(made[0].decode(), nl=False)


def _check_chart(
    form: str | None, outputs: tuple[Path, ...], variation: str | None, options: dict[str, Any]
) -> None:
    if form is None:
        raise click.UsageError("name a phrase, or a form for its chord chart: --form quick-change")
    if variation or options["chorus"] or options["only"]:
        raise click.UsageError("a chord chart has no phrase; name one before --form")
    if not outputs:
        raise click.UsageError("name a file for the chart: -o chart.pdf")
    for path in outputs:
        if path.suffix.lower() not in CHART_SUFFIXES:
            raise click.UsageError(f"{path}: a chord chart ends in {' '.join(CHART_SUFFIXES)}")


def _chart(
    form: Form, key: str | None, paper: Paper, outputs: tuple[Path, ...]
) -> tuple[str, list[bytes]]:
    from backing.sheet.page import chart_page
    from phrases.pitch import parse_key

    place = parse_key(key or pieces.KEY)
    made = [chart_page(form, place, paper, kind=_kind(path.suffix.lower())) for path in outputs]
    return f"{form.title} in {place}", made


def _sheet(
    name: str,
    form: Form,
    key: str | None,
    variation: str | None,
    paper: Paper,
    outputs: tuple[Path, ...],
    options: dict[str, Any],
) -> tuple[str, list[bytes]]:
    from phrases.pitch import parse_key
    from phrases.transpose import transpose

    phrase = _phrase(name, variation)
    if key is not None:
        phrase = transpose(phrase, parse_key(key))
    kinds = [path.suffix.lower() for path in outputs] or [".txt"]
    made = [_made(kind, phrase, form, paper, options) for kind in kinds]
    return f"{phrase.title} in {phrase.key}", made


def _phrase(name: str, variation: str | None) -> Phrase:
    from backing.grooves import groove_names
    from phrases.files import load_phrase

    phrase = load_phrase(name, groove_names())
    return phrase if variation is None else phrase.variation(variation)


def _kind(suffix: str) -> Kind:
    return "svg" if suffix == ".svg" else "pdf"


def _made(kind: str, phrase: Phrase, form: Form, paper: Paper, options: dict[str, Any]) -> bytes:
    from backing.sheet.writing import over_form

    if kind in (".pdf", ".svg"):
        from backing.sheet.page import sheet
        from phrases.hands import suggest

        hands = suggest(phrase) if paper.marks else phrase
        return sheet(hands, form, paper, chorus=options["chorus"], kind=_kind(kind))
    score = over_form(phrase, form, chorus=options["chorus"])
    if kind == ".txt":
        from backing.sheet.text import text_tab

        return text_tab(score, fingering=paper.marks).encode()
    from backing.sheet.musicxml import musicxml

    return musicxml(score, staves=paper.staves).encode()


def _check_place(path: Path) -> Path:
    """Return where a file will lie, which must not be a folder and must lie in one."""
    target = Path(os.path.realpath(path))
    if target.is_dir():
        raise _FileError(f"{path}: it is a folder")
    if not target.parent.is_dir():
        raise _FileError(f"{path}: the folder {path.parent} does not exist; make it first")
    return target


def _replace(path: Path, data: bytes) -> None:
    """Write a file beside its place and rename it when it is whole."""
    draft: Path | None = None
    try:
        target = _check_place(path)
        handle, beside = tempfile.mkstemp(prefix=".", suffix=".part", dir=target.parent)
        draft = Path(beside)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        mask = os.umask(0)
        os.umask(mask)
        draft.chmod(target.stat().st_mode & 0o7777 if target.exists() else 0o666 & ~mask)
        draft.replace(target)
    except _FileError:
        raise
    except OSError as error:
        raise _FileError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        if draft is not None:
            draft.unlink(missing_ok=True)
