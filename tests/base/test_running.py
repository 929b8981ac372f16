"""The least of neighbouring values, against scipy.ndimage."""

import numpy as np
import pytest
from scipy.ndimage import minimum_filter1d

from acoustics.base.running import running_minimum


@pytest.mark.parametrize("width", [1, 2, 3, 7, 8, 9, 61])
def test_running_minimum_is_that_of_a_filter(width):
    values = np.random.default_rng(1).normal(size=(3, 61))
    expected = minimum_filter1d(values, width, axis=-1)[:, width // 2 : width // 2 + 62 - width]
    np.testing.assert_array_equal(running_minimum(values, width), expected)
