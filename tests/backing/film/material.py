"""A film of a guitar alone, with the sound that its encoder was given."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from backing.events import Stream
from backing.film.shape import Shape
from backing.film.write import film
from phrases.files import read_phrase

__all__ = ["ALONE", "HARD", "PHRASE", "Made", "filmed"]

HARD = bool(os.environ.get("HARD"))

# Short notes between rests, so that each is heard to begin.
PHRASE = read_phrase("""
title = "Gate <b>latch</b> & #hinge"
key = "A"
groove = "shuffle"
tempo = 150
[[part]]
role = "call"
notes = '| 1 G7 & . 2& B5 3 . 4 e5 & .'
[[part]]
role = "response"
notes = '| 1 e8 & . 3 B5 & .'
[[tip]]
at = "call 1 1"
text = "Let *both* notes stop & ring: <i>no</i> more."
""")
ALONE: Any = {"without": ("drums", "bass", "comp"), "looseness": 0.0}


@dataclass(frozen=True)
class Made:
    """A film, what it was made from, and the sound that its encoder was given."""

    path: Path
    stream: Stream
    shape: Shape
    fps: int
    pcm: NDArray[np.int16]


def filmed(stream: Stream, path: Path, size: Shape, fps: int, **words: Any) -> Made:
    av = pytest.importorskip("av")
    given: list[NDArray[np.int16]] = []
    kept = av.AudioFrame.from_ndarray

    class Frame:
        @staticmethod
        def from_ndarray(array: NDArray[np.int16], **more: Any) -> Any:
            given.append(array.reshape(-1, 2).copy())
            return kept(array, **more)

    with pytest.MonkeyPatch.context() as patch:
        if not HARD:  # an hour is much to keep
            patch.setattr(av, "AudioFrame", Frame)
        film(stream, path, size, fps, **words)
    return Made(path, stream, size, fps, np.concatenate([np.zeros((0, 2), np.int16), *given]))
