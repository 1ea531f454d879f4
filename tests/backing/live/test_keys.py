from __future__ import annotations

import contextlib
import os
import pty
import sys
import termios

import pytest

from backing.live.keys import KEYS, HangUpError, Keyboard, actions
from backing.live.pedal import PEDAL_KEYS
from backing.live.transport import ACTIONS


def test_every_action_has_a_key() -> None:
    assert set(KEYS.values()) == {*ACTIONS, "quit"} == set(PEDAL_KEYS.values())


@pytest.mark.parametrize(
    ("typed", "asked"),
    [
        (" +-npmq", ["stop", "faster", "slower", "next", "previous", "mute", "quit"]),
        ("N=_", ["next", "faster", "slower"]),
        ("xyz", []),
        ("\x1b[1;5C\x1bOP\x1b", []),
        ("aHt", ["again", "hold", "tempo"]),
        # ECMA-48 and xterm's keys; page turners send arrows, page keys or enter.
        ("\x1b[A\x1bOB", ["faster", "slower"]),
        ("\x1b[C\x1b[6~\x1b[D\x1b[5~", ["next", "next", "previous", "previous"]),
        ("\n", ["stop"]),
        ("\xe0H\xe0Q", ["faster", "next"]),  # Windows (getwch)
        ("\x1bn ", ["stop"]),
    ],
)
def test_typed(typed: str, asked: list[str]) -> None:
    assert actions(typed) == asked


def test_without_a_terminal_there_are_no_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    with Keyboard() as keyboard:
        assert keyboard.read(0.0) == []


def test_the_terminal_is_put_back_and_its_end_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        monkeypatch.setattr(os, "tcgetpgrp", lambda _: os.getpgrp())
        before = termios.tcgetattr(slave)
        with contextlib.suppress(ZeroDivisionError), Keyboard() as keyboard:
            os.write(master, b"n")
            assert keyboard.read(1.0) == ["next"]
            assert termios.tcgetattr(slave) != before
            raise ZeroDivisionError
        assert termios.tcgetattr(slave) == before
        with Keyboard() as keyboard:
            os.close(master)
            # Linux gives an end of file or an error; both end it.
            with contextlib.suppress(HangUpError):
                assert keyboard.read(0.1) == []
                assert keyboard._ended


def test_control_c_leaves_what_was_typed_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A key that was seen and then gone would have its reader wait for another."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        monkeypatch.setattr(os, "tcgetpgrp", lambda _: os.getpgrp())
        with Keyboard() as keyboard:
            os.write(master, b"n\x03")
            assert keyboard.read(1.0) == ["next"]
    os.close(master)


def test_in_the_background_no_keys_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        monkeypatch.setattr(os, "tcgetpgrp", lambda _: os.getpgrp() + 1)
        before = termios.tcgetattr(slave)
        with Keyboard() as keyboard:
            assert keyboard.read(0.0) == []
            assert termios.tcgetattr(slave) == before
    os.close(master)
