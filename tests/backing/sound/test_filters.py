from __future__ import annotations

import numpy as np

from backing.sound.filters import filtered
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
