"""What several tests of the desk share."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest

from tests.backing.desk.material import PORCH, Served


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A desk on a folder with one phrase, which knows who asks."""
    folder = tmp_path_factory.mktemp("lessons")
    shutil.copy(PORCH, folder / "porch.toml")
    with Served(folder, tmp_path_factory.mktemp("home")) as served:
        served.enter()
        yield served
