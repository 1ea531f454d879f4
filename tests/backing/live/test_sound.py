from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from backing.live import sound as module
from backing.live.index import StreamIndex
from backing.live.reel import HOP, Renderer
from backing.live.sound import AHEAD, FADE, MUTE, Playback
from backing.sound.filters import Samples
from backing.sound.fluid import AudioError
from tests.backing.live.material import clicks, held, two_bars
from tests.waiting import PATIENCE, until

RATE = 48000


class Card:
    """A sound card that asks when it is told to."""

    name, rate, latency, lost = "nothing", RATE, 0.0, False

    def __init__(self) -> None:
        self.fill: Callable[[Samples], None]
        self.heard: list[Samples] = []
        self.closed = False

    def start(self, fill: Callable[[Samples], None]) -> None:
        self.fill = fill

    def ask(self, frames: int = 256) -> None:
        out = np.full((frames, 2), 9.0, np.float32)
        self.fill(out)
        self.heard.append(out)

    def now(self) -> float:
        return sum(map(len, self.heard)) / RATE

    def check(self) -> None:
        pass

    def close(self) -> bool:
        self.closed = True
        return True


class Listener:
    tail = 0

    def __init__(self) -> None:
        self.blocks: list[Samples] = []

    def told(self, history: Any) -> None:
        self.history = history

    def played(self, block: Samples) -> None:
        self.blocks.append(block)


def begun(stream: Any, soundfont: Path, listener: Any = None) -> tuple[Playback, Any]:
    card: Any = Card()
    sound = Playback(soundfont, card, listener)
    sound.start(StreamIndex(stream))
    return sound, card


def wait(sound: Playback, seconds: float = AHEAD / 2) -> None:
    """Wait until so much is ready."""

    def ready() -> bool:
        sound.check()
        return sound._made - sound._sent >= seconds * RATE or sound._done

    until(ready, step=0.001)


def test_the_callback_hands_out_what_is_rendered_to_the_end(soundfont: Path) -> None:
    listener = Listener()
    sound, card = begun(two_bars(), soundfont, listener)
    while not sound.finished:
        wait(sound)
        card.ask(333)
    renderer = Renderer(StreamIndex(two_bars()), soundfont, RATE)
    blocks = []
    while not renderer.over:
        blocks.append(renderer.block())
    wanted = np.concatenate(blocks)
    heard = np.concatenate(card.heard)
    assert np.array_equal(heard[: len(wanted)], wanted)
    assert not heard[len(wanted) :].any()
    assert np.array_equal(np.concatenate(listener.blocks), wanted)
    assert sound.missed == 0
    sound.close()
    assert card.closed


def test_what_comes_too_late_is_left_out_and_time_goes_on(
    soundfont: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plain, plain_card = begun(two_bars(), soundfont)
    while plain_card.now() < 1.0:
        wait(plain)
        plain_card.ask()
    plain.close()
    sound, card = begun(two_bars(), soundfont)
    kept = Renderer.mixes
    stuck, free = threading.Event(), threading.Event()

    def slow(self: Renderer) -> Samples:
        stuck.set()
        assert free.wait(PATIENCE)
        return kept(self)

    wait(sound)
    monkeypatch.setattr(Renderer, "mixes", slow)
    while not stuck.is_set() or sound._made > sound._sent:
        if sound._made > sound._sent:
            card.ask()
    for _ in range(20):
        card.ask()  # nothing is ready
    assert not card.heard[-1].any()
    assert sound.missed > 0
    late = len(card.heard)
    monkeypatch.setattr(Renderer, "mixes", kept)
    free.set()
    while card.now() < 1.0:
        wait(sound)
        card.ask()
    heard, wanted = np.concatenate(card.heard), np.concatenate(plain_card.heard)
    assert np.array_equal(heard[late * 256 :], wanted[late * 256 : len(heard)])
    sound.close()
    sound.tell()
    assert "came too late" in capsys.readouterr().err


def test_where_is_what_is_heard_and_not_what_is_rendered(soundfont: Path) -> None:
    sound, card = begun(clicks(3, 1, 240), soundfont)
    names = []
    while card.now() < 1.5:
        wait(sound)
        card.ask()
        names.append((card.now(), sound.where().name[:6], sound.where().bar))
    first = next(at for at, name, _ in names if name == "Pass 2")
    assert first == pytest.approx(1.0, abs=0.03)
    sound.close()


def test_muting_is_heard_at_once_and_without_a_click(soundfont: Path) -> None:
    sound, card = begun(held(), soundfont)
    fade = round(MUTE * RATE)
    for asked in (40, 80):
        while len(card.heard) < asked:
            wait(sound)
            card.ask()
        sound.do("mute")
        assert sound.where().muted == (asked == 40)
    while len(card.heard) < 120:
        wait(sound)
        card.ask()
    heard = np.concatenate(card.heard)
    renderer = Renderer(StreamIndex(held()), soundfont, RATE)
    made = [renderer.mixes() for _ in range(len(heard) // HOP + 2)]
    full, alone = np.concatenate(made, axis=1)[:, : len(heard)]
    off, on = 40 * 256, 80 * 256
    assert np.array_equal(heard[:off], full[:off])
    assert np.array_equal(heard[off + fade : on], alone[off + fade : on])
    assert np.array_equal(heard[on + fade :], full[on + fade :])
    for at in (off, on):
        steps = np.abs(np.diff(heard[at - 1 : at + fade + 1], axis=0)).max()
        assert steps < np.abs(np.diff(full[:on], axis=0)).max()  # no larger than the music's own
        assert steps < 0.5 * np.abs(full - alone).max()
    sound.close()


def test_closing_fades_out(soundfont: Path) -> None:
    sound, card = begun(held(), soundfont)
    for _ in range(40):
        wait(sound)
        card.ask()
    assert np.abs(card.heard[-1]).max() > 0.01
    wait(sound)
    sound._fading = 0
    count = len(card.heard)
    for _ in range(20):
        card.ask()
    last = np.concatenate(card.heard[count:])
    fade = round(FADE * RATE)
    assert np.abs(last[:200]).max() > 0.01
    assert not last[fade:].any()
    sound.close()


def test_what_goes_wrong_while_rendering_is_raised(
    soundfont: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound, _ = begun(held(), soundfont)

    def broken(self: Renderer) -> Samples:
        raise ZeroDivisionError("sound")

    monkeypatch.setattr(Renderer, "mixes", broken)
    sound._sent = sound._made
    with pytest.raises(ZeroDivisionError, match="sound"):
        until(sound.check)
    sound.close()


def test_a_file_that_is_no_soundfont_is_told(tmp_path: Path) -> None:
    bad = tmp_path / "bad.sf2"
    bad.write_bytes(b"RIFF....")
    with pytest.raises(AudioError, match="cannot load this soundfont"):
        begun(replace(two_bars(), voice="soundfont"), bad)


def test_it_looks_ahead_no_further_than_it_must(
    soundfont: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound, _ = begun(held(), soundfont)
    made: list[int] = []
    wait = sound._ending.wait

    def nap(seconds: float) -> bool:
        made.append(sound._made)
        return wait(seconds)

    monkeypatch.setattr(sound._ending, "wait", nap)
    until(lambda: len(made) > 5)  # it has looked so often whether there is more to do
    assert made == made[:1] * len(made)
    assert module.AHEAD * RATE <= made[0] < (module.AHEAD + 0.1) * RATE
    sound.close()
