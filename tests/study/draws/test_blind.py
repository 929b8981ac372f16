"""The vehicle's estimator on pings whose echoes are known: what it measures without echoes, and what they do."""

from __future__ import annotations

import numpy as np
import pytest
from rendered import rendered_bearings

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Pose
from acoustics.scene.pool import Pool
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.draws import draw_blind_bearings, measure_along, measure_blind, places_about

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]
OPEN = POOL.changed({"pool": {"surface_reflects": False}, "pinger": [PINGER.model_dump() | {"length_s": 1e-3}]})


def poses(scene, n):
    here = np.array(scene.vehicle.position_m)
    return Pose(np.tile(here, (n, 1)), 0.0, 0.0, np.linspace(0.0, 2 * np.pi, n, endpoint=False))


def test_without_echoes_the_whole_burst_is_used_at_the_bound_s_variance():
    pings = measure_blind(OPEN, OPEN.pingers[0], poses(OPEN, 8), np.random.default_rng(1))
    assert pings.answered.all() and pings.heard.all()
    # One chance in a hundred that noise ends a window early; Cramer-Rao bound of what then remains, to 2 %.
    assert np.median(pings.window_s) == pytest.approx(OPEN.pingers[0].length_s)
    link = link_budget(OPEN, OPEN.pingers[0], 14.4, window_s=np.median(pings.window_s))
    assert np.median(pings.carrier_variance_s2) == pytest.approx(float(link.carrier_variance_s2), rel=0.02)
    assert np.abs(pings.carrier_shift_s).max() < 1e-9


def test_an_echo_that_no_window_can_leave_out_takes_the_energy_that_lloyd_s_mirror_takes():
    """Under a surface that reflects by -1: |1 - exp(-i k D)|, D the detour (Kinsler et al. 2000, Lloyd's mirror)."""
    depth, pinger = 0.04, OPEN.pingers[0]
    here = {"vehicle.position_m": [6.0, 5.0, depth], "array.mount_m": [0.0, 0.0, 0.0], "pool.surface_reflects": True}
    scene = OPEN.changed(here)
    pings = measure_blind(scene, pinger, poses(scene, 6), np.random.default_rng(1))
    apart, deep = np.hypot(14.0, 3.0), pinger.position_m[2]
    way = np.hypot(apart, deep - depth)
    detour = np.hypot(apart, deep + depth) - way
    mirror = abs(1.0 - np.exp(-2j * np.pi * pinger.frequency_hz / scene.sound_speed_m_s * detour)) ** 2
    alone = link_budget(scene, pinger, way, window_s=np.median(pings.window_s)).energy_ratio_2e_n0
    # The hydrophones' distances from the middle, 12 mm of 14 m, and the echo's own build-up a third of a cycle later.
    assert np.median(pings.energy_ratio_2e_n0) == pytest.approx(float(alone * mirror), rel=0.1)
    assert detour / scene.sound_speed_m_s < 0.5 / pinger.frequency_hz < pings.window_s.min()


def test_a_burst_that_an_echo_nearly_cancels_is_found():
    """By a concrete floor and under the surface: without noise silence was taken for it, and its phase for unknown."""
    pool = Pool(
        outline_m=((0.0, 0.0), (19.0, 0.0), (19.0, 19.0), (0.0, 19.0)),
        floor_points_m=((0.0, 0.0, 1.2), (19.2, 0.0, 1.76), (0.0, 19.0, 1.2)), walls="concrete", floor="concrete",
    )  # fmt: skip
    cube = load_array(shipped("arrays")["cube-8"]).model_copy(update={"mount_m": (0.0, 0.0, 0.1)})
    low = {"position_m": (15.85, 9.87, 1.483), "frequency_hz": 39_920.0, "q": 9.0, "source_level_db": 167.3}
    rng = np.random.default_rng(2)
    about = np.array([17.3, 5.5, 1.08]) + rng.uniform(-1.0, 1.0, (24, 3)) * [0.2, 0.2, 0.05]
    scene, pinger = POOL.model_copy(update={"array": cube, "pool": pool}), PINGER.model_copy(update=low)
    pings = measure_blind(scene, pinger, Pose(about, 0.0, 0.0, rng.uniform(-3.0, 3.0, 24)), rng)
    assert pings.answered.all()
    # 27 dB of 2E/N0 tell a phase to 2.6 deg; as good as unknown it would be 104.
    assert np.rad2deg(np.sqrt(pings.carrier_variance_s2) * pinger.burst.carrier).max() < 5.0


def test_the_same_seed_gives_the_same_and_draws_have_the_errors_of_the_array():
    pose = poses(POOL, 6)
    first, again = (measure_blind(POOL, PINGER, pose, np.random.default_rng(5)) for _ in range(2))
    for name in vars(first):
        np.testing.assert_array_equal(getattr(first, name), getattr(again, name))
    drawn = draw_blind_bearings(POOL, PINGER, first, pose, draws=40, rng=np.random.default_rng(6))
    # Mounting alone makes 3.2 deg: 1 mm on the radius of 12.4 mm of a square, over the root of two.
    assert 3.2 < np.rad2deg(np.sqrt(np.nanmean(drawn.error**2))) < 8.0


@pytest.mark.slow
@pytest.mark.thorough
def test_wrong_integers_of_a_wide_array_are_predicted_as_often_as_rendered_pings_have_them():
    """Distance unknown, depth known: in 6 dB more noise than usual 0.34 of 488 rendered pings were wrong and 0.29 of 1,994
    drawn ones, at three times as many places as here. By 540 rendered pings the share is known to 0.04, by four draws
    at each of 180 places, which share its echoes, to 0.04: together to 0.06, beside the 0.05 of the prediction."""
    noise = POOL.noise.self_noise_density_db + 6.0
    scene = POOL.changed({"array": load_array("hull-4"), "noise.self_noise_density_db": noise})
    rng, heading = np.random.default_rng(4), np.linspace(0.0, 2 * np.pi, 540, endpoint=False)
    places = places_about(scene, np.tile(scene.vehicle.position_m, (540, 1)), rng)
    columns = rendered_bearings(scene, PINGER, places, heading, seed=3)
    given = columns["outcome"] == 0
    some = slice(None, None, 3)
    pose = Pose(places[some], 0.0, 0.0, heading[some])
    drawn = draw_blind_bearings(scene, PINGER, measure_blind(scene, PINGER, pose, rng), pose, draws=12, rng=rng)
    told = np.isfinite(drawn.error)
    assert told.mean() == pytest.approx(given.mean(), abs=0.1)
    seen, predicted = columns["wrong_integer"][given], drawn.wrong_integer[told]
    assert predicted.mean() == pytest.approx(seen.mean(), abs=0.11)
    right = np.abs(columns["error"][given][~seen]), np.abs(drawn.error[told][~predicted])
    # The median of a hundred normal errors' sizes is known to 12 %, that of both to 15: twice that. A few by three
    # hydrophones alone are ten times as large, and make a mean of either.
    assert np.median(right[1]) == pytest.approx(np.median(right[0]), rel=0.3)


def test_channels_that_hear_nothing_are_left_out():
    """At a level where some pings lack a channel most of these are answered; all channels together would refuse them."""
    noise = POOL.noise.self_noise_density_db + 9.0
    scene = POOL.changed({"array": load_array("hull-4"), "noise.self_noise_density_db": noise})
    pings = measure_blind(scene, PINGER, poses(scene, 48), np.random.default_rng(1))
    fewer = ~pings.heard.all(axis=-1)
    assert fewer.sum() >= 4 and pings.answered[fewer].mean() >= 0.5


def test_a_compass_that_errs_makes_no_integer_wrong():
    """2 degrees turn the 22 wavelengths of hull-4 by 0.8 periods: the bearing in the site is off, the integers are not.
    Without echoes, in quiet water, none is in doubt."""
    scene = OPEN.changed({"array": load_array("hull-4"), "noise.self_noise_density_db": 56.0})
    pose, pinger = poses(scene, 6), scene.pingers[0]
    pings = measure_blind(scene, pinger, pose, np.random.default_rng(1))
    still, turned = (
        draw_blind_bearings(
            scene, pinger, pings, pose, draws=20, rng=np.random.default_rng(2), attitude_sd=np.deg2rad([0.5, 0.5, sd])
        )
        for sd in (0.0, 2.0)
    )
    assert still.wrong_integer.mean() == turned.wrong_integer.mean() == 0.0
    # Of 120 draws the deviation of 2 deg is known to 6.5 %; three times that.
    assert np.rad2deg(np.sqrt(np.nanmean(turned.error**2))) == pytest.approx(2.0, rel=0.2)


def test_pingers_measured_together_are_measured_as_each_is_alone():
    """Of the same rule another path: windows of other lengths beside a ping's own must not change it."""
    places = np.array(POOL.vehicle.position_m) + np.array([[0.0, 0.0, 0.0], [1.0, 0.5, 0.0]])
    pingers = [PINGER.model_copy(update={"position_m": place}) for place in ((20.0, 8.0, 2.0), (9.0, 12.0, 1.5))]
    together = measure_along(POOL, pingers, [places, places[:1]])
    for pings, pinger, heard_at in zip(together, pingers, (places, places[:1]), strict=True):
        (alone,) = measure_along(POOL, [pinger], [heard_at])
        for name, values in vars(alone).items():
            np.testing.assert_allclose(getattr(pings, name), values, rtol=1e-6, atol=1e-13, err_msg=name)
    assert np.unique(together[0].window_s).size + np.unique(together[1].window_s).size > 1
