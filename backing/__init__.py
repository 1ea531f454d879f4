"""Backing tracks and practice loops for blues guitar, in MIDI and audio.

>>> import backing
>>> piece = backing.track(key="Bb", groove="shuffle", choruses=2)
>>> backing.write(piece, ["out/bb.mid", "out/bb.wav"])  # doctest: +SKIP

The names below are loaded when they are first used.
"""

from __future__ import annotations

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
    "BluesError",
    "Stream",
    "__version__",
    "demo",
    "load_phrase",
    "loop",
    "play",
    "shown",
    "track",
    "trade",
    "write",
]

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
    return getattr(import_module(_HOME[name]), name)
