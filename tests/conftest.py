"""What every test shares: one soundfont, no sound card, no deadlines, and what runs alone."""

from __future__ import annotations

import gc
import os
import re
import signal
import sys
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import hypothesis
import pytest

from phrases.failures import RAISED

# A busy machine is slow, not wrong. In CI an example that fails must fail in the next run too;
# at a desk each run tries others, in `make hard` many more.
MANY = 1000 if os.environ.get("HARD") else 30
hypothesis.settings.register_profile("desk", deadline=None, max_examples=MANY)
hypothesis.settings.register_profile(
    "ci", deadline=None, max_examples=MANY, derandomize=True, print_blob=True
)
# Else each process that a test starts would compile all that it imports.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
os.environ["BACKING_CONFIG"] = os.devnull + "/config.toml"  # what is set here is not tested
hypothesis.settings.load_profile("ci" if os.environ.get("CI") else "desk")

# Fixtures whose tests hear or play in real time, and in which process: a JACK server's, or one of
# two with browsers.
REAL_TIME = {
    "jack": "jack", "other_jack": "jack", "heard_page": "page", "odd_page": "page",
    "led_page": "page", "firefox": "ear", "ear": "ear",
}  # fmt: skip
LIVE = re.compile(r"LIVE := .* -m live (.*)")


if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:  # as behind nohup: commands would inherit it
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what plays in real time, which `make test` runs by itself: one server, one browser."""
    for item in items:
        plays = [
            REAL_TIME[name] for name in getattr(item, "fixturenames", ()) if name in REAL_TIME
        ]
        if plays:
            assert in_live_lane(item.path), f"{item.path}: LIVE in the Makefile does not run it"
            item.add_marker("live")
            item.add_marker(pytest.mark.xdist_group(plays[0]))


def pytest_collection_finish() -> None:
    """Look for garbage among what tests make only: the rest would take a tenth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """See that groups reach their process: each would start a server and browsers of its own."""
    alone = getattr(item.config.option, "loadgroup", False) and "@" not in item.nodeid
    assert not (alone and item.get_closest_marker("xdist_group")), "pytest-xdist does not group"


def in_live_lane(path: Path) -> bool:
    top = Path(__file__).parents[1]
    if not (top / "Makefile").exists():
        return True
    found = LIVE.search((top / "Makefile").read_text(encoding="utf-8").replace("\\\n", " "))
    assert found
    return any(path.is_relative_to(top / name) for name in found[1].split())


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
        patch.setenv(RAISED, "1")  # a fault is a failure of the test that met it
        yield


@pytest.fixture(scope="module", autouse=True)
def _forgotten(request: pytest.FixtureRequest) -> Iterator[None]:
    """Let go of what a module has kept of its own: pieces, sounds, files."""
    yield
    for one in vars(request.module).values():
        if getattr(one, "__module__", "").startswith("tests.") and hasattr(one, "cache_clear"):
            one.cache_clear()


@pytest.fixture(autouse=True)
def _no_sound_card(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep a command that is tried in this process from opening the machine's sound card.

    What is really played runs in processes of its own.
    """
    monkeypatch.setattr("backing.cli.options.opened", lambda ctx, card: None)
