"""Arrivals of the vehicle's own estimator anywhere, told from some places: against pings measured at others."""

from __future__ import annotations

import numpy as np
import pytest
from rendered import SHALLOW

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Pose
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import measure_blind, own_arrivals

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]


def measured(n, seed, scene=POOL):
    """Pings at places all over the pool, with their ranges and multipath-free windows."""
    rng, pinger = np.random.default_rng(seed), scene.pingers[0]
    far = np.max(scene.pool.outline_m, axis=0) - 2.0
    places = np.column_stack([rng.uniform([2.0, 2.0], far, (n, 2)), np.full(n, 0.8)])
    pose = Pose(places, 0.0, 0.0, rng.uniform(-np.pi, np.pi, n))
    range_m = np.linalg.norm(places - pinger.position_m, axis=-1)
    return measure_blind(scene, pinger, pose, rng), range_m, multipath_free_windows(scene, pinger, places)


@pytest.mark.parametrize("scene", [POOL, SHALLOW], ids=["deep", "shallow"])
@pytest.mark.slow
def test_the_noise_told_is_that_measured_at_other_places(scene):
    """In the shallow pool, where less than a cycle is free of echoes nearly everywhere and these come in any phase,
    variances of single places are an order of magnitude apart, and medians of 40 known to a factor of 1.5; the bound
    says far more noise there."""
    pinger = scene.pingers[0]
    learned = own_arrivals(scene, pinger, *measured(40, 1, scene))
    pings, range_m, window_s = measured(40, 2, scene)
    told, shift = (learned.link(scene, pinger, range_m, window_s, pings=k).carrier_variance_s2 for k in (1, 10**9))
    both = pings.answered & np.isfinite(told)
    assert both.sum() >= 24
    off = np.log((told - shift)[both] / pings.carrier_variance_s2[both])
    assert abs(np.median(off)) < (0.3 if scene is POOL else 0.9)
    if scene is SHALLOW:
        bound = link_budget(scene, pinger, range_m, window_s=window_s).carrier_variance_s2
        by_bound = np.log(bound[both] / pings.carrier_variance_s2[both])
        assert np.median(by_bound) > 2.0


def test_more_pings_lower_the_noise_and_not_the_shift_by_echoes():
    pings, range_m, window_s = measured(12, 3)
    learned = own_arrivals(POOL, PINGER, pings, range_m, window_s)
    one, many = (learned.link(POOL, PINGER, range_m, window_s, pings=k).carrier_variance_s2 for k in (1, 10**9))
    assert (many < one).all() and many.min() > 0
    assert many.max() == pytest.approx(learned.carrier_shift_s2.max(), rel=0.5)


def test_what_is_too_weak_is_not_heard():
    learned = own_arrivals(POOL, PINGER, *measured(12, 4))
    faint = PINGER.model_copy(update={"source_level_db": 100.0})
    link = learned.link(POOL, faint, np.array([5.0, 10.0]), np.array([1e-4, 1e-4]))
    assert np.isinf(link.carrier_variance_s2).all() and np.isinf(link.cycle_variance_s2).all()


def test_where_nothing_is_answered_theory_stands():
    pings, range_m, window_s = measured(6, 5)
    faint = PINGER.model_copy(update={"source_level_db": 60.0})
    pose = Pose(np.array([[6.0, 5.0, 0.8]]), 0.0, 0.0, np.zeros(1))
    none = measure_blind(POOL, faint, pose, np.random.default_rng(1))
    assert not none.answered.any()
    link = own_arrivals(POOL, PINGER, none, np.array([14.4]), np.array([1e-4])).link(POOL, PINGER, range_m, 1e-3)
    expected = link_budget(POOL, PINGER, range_m, window_s=1e-3)
    np.testing.assert_allclose(link.carrier_variance_s2, expected.carrier_variance_s2)
