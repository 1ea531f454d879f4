"""Nothing overlaps on random pages as dense as the phrase language allows."""

from __future__ import annotations

import pytest

from tests.backing.sheet.dense import page
from tests.backing.sheet.overlaps import clashes
from tests.hard.material import number_of

SHORT = 3
BATCH = 50
# Measured over seeds 0 to 1009: 18 pages, none of them under 300, 5 of them in one batch. Where
# slides lead across each other, or a bar has more in it than the smallest print has room for, one
# line is left that touches another.
LEFT = 5


def overlapping(seed: int) -> list[str]:
    return [clash for picture in page(seed) for clash in clashes(picture)]


@pytest.mark.parametrize("seed", range(SHORT))
def test_nothing_overlaps_on_a_dense_page(seed: int) -> None:
    assert overlapping(seed) == []


@pytest.mark.parametrize("first", range(SHORT, number_of(0, 1000), BATCH))
def test_hardly_any_of_many_dense_pages_has_an_overlap(first: int) -> None:
    found = {seed: overlapping(seed) for seed in range(first, first + BATCH)}
    assert len([seed for seed, clash in found.items() if clash]) <= LEFT, found
