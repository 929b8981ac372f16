"""Positions over all distances that are possible: they hold the truth as stated, and count every place that fits."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from acoustics.base.frames import direction
from acoustics.estimate.position import Fix, locate_source, mixed
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import difference_matrix, spherical_time

C = 1480.0
VOLUME = 0.3 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, -1, 1], [-1, 1, -1], [0.3, 0.2, -0.5]])


def drawn(hydrophones, noise_s, *, n, farthest_m, seed, depth_sd_m=None):
    """Fixes of sources all round, as likely at each ratio of distances from 1 m on, beside where they are."""
    rng = np.random.default_rng(seed)
    distance = np.exp(rng.uniform(0.0, np.log(farthest_m), n))
    source = distance[:, None] * direction(rng.uniform(-np.pi, np.pi, n), rng.uniform(0.2, 0.7, n))
    moved = hydrophones + 1e-3 * rng.normal(size=(n, *hydrophones.shape))
    differences = difference_matrix(len(hydrophones))
    noise = noise_s * rng.normal(size=(n, len(hydrophones)))
    delays = Tdoa((spherical_time(moved, source, C) + noise) @ differences.T, noise_s**2 * differences @ differences.T)
    known = {}
    if depth_sd_m is not None:
        known = {"source_depth_m": source[:, 2] + depth_sd_m * rng.normal(size=n), "source_depth_sd_m": depth_sd_m}
    fix = partial(locate_source, delays, hydrophones, C, element_sd_m=1e-3, nearest_m=1.0, **known)
    return source, fix(farthest_m=farthest_m), fix()


def held(fix, source):
    """Share of the positions given whose 95 % ellipse on the map holds the source, and how many are given."""
    off = (fix.position_m - source)[fix.ok, :2]
    covariance = fix.covariance_m2[fix.ok][:, :2, :2]
    square = np.einsum("ti,ti->t", off, np.linalg.solve(covariance, off[..., None])[..., 0])
    return np.mean(square < 5.991), len(off)


@pytest.mark.slow
@pytest.mark.parametrize("depth_sd_m", [None, 0.2])
def test_positions_over_all_distances_hold_the_truth_as_stated(depth_sd_m):
    source, over_all, likeliest = drawn(0.4 * VOLUME, 2e-7, n=3000, farthest_m=40.0, seed=5, depth_sd_m=depth_sd_m)
    share, count = held(over_all, source)
    # Three standard errors of the count; and ellipses of skewed distributions, by moments, hold a little more.
    error = 3 * np.sqrt(0.95 * 0.05 / count)
    assert count > 300 and 0.95 - error - 0.01 < share < 0.985 + error
    assert held(likeliest, source)[0] < share, "the likeliest place alone forgets the far end"


def test_a_second_place_that_fits_counts():
    # Four hydrophones: two places fit (Chan and Ho 1994), and without a prior the more distant one is given.
    source, over_all, likeliest = drawn(0.4 * VOLUME[:4], 1e-8, n=200, farthest_m=10.0, seed=2)
    off, sd = np.linalg.norm(likeliest.position_m - source, axis=-1), np.sqrt(np.trace(likeliest.covariance_m2.T))
    astray = likeliest.ok & (off > 6.0 * sd)
    assert astray.any()
    spread = np.sqrt(np.trace(over_all.covariance_m2.T))
    caught = ~over_all.ok | (np.linalg.norm(over_all.position_m - source, axis=-1) < 6.0 * spread)
    assert caught[astray].all()


def test_a_mixture_of_fixes_spans_them():
    at = np.array([[4.0, 0.0, 0.0], [5.0, 0.0, 0.0], [np.nan, 0.0, 0.0]])
    one = Fix(
        at, np.broadcast_to(0.01 * np.eye(3), (3, 3, 3)), np.ones(3), 1, np.ones(3), np.ones(3, bool), np.full(3, "")
    )
    both = mixed(one, [0.75, 0.25, 0.5], VOLUME)
    # The moments of two points, by hand: mean 4.25, variance 3/16.
    assert both.ok and both.position_m == pytest.approx([4.25, 0.0, 0.0])
    assert np.diagonal(both.covariance_m2) == pytest.approx([0.01 + 3 / 16, 0.01, 0.01])
    apart = mixed(one, [1.0, 0.0, 0.0], VOLUME)
    assert apart.covariance_m2 == pytest.approx(0.01 * np.eye(3))
