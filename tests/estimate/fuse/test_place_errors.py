"""Places that were measured each by itself, beside dead-reckoned ones: exact geometry, a closed form, simulated runs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from acoustics.base.frames import Pose
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import fuse_pings
from acoustics.estimate.fuse.run import PingRun, Track
from acoustics.physics.error_model import ErrorSizes
from acoustics.study.fuse import RunErrors, errors_of_run
from tests.estimate.fuse.test_echo_places import heard_run
from tests.estimate.fuse.test_fusion import NOISE, SOURCE, SQUARE, WAY, C, D, delays, exact_run

STOPS = np.array([[6.0, 5.0, 0.8], [14.0, 3.0, 0.8], [22.0, 4.0, 0.8], [16.0, 11.0, 0.8]])


def test_a_heading_error_does_not_move_measured_places():
    """Exact geometry: the compass is wrong by b, the places are not, so the fix is where the pinger is."""
    b = 0.05
    run, shown = exact_run(Track(WAY, heading=0.3)), Track(WAY, heading=0.3 - b)
    measured = ErrorSizes(heading_bias_sd=b, dead_reckoned=False)
    fix = fuse_pings(run, shown, measured, source_depth_m=SOURCE[2])
    np.testing.assert_allclose(fix.position_m, SOURCE, atol=1e-3)
    assert fix.heading_bias == pytest.approx(b, rel=1e-3)
    reckoned = fuse_pings(run, shown, ErrorSizes(heading_bias_sd=b), source_depth_m=SOURCE[2])
    assert np.linalg.norm(reckoned.position_m - SOURCE) > 0.3  # b times the way


@pytest.mark.parametrize(("dead_reckoned", "lines"), [(False, 2), (True, 1)])
def test_errors_of_measured_places_average_out(dead_reckoned, lines):
    """A place's error moves its line of position by as much across it: of two opposite places each line is one of two,
    and their mean has half the variance; an error that all share stays whole. Elementary geometry."""
    sd = 0.2
    around = SOURCE + 10.0 * np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]])
    track = Track(around, heading=[np.pi, -np.pi / 2, 0.0, np.pi / 2])
    # Timing too coarse for this short array to feel the range, and fine beside the places.
    errors = ErrorSizes(position_sd_m=sd, dead_reckoned=dead_reckoned)
    fix = fuse_pings(exact_run(track, hydrophones=SQUARE, sd_s=1e-8), track, errors, source_depth_m=SOURCE[2])
    np.testing.assert_allclose(fix.covariance_m2[:2, :2], sd**2 / lines * np.eye(2), atol=0.03 * sd**2)


def test_regions_of_measured_places_hold_the_source():
    """2,000 runs of two pings at each of four places; tolerance: the 99.9 % interval of a binomial."""
    errors = ErrorSizes(
        heading_bias_sd=np.deg2rad(3.0), position_sd_m=0.15, depth_sd_m=0.05, dead_reckoned=False, skew_sd_s=2e-7
    )
    rng, n_runs, sd_s = np.random.default_rng(4), 2000, 5e-7
    true = np.repeat(STOPS, 2, axis=0)
    off = np.repeat(rng.normal(size=(n_runs, 4, 2)) * errors.position_sd_m, 2, axis=1)
    deep = rng.normal(size=(n_runs, 1, 1)) * errors.depth_sd_m
    shown = true + np.concatenate([off, np.broadcast_to(deep, (n_runs, 8, 1))], axis=-1)
    heading = np.repeat([0.3, 0.9, 1.8, -0.7], 2)
    bias = rng.normal(size=(n_runs, 1)) * errors.heading_bias_sd
    pose = Pose(np.broadcast_to(true, shown.shape), 0.0, 0.0, heading + bias)
    noise = sd_s * rng.normal(size=(n_runs, 8, 4)) + errors.skew_sd_s * rng.normal(size=(n_runs, 1, 4))
    run = PingRun(delays(pose, SQUARE, SOURCE) + noise @ D.T, sd_s**2 * NOISE, SQUARE, D, C)
    fix = fuse_pings(run, Track(shown, heading=heading), errors, source_depth_m=np.full(n_runs, SOURCE[2]))
    inside = inside_region((SOURCE - fix.position_m)[:, :2], fix.covariance_m2[:, :2, :2]).sum()
    low, high = binom.ppf([5e-4, 1 - 5e-4], n_runs, 0.95)
    assert low <= inside <= high


def test_places_in_the_pings_are_measured_ones_unless_something_says_otherwise():
    pings = heard_run(np.random.default_rng(1))
    assert not errors_of_run(pings, None, RunErrors(), navigated=False).dead_reckoned
    assert errors_of_run(pings, None, RunErrors(), navigated=True).dead_reckoned
    assert errors_of_run(pings, None, RunErrors(log_scale_sd=0.01), navigated=False).dead_reckoned
    assert not errors_of_run(pings, None, RunErrors(dead_reckoned=False), navigated=True).dead_reckoned
    measured = errors_of_run(pings, None, RunErrors(), navigated=False)
    assert measured.drift_sd_m_per_root_m == measured.log_scale_sd == 0.0
