"""What every test shares: one soundfont, whatever the machine has, and no sound card."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest


def wheel_soundfont() -> Path:
    spec = find_spec("pretty_midi")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "TimGM6mb.sf2"


@pytest.fixture(scope="session")
def soundfont() -> Path:
    return wheel_soundfont()


@pytest.fixture(scope="session", autouse=True)
def _one_soundfont() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BACKING_SOUNDFONT", str(wheel_soundfont()))
        yield


@pytest.fixture(autouse=True)
def _no_sound_card(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep a command that is tried in this process from opening the machine's sound card.

    What is really played runs in processes of its own.
    """
    monkeypatch.setattr("backing.cli.options._opening", lambda ctx: None)
