"""`backing sheet`."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from backing import pieces
from backing.cli import completing
from backing.cli.options import (
    FORM,
    KEY,
    Choice,
    asked,
    force_option,
    given_phrase,
    json_option,
    line_option,
    print_json,
    written_files,
)  # fmt: skip
from backing.cli.progress import on_terminal
from backing.formats import CHARTS, DRAWN, SHEETS
from backing.output import OutputError, check_outputs

if TYPE_CHECKING:
    from backing.forms import Form
    from backing.sheet.page import Kind, Paper
    from phrases.phrase import Phrase, StringNote
    from phrases.pitch import Key

__all__ = ["command"]

PAPERS = ("a4", "letter")
STAVES = ("tab", "notation")
PATIENCE, LONGER = 3.0, 30.0  # seconds of work between two lines of progress; without a terminal
TICK = 0.25
KINDS: dict[str, Kind] = {".pdf": "pdf", ".svg": "svg"}
MANY = 8  # sheets that are worth more processes


def _suffix(
    ctx: click.Context, param: click.Parameter, paths: tuple[Path, ...]
) -> tuple[Path, ...]:
    several = len(ctx.params.get("phrases", ())) > 1
    for path in paths:
        folder = (not path.suffix or path.is_dir()) and len(paths) == 1
        if several and not folder and not _is_text(paths):
            raise click.BadParameter(
                f"{path}: name one folder for the PDFs of several phrases, -o sheets, or one text "
                "for all of them, -o all.txt; write .svg and .musicxml phrase by phrase"
            )
        if not several and path.suffix.lower() not in SHEETS:
            raise click.BadParameter(f"{path}: a sheet ends in {' '.join(SHEETS)}")
    return paths


def _is_text(paths: tuple[Path, ...]) -> bool:
    """Tell whether all is to be written into one text."""
    return len(paths) == 1 and paths[0].suffix.lower() == ".txt" and not paths[0].is_dir()


@click.command(
    "sheet",
    epilog="\b\nFor example:\n  backing sheet lamp-oil -o lamp-oil.pdf\n"
    "  backing sheet lamp-oil --key E --only tab -o tab.pdf\n"
    "  backing sheet lamp-oil plum-jar my-own.toml -o sheets\n"
    "  backing sheet --form quick-change --key Bb -o chart.pdf",
)
@click.argument(
    "phrases", metavar="[PHRASE]...", nargs=-1, is_eager=True, shell_complete=completing.phrases
)
@line_option
@click.option(
    "-o", "--output", "outputs", type=click.Path(path_type=Path), multiple=True, callback=_suffix,
    help="File to write, .pdf .svg .txt or .musicxml; for several phrases a folder of PDFs, or "
    "one .txt; a chart has no .musicxml. The plain text is printed if left out.",
)  # fmt: skip
@click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'.")
@click.option(
    "--form", type=FORM,
    help=f"Form whose chords stand over it, {pieces.FORM} if left out; alone, its chord chart.",
)  # fmt: skip
@click.option(
    "--variation", metavar="NAME", help="Write one of the phrase's variations.",
    shell_complete=completing.variations,
)  # fmt: skip
@click.option(
    "--chorus", is_flag=True, help="Write every bar of the form, with the phrase in its bars."
)
@click.option("--only", type=Choice(STAVES), help="Leave the notation or the tablature out.")
@click.option("--plain", is_flag=True, help="Leave strokes and fingers out.")
@click.option(
    "--paper", type=Choice(PAPERS), default=PAPERS[0], show_default=True, help="Page size."
)
@click.option("--larger", is_flag=True, help="Print everything larger.")
@click.option(
    "--key-to-signs/--no-key-to-signs", "signs", default=None,
    help="Say what each sign on the page means; done for easy phrases if left out.",
)  # fmt: skip
@click.option("--left-handed", is_flag=True, help="Mirror the fretboard diagram.")
@force_option
@json_option
def command(
    phrases: tuple[str, ...],
    typed: str | None,
    outputs: tuple[Path, ...],
    key: str | None,
    form: str | None,
    variation: str | None,
    *,
    as_json: bool,
    **options: Any,
) -> None:
    """Write phrases as sheet music and tablature, or a form as a chord chart.

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
        signs=options["signs"],
    )
    found = find_form(form or pieces.FORM)
    if typed is not None or "-" in phrases:
        phrases = (given_phrase("".join(phrases) or None, typed, key),)
    folder = outputs[0] if len(phrases) > 1 and outputs and not _is_text(outputs) else None
    _check_drawn(folder, outputs)
    force = options["force"]
    if force and not outputs:
        raise click.UsageError("--force is for files; name one with -o, or leave it out")
    if not phrases:
        _check_chart(form, outputs, variation, options)
        _check_files([outputs], folder, force=force)
        sheets = [_chart(found, key, paper, outputs)]
    else:
        _check_sheets(phrases, outputs, variation, options)
        files = _files(phrases, outputs, folder)
        _check_files(files, folder, force=force)
        make = partial(
            _sheet, form=found, key=key, variation=variation, paper=paper, options=options
        )
        sheets = list(_each(make, phrases, files))
    _write(sheets, folder)
    for sheet in sheets:
        if sheet.blanks:
            click.echo(f"{sheet.title}: {sheet.blanks}", err=True)
        if sheet.without:
            names = ", ".join(sheet.without)
            click.echo(
                f"MusicXML holds no variations; write each with --variation: {names}", err=True
            )
    if as_json:
        told = [{"title": sheet.title, "files": written_files(sheet.files)} for sheet in sheets]
        print_json(told[0] if len(told) == 1 else {"sheets": told})
        return
    for number, sheet in enumerate(sheets):
        if not outputs:
            click.echo(("\n" if number else "") + sheet.made[0].decode(), nl=False)
            continue
        click.echo(sheet.title)
        for path in sheet.files:
            click.echo(f"  {path}")


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What is written of a phrase or a form."""

    title: str  # its title, with the key
    files: tuple[Path, ...]  # and `made`: where it is written, and the bytes of each file
    made: list[bytes]
    without: tuple[str, ...] = ()  # the names of variations that a file leaves out
    blanks: str = ""  # which letters no font draws, in words


@contextmanager
def _patience(name: str) -> Iterator[None]:
    """Tell what is being laid out where it takes long, as a dense page does."""
    done = threading.Event()
    begun, used = time.monotonic(), time.process_time()

    def tell() -> None:
        wait = PATIENCE
        while not done.wait(TICK):
            # A busy machine makes no page dense: what counts is the work.
            if time.process_time() - used < wait:
                continue
            click.echo(
                f"{name}: dense, still laying it out, {time.monotonic() - begun:.0f} s", err=True
            )
            wait += PATIENCE if on_terminal() else LONGER

    told = threading.Thread(target=tell, daemon=True)
    told.start()
    try:
        yield
    finally:
        done.set()
        told.join()


def _each(
    make: Callable[[str, tuple[Path, ...]], _Sheet],
    phrases: Sequence[str],
    files: Sequence[tuple[Path, ...]],
) -> Iterator[_Sheet]:
    """Yield the sheet of each phrase; many are made in several processes."""
    from backing.processes import pool

    workers = pool(min(4, os.cpu_count() or 1)) if len(phrases) >= MANY else None
    if workers is None:
        for number, (name, own) in enumerate(zip(phrases, files, strict=True), 1):
            with _patience(f"{name} ({number} of {len(phrases)})" if len(phrases) > 1 else name):
                yield make(name, own)
        return
    with workers:
        told = time.monotonic()
        for number, sheet in enumerate(workers.map(make, phrases, files), 1):
            if time.monotonic() - told > PATIENCE:
                click.echo(f"{number} of {len(phrases)} sheets", err=True)
                told = time.monotonic()
            yield sheet


def _check_drawn(folder: Path | None, outputs: tuple[Path, ...]) -> None:
    """Refuse options of a drawn page where none is drawn."""
    if folder or any(path.suffix.lower() in DRAWN for path in outputs):
        return
    ctx = click.get_current_context()
    for name in ("paper", "larger", "left_handed", "signs"):
        if asked(ctx, name):
            option = "--key-to-signs" if name == "signs" else "--" + name.replace("_", "-")
            raise click.UsageError(f"{option} is for a drawn page; write {' or '.join(DRAWN)}")


def _check_sheets(
    phrases: tuple[str, ...],
    outputs: tuple[Path, ...],
    variation: str | None,
    options: dict[str, Any],
) -> None:
    if variation and len(phrases) > 1:
        raise click.UsageError("--variation is of one phrase; name only that one")
    text = not outputs or any(path.suffix.lower() == ".txt" for path in outputs)
    if text and options["only"] == "notation":
        raise click.UsageError("--only notation: text is tablature; write .pdf, .svg or .musicxml")


def _files(
    phrases: tuple[str, ...], outputs: tuple[Path, ...], folder: Path | None
) -> list[tuple[Path, ...]]:
    """Return the files of each phrase: those that are named, or its PDF in the folder."""
    from phrases.files import find_phrase

    if folder is None:
        return [outputs] * len(phrases)
    names = [f"{find_phrase(name).stem}.pdf" for name in phrases]
    for name in names:
        if names.count(name) > 1:
            raise OutputError(
                f"{folder / name}: two of the phrases would be written there; "
                "rename a phrase file, or name each phrase once"
            )
    return [(folder / name,) for name in names]


def _check_files(files: Sequence[Sequence[Path]], folder: Path | None, *, force: bool) -> None:
    """Refuse files that cannot be written, before any is made."""
    if folder is None or folder.is_dir():
        every = dict.fromkeys(path for own in files for path in own)
        check_outputs([*every], force=force, formats=SHEETS)
    elif not folder.parent.is_dir():
        raise OutputError(f"{folder}: the folder {folder.parent} does not exist; make it first")


def _write(sheets: Sequence[_Sheet], folder: Path | None) -> None:
    """Write every sheet, once all are made; a folder is made for them if need be.

    Texts for one file stand in it one after the other.
    """
    from phrases.rewrite import replace_file

    if folder is not None and not folder.is_dir():
        try:
            folder.mkdir()
        except OSError as error:
            why = error.strerror or error
            raise OutputError(f"{folder}: the folder cannot be made: {why}") from None
    files: dict[Path, list[bytes]] = {}
    for sheet in sheets:
        for path, data in dict(zip(sheet.files, sheet.made, strict=False)).items():
            files.setdefault(path, []).append(data)
    for path, parts in files.items():
        replace_file(path, b"\n".join(parts))


def _check_chart(
    form: str | None, outputs: tuple[Path, ...], variation: str | None, options: dict[str, Any]
) -> None:
    if form is None:
        raise click.UsageError("name a phrase, or a form for its chord chart: --form quick-change")
    own = any(options[name] for name in ("chorus", "only", "plain", "left_handed"))
    if variation or own or options["signs"] is not None:
        raise click.UsageError("a chord chart has no phrase; name one before --form")
    for path in outputs:
        if path.suffix.lower() not in CHARTS:
            message = f"{path}: a chord chart ends in {' '.join(CHARTS)}"
            if path.suffix.lower() == ".musicxml":
                message += "; MusicXML has the chords over a phrase: backing sheet PHRASE"
            raise click.UsageError(message)


def _chart(form: Form, key: str | None, paper: Paper, outputs: tuple[Path, ...]) -> _Sheet:
    from phrases.pitch import parse_key

    place = parse_key(key or pieces.KEY)
    kinds = [path.suffix.lower() for path in outputs] or [".txt"]
    made = [_drawn_chart(kind, form, place, paper) for kind in kinds]
    letters = _blanks(kinds, [("title", form.title), ("feel", form.feel)])
    return _Sheet(f"{form.title} in {place}", outputs, made, blanks=letters)


def _drawn_chart(kind: str, form: Form, key: Key, paper: Paper) -> bytes:
    if kind == ".txt":
        from backing.sheet.text import chart_text

        return chart_text(form, key).encode()
    from backing.sheet.page import chart_page

    return chart_page(form, key, paper, kind=KINDS[kind])


def _sheet(
    name: str,
    outputs: tuple[Path, ...],
    form: Form,
    key: str | None,
    variation: str | None,
    paper: Paper,
    options: dict[str, Any],
) -> _Sheet:
    from backing.grooves import groove_names
    from backing.sheet.letters import places
    from phrases.files import load_phrase
    from phrases.pitch import parse_key
    from phrases.transpose import transpose

    phrase = load_phrase(name, groove_names())
    if variation is not None:
        phrase = phrase.variation(variation)
    if key is not None:
        phrase = transpose(phrase, parse_key(key))
    kinds = [path.suffix.lower() for path in outputs] or [".txt"]
    made = [_made(kind, phrase, form, paper, options) for kind in kinds]
    without = tuple(name for name, _ in phrase.variations if ".musicxml" in kinds)
    letters = _blanks(kinds, places(phrase))
    return _Sheet(f"{phrase.title} in {phrase.key}", outputs, made, without, letters)


def _blanks(kinds: Sequence[str], texts: Iterable[tuple[str, str]]) -> str:
    """Return which letters a drawn sheet leaves blank, in words."""
    from backing.sheet.letters import blanks

    return blanks(texts) if set(kinds) & set(DRAWN) else ""


def _made(kind: str, phrase: Phrase, form: Form, paper: Paper, options: dict[str, Any]) -> bytes:
    if kind in DRAWN:
        from backing.sheet.page import sheet
        from phrases.hands import suggest

        hands = suggest(phrase) if paper.marks else phrase
        return sheet(hands, form, paper, chorus=options["chorus"], kind=KINDS[kind])
    chorus = options["chorus"]
    if kind == ".txt":
        from backing.sheet.text import text_sheet

        return text_sheet(phrase, form, fingering=paper.marks, chorus=chorus).encode()
    from backing.exchange.musicxml import musicxml
    from backing.sheet.writing import over_form

    told = phrase if paper.marks else _without_hands(phrase)
    return musicxml(over_form(told, form, chorus=chorus), staves=paper.staves).encode()


def _without_hands(phrase: Phrase) -> Phrase:
    """Return a phrase without its strokes and fingers."""
    from phrases.techniques import MARKS

    hands = [name for name, mark in MARKS.items() if mark.kind in ("stroke", "finger")]

    def bare(note: StringNote) -> StringNote:
        return replace(note, marks=tuple(mark for mark in note.marks if mark not in hands))

    return replace(phrase, parts=tuple(part.mapped(bare) for part in phrase.parts))
