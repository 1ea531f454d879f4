from __future__ import annotations

import pytest

from backing.live.errors import LiveError
from backing.live.pedal import Pedal, read_pedal
from phrases.errors import BluesError, ChoiceError


@pytest.mark.parametrize(
    ("text", "port", "notes"),
    [
        ("FS-1", "FS-1", {}),
        ("FS-1:FS-1 MIDI 1 20:0", "FS-1:FS-1 MIDI 1 20:0", {}),
        ("FS-1:60=space", "FS-1", {60: "stop"}),
        ("a:b 20:0:60=n,62=q", "a:b 20:0", {60: "next", 62: "quit"}),
        ("FS-1:1=+, 2=-", "FS-1", {1: "faster", 2: "slower"}),
    ],
)
def test_pedals_are_read(text: str, port: str, notes: dict[int, str]) -> None:
    assert read_pedal(text) == (port, notes)


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("a:60=spce", ChoiceError, '"spce" is not a key; did you mean "space"?'),
        ("a:128=q", LiveError, '"128=q" after the pedal: write NOTE=KEY, the note 0 to 127'),
        ("a:60=q,x=n", LiveError, '"x=n" after the pedal'),
    ],
)
def test_what_is_wrong_with_a_pedal_is_told(text: str, kind: type[BluesError], said: str) -> None:
    with pytest.raises(kind) as raised:
        read_pedal(text)
    assert said in str(raised.value)


def heard(notes: dict[int, str], *events: list[int]) -> list[str]:
    asked: list[str] = []
    pedal = Pedal.__new__(Pedal)
    pedal._notes, pedal._tell = notes, asked.append
    for data in events:
        pedal._heard((data, 0.0))
    return asked


def test_any_note_or_switch_stops_where_none_is_named() -> None:
    down, up = [0x90, 30, 100], [0x90, 30, 0]
    assert heard({}, down, up, [0x80, 30, 0]) == ["stop"]
    assert heard({}, [0xB0, 64, 127], [0xB0, 64, 0], [0xB0, 7, 127], [0xFE]) == ["stop"]


def test_only_the_named_notes_are_heard() -> None:
    assert heard({60: "next"}, [0x91, 60, 1], [0x90, 61, 100], [0xB0, 64, 127]) == ["next"]
