"""Places by echoes of simulated runs: spread as their bound says, fused to regions that hold the pinger."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acoustics.accuracy.echo_bound import echo_place_errors
from acoustics.base.regions import inside_region
from acoustics.estimate.echoes import VARIANCE_SCALE
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import (
    FoundPlaces,
    Route,
    fuse_simulated,
    fuse_with_places,
    route_positions,
    simulate_runs,
    source_area,
)
from acoustics.study.draws.echo_places import drawn_places, scale_of_variances

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]
RUNS = 400


@pytest.fixture(scope="module")
def drawn():
    path = route_positions(POOL, Route(3, 2.0, 20.0))
    heading = np.full(3, POOL.vehicle.pose.heading)
    errors = echo_place_errors(POOL, PINGER, path, heading, np.tile(PINGER.position_m, (3, 1)))
    runs = simulate_runs(POOL, PINGER, path, n_runs=RUNS, rng=np.random.default_rng(1))
    return runs, replace(errors, variance_scale=2.0), fuse_simulated(POOL, runs, area=source_area(POOL))


def found(usable=True, off_m=0.0):
    return FoundPlaces(np.broadcast_to(usable, (RUNS, 3)), np.broadcast_to(off_m, (RUNS, 3)).astype(float))


@pytest.mark.slow
def test_places_spread_as_their_bound(drawn):
    """Twice its variance, but for the pinger's depth, which is taken as it is; 400 draws, 4 standard errors."""
    runs, errors, _ = drawn
    off = drawn_places(runs, np.array(PINGER.position_m[:2]), errors, np.zeros((RUNS, 3)), np.random.default_rng(2))
    off = off - PINGER.position_m[:2]
    by_depth = errors.by[..., 0] * errors.sd[0]
    expected = 2.0 * np.einsum("pii->pi", errors.covariance_m2) - by_depth**2
    np.testing.assert_allclose(np.mean(off**2, axis=0), expected, rtol=4 * np.sqrt(2 / RUNS))
    shared = errors.sd.copy()  # by all pings of a run; the drift on the way is small beside it
    shared[[0, 4, 5, 6]] = 0.0, 0.0, 0.0, POOL.vehicle.lasting_heading_sd
    together = np.sum((errors.by[0] * shared) * (errors.by[2] * shared), axis=-1)
    error = np.sqrt((expected[0] * expected[2] + together**2) / RUNS)
    assert (np.abs(np.mean(off[:, 0] * off[:, 2], axis=0) - together) < 4 * error).all()
    assert (np.abs(together) > 2 * error).any()


@pytest.mark.slow
def test_variances_of_places_are_those_that_they_are_drawn_with(drawn):
    """Three times the bound's: a mean over the squares of 400 runs of three, 4 standard errors of the runs' own."""
    runs, errors, _ = drawn
    errors = replace(errors, variance_scale=3.0)
    off = drawn_places(runs, np.array(PINGER.position_m[:2]), errors, np.zeros((RUNS, 3)), np.random.default_rng(4))
    off = (off - PINGER.position_m[:2]).reshape(-1, 2)
    at_bound = [errors.at(k) for _ in range(RUNS) for k in range(3)]
    assert scale_of_variances(at_bound, off) == pytest.approx(3.0, rel=4 * np.sqrt(2 / RUNS))
    assert scale_of_variances([], np.zeros((0, 2))) == VARIANCE_SCALE
    assert scale_of_variances(at_bound, 0.0 * off) == 1.0


@pytest.mark.slow
def test_regions_of_runs_with_places_hold_the_pinger(drawn):
    """95 %, three standard errors of 400; and nearly all runs go by their places, which are far better."""
    runs, errors, alone = drawn
    parts = list(fuse_with_places(POOL, PINGER, runs, alone, errors, found(), np.random.default_rng(3)))
    rows = np.concatenate([rows for rows, _ in parts])
    off = np.concatenate([fix.position_m for _, fix in parts])[:, :2] - PINGER.position_m[:2]
    covariance = np.concatenate([fix.covariance_m2 for _, fix in parts])[:, :2, :2]
    assert len(rows) > 0.97 * RUNS
    assert 0.95 - 3 * 0.011 <= inside_region(off, covariance).mean() <= 0.95 + 3 * 0.011
    without = np.linalg.norm((alone.position_m - PINGER.position_m)[:, :2], axis=-1)
    assert np.median(np.hypot(*off.T)) < 0.5 * np.median(without)


def test_without_places_nothing_changes_and_far_ones_are_left_out(drawn):
    runs, errors, alone = drawn
    rng = np.random.default_rng(4)
    assert not list(fuse_with_places(POOL, PINGER, runs, alone, errors, found(usable=False), rng))
    untold = replace(errors, covariance_m2=np.full_like(errors.covariance_m2, np.nan))
    assert not list(fuse_with_places(POOL, PINGER, runs, alone, untold, found(), rng))
    some = runs.some(np.arange(40))
    few = FoundPlaces(np.ones((40, 3), dtype=bool), np.full((40, 3), 9.0))
    own = replace(alone, **{name: value[:40] for name, value in vars(alone).items()})
    kept = sum(len(rows) for rows, _ in fuse_with_places(POOL, PINGER, some, own, errors, few, rng))
    assert kept < 20  # nine metres off across the bearing is beyond it; along it, it may not be


def test_runs_go_as_those_that_were_rendered():
    rendered = FoundPlaces(np.array([[True, False], [False, False]]), np.array([[2.0, 0.0], [0.0, 0.0]]))
    drawn = rendered.drawn(np.array([0, 0, 1]), 1000, np.random.default_rng(5))
    assert drawn.usable.shape == (1000, 3)
    np.testing.assert_array_equal(drawn.usable[:, 0], drawn.usable[:, 1])
    assert not drawn.usable[:, 2].any()
    assert abs(drawn.usable[:, 0].mean() - 0.5) < 4 * 0.5 / np.sqrt(1000)
    np.testing.assert_array_equal(drawn.off_m[:, 0], 2.0 * drawn.usable[:, 0])
    half = replace(rendered, given_up=0.5).drawn(np.array([0, 0, 1]), 1000, np.random.default_rng(6))
    assert abs(half.usable[:, 0].mean() - 0.25) < 4 * 0.43 / np.sqrt(1000)
