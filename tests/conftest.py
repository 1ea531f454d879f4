"""What every test shares: one soundfont, whatever the machine has."""

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
