"""Steps with the shared errors eliminated among the delays, beside the whole system solved at once."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.estimate.fuse.information import solved


@pytest.mark.parametrize("delays", [3, 12, 40], ids=["one ping", "some", "more than unknowns"])
def test_equals_the_whole_system(delays):
    rng = np.random.default_rng(7)
    runs, size = 5, 27
    rows = rng.standard_normal((runs, delays, size)) * 10.0 ** rng.uniform(-2.0, 2.0, size)  # some errors weigh little
    known = np.diag([1e-10, 1e-10, 25.0])  # of a source of which but the depth is known
    source = known + np.eye(3) * rng.uniform(0.0, 1e-3, runs)[:, None, None]  # damped, or hardly
    shared, sides = 1.0 + rng.uniform(0.0, 3.0, runs), rng.standard_normal((runs, size, 2))
    beyond = np.zeros((runs, size, size))
    beyond[:, :3, :3] = source
    beyond[:, range(3, size), range(3, size)] = shared[:, None]
    found = solved(rows, source, shared, sides)
    whole = np.swapaxes(rows, -1, -2) @ rows + beyond
    # The residuals of the whole system, for rounding in its solution is as large as that in `solved`.
    np.testing.assert_allclose(whole @ found, sides, rtol=0, atol=1e-7)
