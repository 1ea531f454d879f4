"""`backing record`."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from functools import partial
from importlib import import_module
from pathlib import Path

import click
from click.shell_completion import CompletionItem, ShellComplete

from backing.cli import completing
from backing.cli.options import PLAYED, asked, called, inner_context, json_option, print_json
from backing.feel import USUAL
from phrases.errors import BluesError
from phrases.words import expected

__all__ = ["command"]


def _words(ctx: click.Context, _: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Complete a piece's command, then that command's own words."""
    what, *rest = ctx.params.get("words") or ("",)
    if what not in PLAYED:
        return [CompletionItem(name) for name in PLAYED if name.startswith(incomplete)]
    played: click.Command = import_module(f"backing.cli.{what}_command").command
    return ShellComplete(played, {}, what, "").get_completions(list(rest), incomplete)


class _Record(click.Command):
    """Completes the options of what is played as well."""

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        own = super().shell_complete(ctx, incomplete)
        return own + _words(ctx, self.params[0], incomplete)


@click.command(
    "record",
    cls=_Record,
    context_settings={"ignore_unknown_options": True, "help_option_names": ["-h", "--help"]},
    epilog="\b\nFor example:\n"
    "  backing record loop lamp-oil --from 50 --to 60 --take out/take.wav\n"
    "  backing record track --key E --take out/solo.wav",
)
@click.option(
    "--take", type=click.Path(path_type=Path, dir_okay=False), default=Path("take.wav"),
    show_default=True, help="The take's file; where it is there, the next free number is taken.",
)  # fmt: skip
@click.option(
    "--input", "source", metavar="NAME", envvar="BACKING_INPUT", shell_complete=completing.sources,
    help="Record this sound card, one of `backing list cards`; a part of its name is enough.",
)  # fmt: skip
@click.option("--no-mix", is_flag=True, help="Make no rough mix of backing and take.")
@click.option("--hear", is_flag=True, help="Say at once how it went, as `backing hear` does.")
@click.option("--catch", is_flag=True, help="Write down what was played, as `backing catch` does.")
@json_option
@click.argument(
    "words", nargs=-1, type=click.UNPROCESSED, metavar="WHAT [ITS OPTIONS]", shell_complete=_words
)
@click.pass_context
def command(
    ctx: click.Context,
    take: Path,
    source: str | None,
    no_mix: bool,
    hear: bool,
    catch: bool,
    as_json: bool,
    words: tuple[str, ...],
) -> None:
    """Play a backing and record the sound card's input over it.

    WHAT is track, demo, loop or trade, with what that command takes. The take starts with the
    backing's first frame; beside it lies a rough mix. Run `backing calibrate` once before, so that
    both are together to the frame. Takes are numbered, never overwritten. What was played over
    is written down beside the take (take.json): `backing hear take.wav` reads it.

    Start with the volume low: loud headphones can damage hearing. Where a microphone hears the
    loudspeakers, use headphones.
    """
    what, *rest = words or ("",)
    if what not in PLAYED:
        raise click.UsageError(
            expected("what is played", what, PLAYED)
            if what
            else "say what is played: track, demo, loop or trade",
            ctx,
        )
    if hear and what == "track":
        raise click.UsageError("a track has no phrase to be heard; leave out --hear", ctx)
    if (hear or catch) and as_json:
        word = "--hear" if hear else "--catch"
        raise click.UsageError(f"{word} is told in words; leave out --json, or {word}", ctx)
    from backing.listening.meter import TimingMeter
    from backing.recording.recorder import Recorder

    if "-" in rest:
        raise click.UsageError("a take keeps its phrase; name a file of it, or give a --line", ctx)
    meter = None if what == "track" else partial(TimingMeter, turns=what == "trade")
    recorder = Recorder(take, source or "", meter)
    inner = inner_context(ctx, what, rest, recorder)
    told, texts = _words_of(inner, words), _texts(inner)  # before anybody edits the files
    failed = False
    try:
        called(inner)
        recorder.check()  # what was written last
    except BluesError:
        failed = True
        raise
    finally:
        try:
            for number, line in enumerate(recorder.said()):
                click.echo(line, err=as_json or number > 0)
            # What went wrong first is what there is to say: a full disk has no room for a mix.
            with contextlib.suppress(*[BluesError] * failed):
                if recorder.take is not None:
                    recorder.slate(told, *texts)
                mixed = None if no_mix else recorder.mix()
                if mixed is not None:
                    click.echo(f"{mixed}: a rough mix of it with the backing", err=as_json)
                if as_json:
                    print_json({**recorder.facts(), "mix": mixed and str(mixed)})
        finally:
            recorder.forget()
    if hear and recorder.take is not None:
        from backing.cli.hear_command import heard
        from backing.listening import report

        review = heard(ctx, recorder.take, (), strict=False)
        for line in report.lines(review):
            click.echo(line)
        report.log(review)
    if catch and recorder.take is not None:
        from backing.cli.catch_command import NOTHING, caught, say
        from phrases.replacing import check_free

        draft = recorder.take.with_suffix(".toml")
        check_free(draft)
        say(caught(ctx, recorder.take, NOTHING, None), draft)


def _words_of(played: click.Context, words: Sequence[str]) -> list[str]:
    """Return the words of what was played, with what the user's settings add to them."""
    more = {"seed": played.params["seed"], "looseness": played.params["looseness"]}
    if more["looseness"] is None:
        more["looseness"] = USUAL
    if played.params["tight"] or played.params["loose"]:
        del more["looseness"]
    return [*words, *(f"--{name}={more[name]}" for name in more if not asked(played, name))]


def _texts(played: click.Context) -> tuple[str, dict[str, str]]:
    """Return the text of the phrase that is played, and those of the other files by their names.

    The text is empty without a phrase that has a file.
    """
    from backing.cli.hear_command import renamed
    from phrases.files import find_phrase
    from phrases.kinds import PHRASE
    from phrases.shelf import is_path
    from phrases.textfile import TextFile, read_text

    named = [str(played.params.get(name) or "") for name in ("groove", "form", "plan")]
    files = {name: read_text(Path(name)) for name in named if is_path(name)}
    phrase = played.params.get("phrase")
    if phrase is None:
        return "", files
    file = TextFile.open(find_phrase(phrase), PHRASE)
    text = file.text
    for where in ((), *file.tables("variation")):
        groove = file.table(where).get("groove")
        if isinstance(groove, str) and is_path(groove):
            own = read_text(Path(file.name).parent / groove)
            if files.get(groove, own) != own:  # another file has this name in the words
                text, groove = renamed(text, groove, f"./{groove}"), f"./{groove}"
            files[groove] = own
    return text, files
