"""Backing tracks and practice loops for blues guitar, in MIDI and audio.

>>> import backing
>>> piece = backing.track(key="Bb", groove="shuffle", choruses=2)
>>> backing.write(piece, ["out/bb.mid", "out/bb.wav"])  # doctest: +SKIP

The names below are loaded when they are first used. Whatever goes wrong is a `BluesError`; where
nobody foresaw it, the cause stands behind it.
"""

from __future__ import annotations

from functools import wraps
from importlib import import_module
from typing import TYPE_CHECKING, Any

from phrases.kinds import SOURCES

if TYPE_CHECKING:
    from backing.events import Stream
    from backing.live.play import play
    from backing.notebook import shown
    from backing.output import write
    from backing.pieces import demo, loop, track, trade
    from phrases import BluesError, load_phrase

__all__ = [
    "BluesError", "Stream", "__version__", "demo", "load_phrase", "loop", "play", "shown", "track",
    "trade", "write",
]  # fmt: skip

__version__: str

_HOME = {
    "BluesError": "phrases.errors",
    "Stream": "backing.events",
    "demo": "backing.pieces",
    "load_phrase": "phrases.files",
    "loop": "backing.pieces",
    "play": "backing.live.play",
    "shown": "backing.notebook",
    "track": "backing.pieces",
    "trade": "backing.pieces",
    "write": "backing.output",
}


# Where the kinds of file besides a phrase are declared.
SOURCES += [
    "backing.lesson.lesson",
    "backing.grooves.groove",
    "backing.forms.form",
    "backing.practice.plan",
]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("porchband")
    if name not in _HOME:
        raise AttributeError(f"module 'backing' has no attribute {name!r}")
    found = getattr(import_module(_HOME[name]), name)
    return found if isinstance(found, type) else _named(found)


def _named(call: Any) -> Any:
    """Return a function whose failures that nobody foresaw have a name."""

    @wraps(call)
    def named(*words: Any, **more: Any) -> Any:
        from phrases.errors import BluesError

        try:
            return call(*words, **more)
        except (BluesError, TypeError):  # the latter is of who calls it
            raise
        except Exception as error:
            from phrases import failures

            raise failures.named(error, f"backing.{call.__name__}") from error

    return named
