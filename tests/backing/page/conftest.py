"""One browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from backing.page.page import render_page
from tests.backing.page.browser import Browser, missing
from tests.backing.page.material import small
from tests.backing.page.opened import fresh


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    why = missing()
    if why:
        pytest.skip(why)
    with Browser(tmp_path_factory.mktemp("profile")) as browser:
        yield browser


@pytest.fixture(scope="session")
def small_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "answered.html"
    path.write_text(render_page(small()), encoding="utf-8")
    return path


@pytest.fixture
def page(chromium: Browser, small_page: Path) -> Browser:
    """The small page, opened as for the first time."""
    return fresh(chromium, small_page)
