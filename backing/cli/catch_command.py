"""`backing catch`."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import click

from backing.cli.hear_command import told_stream
from backing.cli.options import (
    GROOVE,
    KEY,
    TEMPO,
    Whole,
    force_option,
    json_option,
    print_json,
    toml_output,
)  # fmt: skip
from backing.cli.progress import bar
from phrases.refinger import POSITIONS
from phrases.shelf import is_path

if TYPE_CHECKING:
    from backing.listening.draft import Caught
    from backing.recording.slate import Slate

__all__ = ["NOTHING", "caught", "command", "say"]

CLIPPED = 0.999
# What is said of a take beside which everything lies.
NOTHING: dict[str, object] = dict.fromkeys(("--key", "--groove", "--tempo", "--bar-one"))


@click.command(
    "catch",
    epilog="\b\nFor example:\n"
    "  backing catch take.wav -o mine.toml\n"
    "  backing catch phone.wav --key A --groove shuffle --tempo 84 -o mine.toml",
)
@click.argument("take", type=click.Path(path_type=Path, dir_okay=False))
@toml_output
@click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'.")
@click.option("--groove", type=GROOVE, help="What it was played over: its swing is known then.")
@click.option("--tempo", "--bpm", type=TEMPO, help="Felt beats a minute.")
@click.option(
    "--bar-one", type=click.FloatRange(min=0), metavar="SECONDS",
    help="The second of the take at which a bar begins; looked for if left out.",
)  # fmt: skip
@click.option(
    "--position", type=Whole(*POSITIONS),
    help="The fret under the first finger; where a hand would play it if left out.",
)  # fmt: skip
@force_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    take: Path,
    output: Path,
    key: str | None,
    groove: str | None,
    tempo: Fraction | None,
    bar_one: float | None,
    position: int | None,
    force: bool,
    as_json: bool,
) -> None:
    """Write down what is played in a take, as a draft of a phrase file.

    Single notes and double stops are caught, with bends, slides, hammer-ons, pull-offs and
    vibrato, and counted on the groove's own grid. What is uncertain stands beside it as a comment.
    A take that `backing record` made knows what it was played over; for any other say key, groove
    and tempo.
    """
    from phrases.replacing import check_free

    check_free(output, force=force)
    given = {"--key": key, "--groove": groove, "--tempo": tempo, "--bar-one": bar_one}
    found = caught(ctx, take, given, position)
    say(found, output, as_json=as_json)


def caught(
    ctx: click.Context, take: Path, given: Mapping[str, object], position: int | None
) -> Caught:
    """Return the draft of what is played in a take.

    `given` are the options that say what it was played over, None where they are left out;
    `position` is the fret under the first finger.
    """
    from backing.grooves import find_groove
    from backing.listening import draft, report
    from backing.listening.source import Frames, Source
    from backing.recording.slate import read_slate
    from phrases.pitch import parse_key

    told = [name for name, value in given.items() if value is not None]
    with Source(take) as source, contextlib.ExitStack() as stack:
        slate = None if told else read_slate(take)
        progress = stack.enter_context(bar("listening", 1))
        title = take.stem.replace("-", " ").replace("_", " ").capitalize()
        if slate is not None:
            stream, files = stack.enter_context(told_stream(ctx, slate.words, slate))
            segments = report.segments(slate, stream)
            clean: Frames = report.without_band(source, stream, segments)[0]
            lead = stream.sections[-1 if len(stream.sections) < 2 else 1]
            asked = _groove(slate, str(stream.facts["groove"]))
            found = draft.catch(
                clean, key=stream.key, groove=find_groove(files.get(asked, asked)),
                groove_name=_lasting(asked), tempo=lead.tempo, swing=Fraction(lead.swing),
                position=position, title=title,
                bars=draft.bars_of(stream, segments), progress=progress,
            )  # fmt: skip
            return _with_clipping(found, source.peak)
        missing = [name for name in ("--key", "--groove", "--tempo") if given[name] is None]
        if missing:
            beside = "" if told else f"nothing beside {take} says what it was played over; "
            raise click.UsageError(f"{beside}say {', '.join(missing)}")
        tempo, one = given["--tempo"], given["--bar-one"]
        assert isinstance(tempo, Fraction)
        asked = str(given["--groove"])
        style = find_groove(asked)
        bars: list[float] = []
        if isinstance(one, float):
            lasts = 60 * style.meter.beats / float(tempo)
            count = int(source.frames / source.rate / lasts) + 2
            bars = [one % lasts + lasts * n for n in range(-1, count)]
        found = draft.catch(
            source, key=parse_key(str(given["--key"])), groove=style, tempo=tempo, bars=bars,
            position=position, title=title, groove_name=_lasting(asked), progress=progress,
        )  # fmt: skip
        return _with_clipping(found, source.peak)


def _with_clipping(found: Caught, peak: float) -> Caught:
    """Return a draft with what there is to say of a take's level."""
    clips = peak >= CLIPPED
    return replace(found, doubts=(*found.doubts, "the take clips")) if clips else found


def _groove(slate: Slate, usual: str) -> str:
    """Return the groove of a slate as it was named: in words, by the phrase, or the usual one."""
    import tomllib

    for word, following in pairwise([*slate.words, ""]):
        name, equals, value = word.partition("=")
        if name == "--groove":
            return value if equals else following
    own = tomllib.loads(slate.phrase).get("groove")
    return own if own in slate.files else usual


def _lasting(groove: str) -> str:
    """Return a groove's name, of a file one that holds wherever the draft lies."""
    return Path(groove).resolve().as_posix() if is_path(groove) else groove


def say(found: Caught, output: Path, *, as_json: bool = False) -> None:
    """Write a draft and say what is in it and what is uncertain."""
    from phrases.rewrite import replace_file

    replace_file(output, found.text)
    phrase = found.phrase
    notes = sum(len(part.strokes) for part in phrase.parts)
    if as_json:
        answer = {
            "title": phrase.title, "key": str(phrase.key), "tempo": float(phrase.tempo),
            "bars": phrase.bars, "notes": notes, "doubts": found.doubts, "file": str(output),
        }  # fmt: skip
        print_json(answer)
        return
    bars = f"{phrase.bars} bar{'s' * (phrase.bars > 1)}"
    click.echo(f"{notes} notes in {bars}, {phrase.key}\n  {output}")
    for doubt in found.doubts:
        click.echo(f"  uncertain: {doubt}")
