"""One film for what is seen and heard in it and for what plays it."""

from __future__ import annotations

import pytest

from backing import pieces
from backing.film.shape import SIZES, shape
from tests.backing.film.material import ALONE, HARD, PHRASE, Made, filmed


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return a film of a guitar alone."""
    passes = 1120 if HARD else 2  # an hour
    stream = pieces.loop(PHRASE, goal=150, shape="hold", passes=passes, **ALONE)
    return filmed(stream, tmp_path_factory.mktemp("film") / "gate.mp4", shape(SIZES[0]), 25)
