"""Options that several commands share, and the words they take."""

from __future__ import annotations

import functools
import re
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource
from click.shell_completion import CompletionItem

from backing import pieces
from backing.arrangement import CHORUSES, ENDINGS, INTROS
from backing.band.plan import ARCS
from backing.cli import completing
from backing.events import VOICES
from backing.feel import LOOSENESS, USUAL
from backing.formats import BITS, FORMATS, OPUS_RATE, RATES
from backing.forms import turnarounds
from backing.forms.form import FORMS
from backing.grooves.groove import GROOVES
from backing.grooves.instruments import COMPS
from backing.output import AudioSettings
from backing.setting import COUNT_IN_BARS
from phrases.counting import parse_swing
from phrases.errors import BluesError
from phrases.files import TEMPOS
from phrases.phrase import PICKS, TONES
from phrases.pitch import KEYS, parse_key
from phrases.words import nearest, short

if TYPE_CHECKING:
    from backing.events import Stream
    from backing.live.card import Opening

__all__ = [
    "CARD", "PLAYED", "PORT", "STEP", "TEMPO", "Asked", "Choice", "Wanted", "Whole", "WordType",
    "asked", "called", "force_option", "given_phrase", "inner_context", "json_option",
    "line_option", "missing", "opened", "options_of", "output_options", "phrase_argument",
    "phrase_options", "print_json", "setting_options", "soundfont_option", "toml_output",
    "toml_path", "voice_option", "written_files",
]  # fmt: skip

PLAYED = ("track", "demo", "loop", "trade")  # the commands that play
CLOSE = 0.65  # how like a choice a word must be; all of them are named besides

Command = TypeVar("Command", bound=Callable[..., Any])


class Choice(click.Choice[Any]):
    """One of some words; a misspelt one is told the nearest."""

    def get_invalid_choice_message(self, value: Any, ctx: click.Context | None) -> str:
        """Return the message for a value that is none of them."""
        words = [str(choice) for choice in self.choices]
        said = f'"{short(str(value))}" is none of {", ".join(words)}'
        close = nearest(str(value), words, CLOSE)
        return f'{said}; did you mean "{close}"?' if close else said


class WordType(click.ParamType[Any]):
    """A word that a reader of this project understands; its error is the user's message.

    The command gets what the reader makes of it, if it is `parsed`, else the word.
    """

    def __init__(
        self, name: str, read: Callable[[str], Any], words: Callable[[], Any] = tuple,
        *, parsed: bool = False,
    ) -> None:  # fmt: skip
        self.name, self.read, self.words, self.parsed = name, read, words, parsed

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        """Return the word, or what it means."""
        try:
            found = self.read(value) if isinstance(value, str) else value
        except BluesError as error:
            self.fail(str(error), param, ctx)
        return found if self.parsed else value

    def shell_complete(self, ctx: Any, param: Any, incomplete: str) -> list[CompletionItem]:
        """Return the words that begin so."""
        return [CompletionItem(word) for word in self.words() if word.startswith(incomplete)]


KEY = WordType("key", parse_key, lambda: [str(key) for key in KEYS])
SWING = WordType("ratio", parse_swing, lambda: ["auto", "straight", "2:1", "3:2"])
GROOVE = WordType("groove", GROOVES.find, GROOVES.names)
FORM = WordType("form", FORMS.find, FORMS.names)


class _Beats(click.ParamType[Fraction]):
    """A number of felt beats a minute, kept exact."""

    name = "beats"

    def __init__(self, low: int, high: int, what: str) -> None:
        self.low, self.high, self.what = low, high, what

    def convert(self, value: Any, param: Any, ctx: Any) -> Fraction:
        text = str(value)
        exact = Fraction(text) if re.fullmatch(r"\d{1,6}(\.\d{1,6})?", text) else None
        if exact is None or not self.low <= exact <= self.high:
            self.fail(
                f"{self.what} {text}: write a number from {self.low} to {self.high} "
                "(felt beats a minute)",
                param,
                ctx,
            )
        return exact


class Whole(click.IntRange):
    """A whole number, in a range if one is given, whose error says so in words."""

    def _describe_range(self) -> str:
        return "" if self.min is None and self.max is None else super()._describe_range()

    def convert(self, value: Any, param: Any, ctx: Any) -> int:
        """Return the number, or fail with a usage error."""
        try:
            number: int = super().convert(value, param, ctx)
        except click.BadParameter:
            limits = "" if self.min is None else f" from {self.min} to {self.max}"
            self.fail(f"{value}: write a whole number{limits}", param, ctx)
        return number


class _Share(click.FloatRange):
    """A number in a range, whose error says the range in words."""

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        try:
            number: float = super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value}: write a number from {self.min:g} to {self.max:g}", param, ctx)
        return number


TEMPO = _Beats(*TEMPOS, "tempo")
STEP = _Beats(1, TEMPOS[1] - TEMPOS[0], "step")


PHRASE = (
    click.option(
        "--variation", metavar="NAME", help="Play one of the phrase's variations.",
        shell_complete=completing.variations,
    ),
    click.option("--tone", type=Choice(TONES), help="The guitar's; the phrase's own if left out."),
    click.option("--pick", type=Choice(PICKS), help="Where it is picked; the phrase's own place."),
)  # fmt: skip

TIGHT, LOOSE = 0.4, 1.7

SETTING = (
    click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'."),
    click.option(
        "--groove", type=GROOVE,
        help="Groove, one of `backing list grooves`, or a file of your own.",
    ),
    click.option(
        "--form", type=FORM, default=pieces.FORM, show_default=True,
        help="Form, one of `backing list forms`, or a file of your own.",
    ),
    click.option(
        "--swing", type=SWING,
        help="Long to short, as 2:1 or 3:2; straight; or auto, as players swing at that tempo.",
    ),
    click.option(
        "--count-in", type=Whole(*COUNT_IN_BARS), default=pieces.COUNT_IN, show_default=True,
        help="Bars of sticks before the music.",
    ),
    click.option(
        "--comp", type=Choice([*COMPS, "none"]),
        help="Who plays the chords; the groove's own if left out.",
    ),
    click.option(
        "--without", type=Choice(pieces.BAND), multiple=True,
        help="Leave a part out, to play it yourself; give it again for more.",
    ),
    click.option("--tight", is_flag=True, help="A band that is close together;"),
    click.option("--loose", is_flag=True, help="or one that is not;"),
    click.option(
        "--looseness", envvar="BACKING_LOOSENESS", type=_Share(*LOOSENESS),
        help=f"or a number: 0 is exact, {USUAL:g} usual, {LOOSENESS[1]:g} the loosest.",
    ),
    click.option(
        "--seed", envvar="BACKING_SEED", type=Whole(), default=pieces.SEED, show_default=True,
        help="Another number, another way of playing it; the same one, the same bytes.",
    ),
)  # fmt: skip

WHOLE = (
    click.option("--tempo", type=TEMPO, help="Felt beats a minute; in 12/8 dotted quarters."),
    click.option(
        "--choruses", type=Whole(*CHORUSES), default=pieces.CHORUSES, show_default=True,
        help="Times through the form.",
    ),
    click.option(
        "--intro", type=Choice(list(INTROS)), default=pieces.INTRO, show_default=True,
        help="After the count-in: nothing more, a turnaround, or the form's last four bars.",
    ),
    click.option(
        "--ending", type=Choice(list(ENDINGS)), default=pieces.ENDING, show_default=True,
        help="Land on a last chord, slow down into it, play the last line again first; or none.",
    ),
    click.option(
        "--arc", type=Choice(list(ARCS)), default=pieces.ARC, show_default=True,
        help="Rise from chorus to chorus, rest, and end high; or every chorus as strong.",
    ),
    click.option(
        "--turnaround", type=Choice(turnarounds.names()),
        help="Always this one of `backing list turnarounds`; drawn if left out.",
    ),
)  # fmt: skip

DEEP = " and ".join(suffix for suffix, kind in FORMATS.items() if kind.deep)

CARD = click.option(
    "--card", metavar="NAME", envvar="BACKING_CARD", shell_complete=completing.cards,
    help="Play on this sound card, one of `backing list cards`; a part of its name is enough.",
)  # fmt: skip
PORT = click.option(
    "--port", metavar="NAME", envvar="BACKING_PORT", shell_complete=completing.outputs,
    help="Play on this MIDI output, one of `backing list ports`, not on the sound card.",
)  # fmt: skip
soundfont_option = click.option(
    "--soundfont", type=click.Path(path_type=Path), help="Soundfont (.sf2, .sf3) for audio."
)
voice_option = click.option(
    "--voice", type=Choice(VOICES),
    help=f"Who plays guitar, bass and organ in audio; {VOICES[0]} if left out. Drums and "
    "piano are the soundfont's.",
)  # fmt: skip

OUTPUT = (
    click.option(
        "-o", "--output", "outputs", type=click.Path(path_type=Path), multiple=True,
        help=f"File to write, {' '.join(FORMATS)}; give it again for more files. "
        "Without one it is played (start with the volume low): space stops and goes on, + and - "
        "move the tempo, a plays this pass again, h again and again, n and p go to the next and "
        "the previous pass, t to the next tempo, m mutes the phrase, q quits.",
    ),
    soundfont_option,
    voice_option,
    click.option(
        "--rate", type=Choice(RATES),
        help=f"Frames a second; {RATES[0]} if left out, {OPUS_RATE} with an .opus file.",
    ),
    click.option(
        "--bits", type=Choice(BITS), help=f"Of {DEEP} files; {BITS[0]} if left out.",
    ),
    click.option(
        "--stems", type=click.Path(path_type=Path), metavar="DIR",
        help="Folder for a WAV file of each part, of the room and of their sum.",
    ),
    CARD,
    PORT,
    click.option(
        "--resume-count/--no-resume-count", "counts", default=True,
        help="After a stop, count in for a bar before it goes on.",
    ),
    click.option(
        "--pedal", metavar="PORT:NOTE=KEY", envvar="BACKING_PEDAL",
        shell_complete=completing.inputs,
        help="Let a foot pedal on a MIDI input press keys, such as FCB:60=space.",
    ),
)  # fmt: skip

force_option = click.option(
    "--force", is_flag=True, help="Write over a file that this program did not make."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
line_option = click.option(
    "--line", "typed", is_eager=True, metavar="NOTES",
    help="Notes in place of PHRASE, as '| 1 e8 & e5'; their key may stand before: 'E: | 1 e3'.",
)  # fmt: skip


def print_json(answer: object) -> None:
    """Print one JSON object."""
    import json

    click.echo(json.dumps(answer, ensure_ascii=False, allow_nan=False))


def written_files(paths: Iterable[Path]) -> list[dict[str, str]]:
    """Return written files as ``--json`` lists them."""
    return [{"path": str(path), "format": path.suffix.lower()[1:]} for path in paths]


def options_of(*options: Callable[[Any], Any]) -> Callable[[Command], Command]:
    """Return a decorator that adds options to a command, in the order of its help."""

    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def missing(name: str) -> click.MissingParameter:
    """Return the error for a missing argument of the running command."""
    ctx = click.get_current_context()
    param = next(one for one in ctx.command.params if one.name == name)
    return click.MissingParameter(ctx=ctx, param=param)


def given_phrase(phrase: str | None, typed: str | None, key: str | None) -> str:
    """Return the phrase that is meant: a name, ``-`` for standard input, or a line of notes.

    `key` is that of notes that do not say theirs; A if left out.
    """
    if typed is not None:
        if phrase is not None:
            raise click.UsageError("--line is the phrase; leave PHRASE out, or --line")
        from phrases.typed import typed_line

        return typed_line(typed, key or "A")
    if phrase is None:
        raise missing("phrase")
    if phrase != "-":
        return phrase
    from phrases.textfile import LARGEST_FILE
    from phrases.typed import typed_text

    return typed_text(sys.stdin.buffer.read(LARGEST_FILE + 1), key or "A")


def phrase_argument(command: Command, *, own: bool = True) -> Command:
    """Add PHRASE, which may be a line or standard input.

    `own` says whether ``--key`` is the key of notes that do not say theirs.
    """
    inner: Any = command

    @functools.wraps(inner)
    def collected(*, phrase: str | None, typed: str | None, **rest: Any) -> Any:
        key = rest.get("key") if own else None
        return inner(phrase=given_phrase(phrase, typed, key), **rest)

    argument = click.argument(
        "phrase", metavar="[PHRASE]", required=False, shell_complete=completing.phrases
    )
    wrapped: Any = argument(line_option(collected))
    return wrapped  # type: ignore[no-any-return]


def toml_path(ctx: click.Context, param: click.Parameter, path: Path) -> Path:
    """Refuse a phrase file of another suffix."""
    if path.suffix.lower() != ".toml":
        raise click.BadParameter(f"{path}: a phrase file ends in .toml")
    return path


phrase_options = options_of(phrase_argument, *PHRASE)
toml_output = click.option(
    "-o", "--output", required=True, type=click.Path(path_type=Path), callback=toml_path,
    help="Phrase file to write.",
)  # fmt: skip


def setting_options(*, whole: bool) -> Callable[[Command], Command]:
    """Add key, groove, form, swing, count-in and seed; `whole` adds tempo and choruses."""

    def add(command: Command) -> Command:
        @functools.wraps(command)
        def collected(*, tight: bool, loose: bool, looseness: float | None, **rest: Any) -> Any:
            written = looseness is not None and asked(click.get_current_context(), "looseness")
            given = {"--tight": tight, "--loose": loose, "--looseness": written}
            told = [name for name, is_there in given.items() if is_there]
            if len(told) > 1:
                raise click.UsageError(f"{' and '.join(told)} say how loose; keep one of them")
            if looseness is None or tight or loose:
                looseness = TIGHT if tight else LOOSE if loose else USUAL
            return command(looseness=looseness, **rest)

        every = *SETTING[:3], *(WHOLE if whole else ()), *SETTING[3:]
        return options_of(*every)(collected)  # type: ignore[return-value]

    return add


@dataclass(frozen=True, slots=True)
class Wanted:
    """Where a command's result goes: files, a MIDI port or the sound card."""

    # `outputs` and `sound`: files, and how audio is written; without any it is played.
    outputs: tuple[Path, ...]
    sound: AudioSettings
    # `port` and `pedal`: a MIDI output in place of the sound card, and a foot pedal's input.
    port: str | None
    pedal: str | None
    as_json: bool  # whether to print one JSON object
    dry_run: bool = False  # whether only to show the plan
    # The sound card, where it will be played on: it is opened while the piece is made.
    opening: Opening | None = None
    force: bool = False  # whether to write over files that this program did not make
    # `counts` and `hands_free`: as for `backing.live.play.play`: whether a stop is followed by a
    # bar of counting in, and whether one key asks for the pass again.
    counts: bool = True
    hands_free: bool = False


class Asked:
    """The context object by which another command gets a command's stream unplayed."""

    def __init__(self) -> None:
        self.stream: Stream | None = None


def inner_context(
    ctx: click.Context, what: str, words: Iterable[str], obj: object
) -> click.Context:
    """Return the context in which another command is called with its words."""
    command: click.Command = import_module(f"backing.cli.{what}_command").command
    told = (ctx.parent and ctx.parent.default_map) or {}
    name = f"{ctx.command_path} {what}"
    return command.make_context(name, list(words), obj=obj, default_map=told.get(what))


def called(inner: click.Context) -> None:
    """Call the command of a context."""
    with inner:
        inner.command.invoke(inner)


def opened(ctx: click.Context, card: str | None) -> Opening:
    """Begin to open the sound card, for the recorder's ear if there is one."""
    from backing.live.card import Opening

    recorder = ctx.obj
    if recorder is None:
        opening = Opening(None, card or "")
    else:
        opening = Opening(recorder.heard, card or "", recorder.source)
    ctx.call_on_close(opening.abandon)
    return opening


def _check_sound(
    outputs: tuple[Path, ...],
    rate: int | None,
    bits: int | None,
    stems: Path | None,
    soundfont: Path | None,
    voice: str | None,
    port: str | None,
) -> None:
    """Refuse what would change nothing: bits and a rate no file has, a voice nobody hears."""
    kinds = {path.suffix.lower() for path in outputs}
    if not kinds <= set(FORMATS):
        return  # that is the first thing to say, and `check_outputs` says it
    if bits is not None and not any(FORMATS[kind].deep for kind in kinds):
        raise click.UsageError(f"--bits is for {DEEP} files; name one with -o, or leave it out")
    if (
        asked(click.get_current_context(), "soundfont")
        and outputs
        and stems is None
        and kinds == {".mid"}
    ):
        raise click.UsageError(
            "--soundfont is for sound; name a sound file with -o, or leave it out"
        )
    if rate is not None and stems is None and not kinds - {".mid"}:
        raise click.UsageError("--rate is for sound files; name one with -o, or leave it out")
    silent = bool(outputs) and not kinds - {".mid"}
    if voice is not None and stems is None and (silent or port is not None):
        raise click.UsageError("--voice is for sound, which MIDI has none of; leave it out")


def asked(ctx: click.Context, name: str) -> bool:
    """Tell whether an option was written, and is not what the user has set once for all."""
    return ctx.get_parameter_source(name) is ParameterSource.COMMANDLINE


def _each_counted(counted: str | None, written: object) -> str:
    """Return how a plan counts in that is played hands free: in the bar between two passes."""
    if written:
        raise click.UsageError("--hands-free is for playing; leave out -o, or --hands-free")
    if counted == "first":
        raise click.UsageError("--hands-free counts in before each pass; leave out --count")
    return "each"


def output_options(command: Command) -> Command:
    """Add ``-o``, ``--json`` and how audio is made, which the command gets as `wanted`."""

    @functools.wraps(command)
    def collected(
        outputs: tuple[Path, ...],
        soundfont: Path | None,
        voice: str | None,
        rate: int | None,
        bits: int | None,
        stems: Path | None,
        card: str | None,
        port: str | None,
        pedal: str | None,
        as_json: bool,
        dry_run: bool = False,
        force: bool = False,
        counts: bool = True,
        hands_free: bool = False,
        **rest: Any,
    ) -> Any:
        if not dry_run:
            _check_sound(outputs, rate, bits, stems, soundfont, voice, port)
        if force and not (outputs or stems):
            raise click.UsageError("--force is for files; name one with -o, or leave it out")
        sound = AudioSettings(soundfont, rate, bits or BITS[0], stems, voice)
        ctx = click.get_current_context()
        written = bool(outputs or stems)
        if (written or ctx.obj is not None) and not asked(ctx, "port"):  # it is only set once
            port = None
        if written and not asked(ctx, "pedal"):
            pedal = None
        for one, other in (("card", "outputs"), ("card", "stems"), ("card", "port")):
            if asked(ctx, one) and ctx.params.get(other):
                raise click.UsageError("--card is for playing on one; leave it out")
        played = not (outputs or stems or dry_run or as_json or port or isinstance(ctx.obj, Asked))
        opening = opened(ctx, card) if played else None
        if hands_free:
            rest["counted"] = _each_counted(rest.get("counted"), outputs or stems)
        wanted = Wanted(
            outputs, sound, port, pedal, as_json, dry_run, opening, force, counts, hands_free
        )
        return command(wanted=wanted, **rest)

    return options_of(*OUTPUT, force_option, json_option)(collected)  # type: ignore[return-value]
