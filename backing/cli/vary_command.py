"""`backing vary`."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from backing import pieces
from backing.cli import options
from backing.cli.options import (
    CARD,
    PORT,
    Choice,
    Wanted,
    Whole,
    json_option,
    phrase_argument,
    print_json,
)
from backing.formats import CHARTS
from backing.output import AudioSettings
from phrases.errors import Problem, TextFileError
from phrases.moves import COUNT, SEED
from phrases.phrase import LEVELS

if TYPE_CHECKING:
    from phrases.moves.proposals import Proposal
    from phrases.phrase import Phrase

__all__ = ["command"]

MOST = 60  # proposals


def _names(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...]:
    return tuple(filter(None, (value or "").replace(",", " ").split()))


def _output(ctx: click.Context, param: click.Parameter, path: Path | None) -> Path | None:
    if path is not None and path.suffix.lower() not in (".toml", *CHARTS):
        raise click.BadParameter(
            f"{path}: variations go into a phrase file, .toml, or onto a sheet, {' '.join(CHARTS)}"
        )
    return path


@click.command(
    "vary",
    epilog="\b\nFor example:\n  backing vary my-phrase.toml\n"
    "  backing vary my-phrase.toml --moves end-up,triplets --play 2\n"
    "  backing vary my-phrase.toml --keep 1 --keep 4 -o my-phrase.toml",
)
@functools.partial(phrase_argument, own=False)
@click.option(
    "--moves", metavar="NAMES", callback=_names,
    help="Only these moves of `backing list moves`, with commas between.",
)  # fmt: skip
@click.option("--count", type=Whole(1, MOST), default=COUNT, show_default=True, help="How many.")
@click.option(
    "--level", type=Choice(LEVELS),
    help="Easy: nothing that asks more of a hand, and bends taken out; hard: what asks more.",
)  # fmt: skip
@click.option(
    "--seed", envvar="BACKING_SEED", type=Whole(), default=SEED, show_default=True,
    help="Another number, other proposals; the same one, the same.",
)  # fmt: skip
@click.option(
    "--keep", type=Whole(1, MOST), multiple=True, metavar="N",
    help="Write only the Nth; give it again for more.",
)  # fmt: skip
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), callback=_output,
    help="Phrase file to which they are added as variations, the rest of it untouched; a new one "
    "if it is not there. Or a sheet of the phrase with them, .pdf .svg or .txt.",
)  # fmt: skip
@click.option("--play", type=Whole(1, MOST), metavar="N", help="Hear the Nth over the band.")
@CARD
@PORT
@json_option
def command(
    phrase: str,
    moves: tuple[str, ...],
    count: int,
    level: str | None,
    seed: int,
    keep: tuple[int, ...],
    output: Path | None,
    play: int | None,
    card: str | None,
    port: str | None,
    as_json: bool,
) -> None:
    """Propose variations of a phrase, the way teachers vary one.

    PHRASE is a file or the name of a shipped phrase. Says what each does and why call and response
    still ask and answer; nothing is written without -o.
    """
    from backing.grooves import groove_names
    from phrases.files import load_phrase
    from phrases.moves.proposals import propose

    if play is not None and (output is not None or as_json):
        raise click.UsageError("--play is for hearing one; leave out -o and --json, or --play")
    if keep and output is None:
        raise click.UsageError("--keep says which to write; name a file with -o, or leave it out")
    found = load_phrase(phrase, groove_names())
    if output is not None and output.suffix.lower() == ".toml":
        found = _there(found, output)
    proposals = propose(found, moves=moves, count=count, level=level or "", seed=seed)
    for number in (*keep, *filter(None, [play])):
        if number > len(proposals):
            raise click.UsageError(
                f"there is no proposal {number}; there are {len(proposals)}: say more with --count"
            )
    if play is not None:
        _play(proposals[play - 1], card, port)
        return
    chosen = [proposals[n - 1] for n in dict.fromkeys(keep)] or proposals
    if output is not None:
        _write(phrase, found, chosen, output)
    if as_json:
        print_json(_facts(found, proposals, output))
        return
    shown = chosen if output is not None else proposals
    click.echo(f"{found.title}: {len(shown)} variation{'s' * (len(shown) != 1)}")
    for one in shown:
        _print(proposals.index(one) + 1, found, one)
    if output is not None:
        click.echo(f"  {output}")


def _there(phrase: Phrase, path: Path) -> Phrase:
    """Return the phrase with the variations that a file of it has already."""
    from phrases.files import load_phrase

    if not path.exists():
        return phrase
    there = load_phrase(path)
    if (there.parts, there.key, there.meter) != (phrase.parts, phrase.key, phrase.meter):
        what = f'holds another phrase, "{there.title}"; vary that one, or write to another name'
        raise TextFileError(str(path), (Problem(what),))
    return there


def _write(name: str, phrase: Phrase, chosen: Sequence[Proposal], path: Path) -> None:
    from phrases.files import find_phrase
    from phrases.kinds import PHRASE
    from phrases.moves.proposals import appended
    from phrases.rewrite import moved_to, replace_file
    from phrases.textfile import read_text
    from phrases.typed import Typed

    if path.suffix.lower() != ".toml":
        _draw(phrase, chosen, path)
    elif path.exists():
        text = read_text(path, PHRASE)
        more = appended(text, chosen, str(path))[len(text) :]
        replace_file(path, path.read_bytes() + more.encode())
    else:
        source = find_phrase(name)
        text = name.text if isinstance(name, Typed) else read_text(source, PHRASE)
        replace_file(path, appended(moved_to(text, str(source), path), chosen, str(path)))


def _draw(phrase: Phrase, chosen: Sequence[Proposal], path: Path) -> None:
    """Write the sheet of a phrase, with the proposals in the place of its variations."""
    from backing.forms import find_form
    from phrases.hands import suggest
    from phrases.replacing import check_free
    from phrases.rewrite import replace_file

    check_free(path)
    varied = replace(phrase, variations=tuple((one.name, one.phrase) for one in chosen))
    form = find_form(pieces.FORM)
    if path.suffix.lower() == ".txt":
        from backing.sheet.text import text_sheet

        replace_file(path, text_sheet(varied, form))
        return
    from backing.sheet.page import Paper, sheet

    kind: Any = path.suffix.lower()[1:]
    replace_file(path, sheet(suggest(varied), form, Paper(), kind=kind))


def _play(one: Proposal, card: str | None, port: str | None) -> None:
    from backing.cli.report import deliver

    click.echo(f"{one.name}: {one.words}")
    opening = options.opened(click.get_current_context(), card) if port is None else None
    wanted = Wanted((), AudioSettings(), port, None, as_json=False, opening=opening)
    deliver(pieces.demo(one.phrase), wanted, None)


def _lines(before: Phrase, one: Proposal) -> list[tuple[str, str]]:
    """Return the parts that differ, each with its role and its notes."""
    from phrases.notation import write_line

    beats = before.meter.beats
    return [
        (new.role, write_line(new.strokes, new.bars, beats))
        for old, new in zip(before.parts, one.phrase.parts, strict=True)
        if old != new
    ]


def _print(number: int, before: Phrase, one: Proposal) -> None:
    tempo = f", {float(one.phrase.tempo):g} beats a minute" * (one.phrase.tempo != before.tempo)
    click.echo(f"\n{number}  {one.move} ({one.distance:.0%} of it differs{tempo})")
    click.echo(click.wrap_text(one.words, 88, "   ", "   "))
    for role, notes in _lines(before, one):
        click.echo(f"   {role:<9} {notes}")


def _facts(phrase: Phrase, proposals: Sequence[Proposal], output: Path | None) -> dict[str, Any]:
    return {
        "title": phrase.title,
        "key": str(phrase.key),
        "proposals": [
            {
                "move": one.move,
                "name": one.name,
                "words": one.words,
                "other": round(one.distance, 3),
                "tempo": float(one.phrase.tempo),
                "level": one.phrase.level,
                "parts": [{"role": r, "notes": notes} for r, notes in _lines(phrase, one)],
                "text": one.text,
            }
            for one in proposals
        ],
        **({"file": str(output)} if output else {}),
    }
