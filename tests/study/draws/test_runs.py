"""Simulated runs and the stations chosen from them."""

import numpy as np
import pytest
from scipy import stats

from acoustics import load_scene
from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import ParameterError
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse.station import station_posterior
from acoustics.study.draws import Route, fuse_simulated, route_positions, simulate_runs, source_area, water_outline
from acoustics.study.stations.study import _Choice, station_model

SCENE = load_scene("examples/mallard-basin.toml")
PINGER = SCENE.pingers[0]


def with_vehicle(**keys):
    return SCENE.model_copy(update={"vehicle": SCENE.vehicle.model_copy(update=keys)})


@pytest.mark.slow
def test_dead_reckoning_grows_as_stated():
    """Random walk: variance by distance; scale: by its square; heading: across the track by distance times angle."""
    scene = with_vehicle(heading_sd_deg=1.0, drift_sd_m_per_root_m=0.1, log_scale_sd=0.02, position_sd_m=0.3)
    path = route_positions(scene, Route(5, 12.0, 0.0))
    runs = simulate_runs(scene, PINGER, path, n_runs=8000, rng=np.random.default_rng(1), integers="given")
    error = runs.track.position_m - path
    travelled = path[:, 0] - path[0, 0]
    along = np.sqrt(0.3**2 + 0.1**2 * travelled + (0.02 * travelled) ** 2)
    across = np.sqrt(0.3**2 + 0.1**2 * travelled + (np.deg2rad(1.0) * travelled) ** 2)
    # Standard error of a standard deviation from 8,000: 0.8 %.
    np.testing.assert_allclose(error[..., 0].std(axis=0), along, rtol=0.03)
    np.testing.assert_allclose(error[..., 1].std(axis=0), across, rtol=0.03)


@pytest.mark.slow
@pytest.mark.thorough
def test_coverage_of_the_fused_ellipse_with_the_packages_own_simulation():
    path = route_positions(SCENE, Route(6, 8.0, -15.0))
    runs = simulate_runs(SCENE, PINGER, path, n_runs=1000, rng=np.random.default_rng(3))
    fix = fuse_simulated(SCENE, runs, area=source_area(SCENE))
    error = (fix.position_m - PINGER.position_m)[fix.ok, :2]
    # 1,000 independent runs: standard error 0.69 %; three of them about 95 %.
    assert inside_region(error, fix.covariance_m2[fix.ok, :2, :2]).mean() == pytest.approx(0.95, abs=3 * 0.0069)
    assert fix.ok.mean() > 0.97 and not runs.outlier.any()
    # Five in a thousand are meant: 30 of 6,000, and 47 are three standard deviations more.
    assert (~fix.inliers)[runs.run.heard].sum() < 47


def test_pings_at_one_place_are_shifted_alike_by_echoes():
    scene = with_vehicle(position_m=(3.0, 8.0, 1.2), roll_sd_deg=0.0, pitch_sd_deg=0.0, heading_sd_deg=0.0)
    faint = PINGER.model_copy(update={"source_level_db": PINGER.source_level_db - 20.0})
    path = np.repeat(route_positions(scene, Route(1, 0.0, 0.0)), 6, axis=0)
    run = simulate_runs(scene, faint, path, n_runs=400, rng=np.random.default_rng(2), integers="given").run
    share = run.undetected.lasting_share
    # In a long window of a weak ping echoes hide; in the shortest noise is nearly all.
    assert np.all(share[run.heard] > 0.0) and np.median(share[run.heard]) > 0.1 and np.all(share < 0.9)
    whole = run.heard.all(axis=1)  # at some places it is not heard
    assert whole.sum() > 200
    about = run.tdoa_s[whole] - run.tdoa_s[whole].mean(axis=1, keepdims=True)
    new = np.diagonal(run.covariance_s2, axis1=-2, axis2=-1) * (1.0 - share)[..., None]
    # About their own mean six pings have 5/6 of what is new at each, and no more; 200 runs tell it within 3 %.
    assert np.mean(about**2) == pytest.approx(5.0 / 6.0 * new[whole].mean(), rel=0.09)


def test_share_of_the_heading_that_lasts():
    errors = error_sizes_of(with_vehicle(heading_sd_deg=2.0, heading_bias_sd_deg=1.2), PINGER)
    assert np.rad2deg(errors.heading_bias_sd) == pytest.approx(1.2)
    assert np.rad2deg(errors.attitude_sd[2]) == pytest.approx(1.6)  # 1.2, 1.6, 2.0: a right triangle
    assert error_sizes_of(SCENE, PINGER).attitude_sd[2] == 0.0
    with pytest.raises(ValueError, match="heading_bias_sd_deg = 3 is part of heading_sd_deg = 2 and cannot exceed it"):
        type(SCENE.vehicle)(position_m=(0.0, 0.0, 1.0), heading_bias_sd_deg=3.0)


def test_open_water_has_an_extent_too():
    lake = load_scene("examples/fennel-reservoir.toml")
    np.testing.assert_allclose(water_outline(lake), [[0, -10], [60, -10], [60, 30], [0, 30]])
    bare = lake.model_copy(update={"study": lake.study.model_copy(update={"map_extent_m": None})})
    low, high = water_outline(bare).min(axis=0), water_outline(bare).max(axis=0)
    assert np.all(low < [10.0, 0.0]) and np.all(high > [40.5, 20.0])


def test_a_run_must_stay_in_the_water_and_have_a_length():
    # From x = 6 m, the foremost hydrophone 0.2 m ahead, to the wall at 25 m, also with steps longer than that.
    for n_pings in (2, 10):
        with pytest.raises(ParameterError, match=r"leaves the water after 18\.[78] m"):
            route_positions(SCENE, Route(n_pings, 70.0, 0.0))
    with pytest.raises(ParameterError, match="n_pings=0"):
        route_positions(SCENE, Route(0, 1.0, 0.0))


def test_needed_accuracy_is_that_of_a_direct_count():
    """Drawn again at the accuracy that was found, the right station is chosen in 95 of 100 fixes."""
    model, offset = station_model(SCENE), np.array([0.0, -0.5])
    rms = _Choice(model, offset, np.random.default_rng(1)).needed_sd()
    sd, rng, hits = rms / np.sqrt(2), np.random.default_rng(2), 0
    for k, place in enumerate(model.places_m):
        fixes = place + offset + sd * rng.normal(size=(5000, 2))
        posterior = station_posterior(fixes, np.broadcast_to(sd**2 * np.eye(2), (5000, 2, 2)), model)
        hits += int(np.sum(np.argmax(posterior, axis=-1) == k))
    low, high = stats.binomtest(hits, 20_000).proportion_ci(0.999)
    assert low - 0.005 < 0.95 < high + 0.005  # the search itself rests on 8,000 draws: 0.25 % standard error
