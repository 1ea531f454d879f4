"""`backing transpose`."""

from __future__ import annotations

import functools
from pathlib import Path

import click

from backing.cli.options import (
    KEY,
    Whole,
    WordType,
    json_option,
    phrase_argument,
    print_json,
    toml_output,
)  # fmt: skip
from phrases.errors import Problem, RangeError, TextFileError
from phrases.refinger import POSITIONS, parse_strings

__all__ = ["command"]


STRINGS = WordType("strings", parse_strings, parsed=True)


@click.command(
    "transpose",
    epilog="\b\nFor example:\n  backing transpose lamp-oil --key E --position 12 -o in-e.toml",
)
@functools.partial(phrase_argument, own=False)
@click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'.")
@click.option("--position", type=Whole(*POSITIONS), help="The fret under the first finger.")
@click.option("--strings", type=STRINGS, help="The strings to play it on, as GBe.")
@toml_output
@click.option("--force", is_flag=True, help="Write over a file that is there; never over PHRASE.")
@json_option
def command(
    phrase: str,
    key: str | None,
    position: int | None,
    strings: str | None,
    output: Path,
    force: bool,
    as_json: bool,
) -> None:
    """Write a phrase in another key, position or set of strings.

    PHRASE is a file or the name of a shipped phrase. With a key alone its shape moves along the
    neck. With a position or strings another fingering is looked for, which keeps every pitch,
    technique and count; where there is none, the first place that cannot be played is named.
    """
    if key is None and position is None and strings is None:
        raise click.UsageError("say where to: --key, --position or --strings")
    from phrases.files import find_phrase, load_phrase
    from phrases.kinds import PHRASE
    from phrases.pitch import parse_key
    from phrases.refinger import possible_positions, refinger
    from phrases.rewrite import moved_to, replace_file, with_phrase
    from phrases.textfile import read_text
    from phrases.transpose import moved, transpose
    from phrases.typed import Typed

    path = find_phrase(phrase)
    _check_output(output, path, force=force)
    text = phrase.text if isinstance(phrase, Typed) else read_text(path, PHRASE)
    before = load_phrase(phrase)
    went = ""
    to = before.key if key is None else parse_key(key)
    if position is None and strings is None:
        after = transpose(before, to)
        went = moved(before, after)
    else:
        try:
            after = refinger(before, position, strings, key=to)
        except RangeError as error:
            if position is None:
                raise
            hint = _elsewhere(possible_positions(before, strings, key=to), strings)
            raise RangeError(f"{error}; {hint}") from None
    new = with_phrase(text, after, str(path))
    replace_file(output, moved_to(new, str(path), output))
    if as_json:
        answer = {"title": after.title, "key": str(after.key), "file": str(output)}
        answer |= {"moved": went} if went else {}
        print_json(answer)
        return
    where = f" in position {position}" if position else ""
    where += f" on {' '.join(strings)}" if strings else ""
    where += f": {went}" if went else ""
    click.echo(f"{after.title} in {after.key}{where}\n  {output}")


def _elsewhere(positions: list[int], strings: str | None) -> str:
    if not positions:
        out = "--position" if strings is None else "--position or --strings"
        return f"nor has another position all of it; leave out {out}"
    return f"--position may be {', '.join(map(str, positions))}"


def _check_output(output: Path, source: Path, *, force: bool) -> None:
    """Refuse to write over the phrase itself, and unasked over any other file."""
    if not output.is_file():
        return
    if source.is_file() and output.samefile(source):
        what = "is the phrase itself; write to another name"
        raise TextFileError(str(output), (Problem(what),))
    from phrases.replacing import check_free

    check_free(output, force=force)
