from __future__ import annotations

from pathlib import Path

import numpy as np

from backing.sound.filters import filtered, once
from tests.backing.material import noise


def test_filtered_is_a_convolution() -> None:
    white = noise(5, 5000)
    response = noise(6, 300)
    sound = filtered(white, response, 1024)
    assert sound.shape == (2, 5299)
    for side in range(2):
        np.testing.assert_allclose(
            sound[side], np.convolve(white[side], response[side]), atol=1e-5
        )


def test_what_is_cached_of_a_file_goes_with_it(tmp_path: Path) -> None:
    @once(2)
    def read(path: Path) -> list[str]:
        return [path.read_text()]

    path = tmp_path / "one.sf2"
    path.write_text("old")
    assert read(path) == ["old"]
    assert read(path) is read(path)
    path.write_text("newer")
    assert read(path) == ["newer"]
