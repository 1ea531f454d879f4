"""A stream played live: the output, the keys, the pedal and the screen together.

Signals only leave a note here and the loop acts on it, so that ending is never interrupted: the
output is silenced and closed first, then the terminal is put back.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from backing.cautions import LOUD
from backing.events import Stream
from backing.live.index import StreamIndex
from backing.live.keys import HangUpError, Keyboard
from backing.live.pedal import Pedal
from backing.live.screen import Painter, picture
from backing.live.sender import Sender
from backing.live.tab import Follower
from backing.live.transport import Where
from backing.tempo import clock_time
from phrases.phrase import Phrase

if TYPE_CHECKING:
    from backing.live.card import Card, Opening

__all__ = ["Taker", "play"]

LOST = "the pedal has gone; the keys of the keyboard go on working"
FRAME = 0.04  # seconds from one picture to the next
SWITCH = 0.001  # seconds; the sound must not wait for the screen
HANG_UP = 129


def play(
    stream: Stream,
    *,
    soundfont: str | Path | None = None,
    port: str | None = None,
    pedal: str | None = None,
    phrase: Phrase | None = None,
    recorder: Taker | None = None,
    opening: Opening | None = None,
    counts: bool = True,
    asks: bool = False,
    card: str = "",
) -> None:
    """Play a stream to its end, or until it is stopped.

    Where standard output is a terminal it shows where one is; otherwise one line on standard error
    says what is played. Where standard input is a terminal, keys are read from it. A stream of
    which one pass is kept goes round until it is stopped.

    The soundfont is for the sound card, None looks for one; `card` is one of `backing list cards`
    or a part of its name, the usual one if empty. The port is a MIDI output in place of it, one of
    `backing.live.ports.outputs` or a part of its name; the pedal a MIDI input as for
    `backing.live.pedal.read_pedal`. The phrase, as played, shows its tab. The recorder hears what
    comes in on the sound card meanwhile, not with a port; `opening` is the sound card if it is
    being opened already, for the recorder's ear if there is one. `counts` and `asks` are as for
    `backing.live.transport.Transport`.

    LiveError if there is no output, or it goes away; AudioError or SoundfontError if sound cannot
    be made here; KeyboardInterrupt after Ctrl-C, and SystemExit after SIGTERM or a closed
    terminal: all is silent by then.
    """
    with _signals() as caught, contextlib.ExitStack() as stack:
        asked: list[str] = []
        ways = {"counts": counts, "asks": asks, "round": stream.window is not None}
        if stream.window is not None:  # its end rings into its start
            first = stream.sections[stream.window[0]]
            alone = replace(first, start=Fraction(0), first_beat=Fraction(0))
            stream = replace(stream, sections=(alone,), window=None)
        score = StreamIndex(stream)
        feet = None if pedal is None else Pedal(pedal, asked.append)
        if feet is not None:
            stack.callback(feet.close)
        output: _Output = (
            _sound(soundfont, recorder, opening, stack, ways, card)
            if port is None
            else Sender(port, **ways)
        )
        if recorder is not None:
            stack.callback(recorder.finish)
        stack.callback(output.close)
        stack.enter_context(_eager())
        _announce(
            stream, output.name, ways["round"]
        )  # before any thread that keeps standard error quiet
        output.start(score)
        try:
            _follow(stream, output, score, asked, caught, phrase, recorder, feet)
        except HangUpError:
            raise SystemExit(HANG_UP) from None
    if caught:
        if caught[0] == signal.SIGINT:
            raise KeyboardInterrupt
        raise SystemExit(128 + caught[0])


class Taker(Protocol):
    """Who records while a stream is played."""

    def opened(self, card: Card) -> None:
        """Get ready: the sound card is open and has not started."""

    def heard(self, block: Any, frame: int) -> None:
        """Take what came in with the frame that went out, in the audio thread."""

    @property
    def tail(self) -> int:
        """Frames that are recorded on after the last one that goes out."""

    def played(self, block: Any) -> None:
        """Take the next frames that go out, shape (frames, 2), from the first on."""

    def told(self, history: Any) -> None:
        """Take the list, which grows, of what begins and dies away on which frame."""

    def line(self) -> str:
        """Return a line for the screen."""

    def check(self) -> None:
        """Raise what went wrong while recording."""

    def finish(self) -> None:
        """End: the sound card is closed."""


class _Output(Protocol):
    """What `backing.live.sound.Playback` and `backing.live.sender.Sender` have in common."""

    name: str

    def start(self, score: StreamIndex) -> None: ...
    def where(self) -> Where: ...
    def do(self, action: str) -> None: ...
    @property
    def finished(self) -> bool: ...
    def check(self) -> None: ...
    def close(self) -> None: ...


def _sound(
    soundfont: str | Path | None,
    recorder: Taker | None,
    opening: Opening | None,
    stack: contextlib.ExitStack,
    ways: dict[str, bool],
    card: str,
) -> _Output:
    from backing.live.card import Opening

    opening = opening or Opening(None if recorder is None else recorder.heard, card)
    try:
        from backing.sound.fluid import check_audio, read_ahead
        from soundfonts import find_soundfont

        font = find_soundfont(soundfont).path
        check_audio()
        read_ahead(font, 1)  # while what follows is loaded
        from backing.live.sound import Playback
    except BaseException:
        opening.abandon()
        raise
    opened = opening.card()
    if recorder is not None:
        recorder.opened(opened)
    sound = Playback(font, opened, recorder, **ways)
    stack.callback(sound.tell)  # once the terminal is put back
    return sound


def _follow(
    stream: Stream,
    output: _Output,
    score: StreamIndex,
    asked: list[str],
    caught: list[int],
    phrase: Phrase | None,
    recorder: Taker | None,
    feet: Pedal | None,
) -> None:
    """Show, and pass on what is asked for, until the end."""
    title = f"{stream.title} in {stream.key}"
    follower = Follower(score, phrase) if phrase is not None else None
    with contextlib.ExitStack() as stack:
        keyboard = stack.enter_context(Keyboard())
        painter = stack.enter_context(Painter()) if _has_screen() else None
        stack.callback(output.close)  # silence comes before the terminal
        gone = False
        while not output.finished and not caught:
            output.check()
            if recorder is not None:
                recorder.check()
            lost = feet is not None and not feet.there()
            if lost and not gone:
                stack.callback(_say, f"note: {LOST}")
            gone = lost
            where = output.where()
            if painter is not None:
                width, height = painter.size()
                tab = None
                if follower is not None:
                    tab = follower.tab(where.section, where.place, width)
                painter.paint(
                    picture(
                        title,
                        where,
                        tab,
                        output=output.name,
                        width=width,
                        height=height,
                        more=[
                            *([recorder.line()] if recorder is not None else []),
                            *([LOST] if gone else []),
                        ],
                    )
                )
            pressed = keyboard.read(FRAME)
            while asked:
                pressed.append(asked.pop(0))
            for action in pressed:
                if action == "quit":
                    return
                output.do(action)
        output.check()


def _announce(stream: Stream, where: str, round_: bool) -> None:
    """Say what is played, and where."""
    once = clock_time(float(stream.seconds))
    length = "round and round until you stop it" if round_ else once
    _say(f"playing {stream.title} in {stream.key}, {length}, on {where}. {LOUD}")


def _say(line: str) -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        print(line, file=sys.stderr, flush=True)


def _has_screen() -> bool:
    try:
        return sys.stdout.isatty() and os.environ.get("TERM") not in (None, "", "dumb")
    except (AttributeError, ValueError):
        return False


@contextlib.contextmanager
def _eager() -> Iterator[None]:
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH)
    try:
        yield
    finally:
        sys.setswitchinterval(before)


@contextlib.contextmanager
def _signals() -> Iterator[list[int]]:
    """Note the signals that end a program, but those that it was started to ignore."""
    caught: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield caught
        return

    def note(number: int, _frame: object) -> None:
        caught.append(number)

    before = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) != signal.SIG_IGN:
            before[number] = signal.signal(number, note)
    try:
        yield caught
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
