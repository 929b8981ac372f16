"""Arrival times along a run: against the Fisher information, over drawn runs, and where they are not as stated."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from quick import POOL
from study.live.test_live import heard

from acoustics import fuse, load_scene
from acoustics.base.errors import ParameterError
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import PingClock, PingRun, Track, fuse_by_clock, fuse_pings
from acoustics.estimate.fuse.clock import NO_CLOCK
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix, spherical_time
from acoustics.present.text.fuse import fusion_text
from acoustics.study.draws import fuse_simulated, simulate_runs, source_area

SCENE = load_scene(POOL)
PINGER = SCENE.pingers[0]
SOURCE = np.array(PINGER.position_m)
SPEED = SCENE.sound_speed_m_s
CLOCK = PingClock(pri_s=2.0, pri_sd_s=2e-4, jitter_sd_s=1e-5)
# An L of 4 m and 4 m, from 13.5 m away; and 2 m straight towards the pinger.
TURN = np.stack(
    [np.interp(range(9), [0, 4, 8], [8, 12, 12]), np.interp(range(9), [0, 4, 8], [2, 2, 6]), np.full(9, 0.8)], -1
)


def test_the_covariance_is_the_inverse_of_the_fisher_information():
    """With noise alone; the information by numerical derivatives of the times, the clock's two unknowns beside them."""
    elements, differences = SCENE.array.positions_m, difference_matrix(len(SCENE.array.positions_m))
    depth_sd, noise, stated = 0.05, 5e-8, PingClock(2.0, 2e-4, 3e-6)

    def times(unknowns):
        arrivals = spherical_time(TURN[:, None] + elements, unknowns[:3], SPEED)
        clock = arrivals[:, 0] + unknowns[3] + np.arange(9) * unknowns[4]
        return np.concatenate([(arrivals @ differences.T).ravel(), clock])

    at = np.array([*SOURCE, 0.0, 2.0])
    step = np.diag([1e-4, 1e-4, 1e-4, 1e-6, 1e-6])
    slope = np.stack([(times(at + s) - times(at - s)) / (2 * s.sum()) for s in step], axis=-1)
    covariance = np.zeros((len(slope), len(slope)))
    covariance[:-9, :-9] = np.kron(np.eye(9), noise**2 * differences @ differences.T)
    covariance[-9:, -9:] = stated.jitter_sd_s**2 * np.eye(9)
    information = slope.T @ np.linalg.solve(covariance, slope)
    information += np.diag([0.0, 0.0, depth_sd**-2, 1.0, stated.pri_sd_s**-2])
    expected = np.linalg.inv(information)[:2, :2]

    exact = times(at)
    run = PingRun(
        exact[:-9].reshape(9, -1),
        noise**2 * differences @ differences.T,
        elements,
        differences,
        SPEED,
        arrival_s=7.0 + exact[-9:],
        clock=stated,
    )
    fix = fuse_pings(run, Track(TURN), ErrorSizes(), source_depth_m=SOURCE[2], source_depth_sd_m=depth_sd)
    np.testing.assert_allclose(fix.position_m[:2], SOURCE[:2], atol=0.01)
    np.testing.assert_allclose(
        fix.covariance_m2[:2, :2], expected, rtol=0.04
    )  # 2 % for the least error of a delay that fusion takes
    by_arrival = slope[-9:] / stated.jitter_sd_s
    without = np.linalg.inv(information - by_arrival.T @ by_arrival)[:2, :2]
    assert np.trace(expected) < 0.9 * np.trace(without)  # else this would say nothing of the arrival times


@pytest.mark.slow
@pytest.mark.thorough
def test_drawn_runs_err_less_and_as_much_as_they_state():
    """Of 300 runs the ellipse holds 95 % to 4 standard errors; the errors are smaller by the clock, as predicted."""
    size = {}
    for clock in (None, CLOCK):
        drawn = simulate_runs(
            SCENE, PINGER, TURN, n_runs=300, rng=np.random.default_rng(4), integers="given", clock=clock
        )
        fix = fuse_simulated(SCENE, drawn, area=source_area(SCENE))
        error, covariance = (fix.position_m - SOURCE)[:, :2], fix.covariance_m2[:, :2, :2]
        assert abs(inside_region(error, covariance).mean() - 0.95) < 4 * np.sqrt(0.05 * 0.95 / 300)
        size[clock] = np.sqrt(np.mean(np.sum(error**2, axis=-1)))
        stated = np.sqrt(np.mean(np.trace(covariance, axis1=1, axis2=2)))
        assert size[clock] == pytest.approx(stated, rel=4 / np.sqrt(2 * 300))
    assert size[CLOCK] < 0.9 * size[None]


def by_clock(*, jitter_s=5e-6, late=None, skipped=None):
    """Pings of a pinger 50 ppm slow; `late` one comes 0.3 s after its time, `skipped` is not heard."""
    rng, pings = np.random.default_rng(8), []
    for k in range(11):
        ping = heard(k + 1, 2.0 * k + 0.5)
        place = np.array(ping.pose.position_m)
        travel = spherical_time(place + SCENE.array.positions_m[:1], SOURCE, SPEED)[0]
        tick = 0.5 + 2.0001 * k + travel + jitter_s * rng.normal() + (0.3 if k == late else 0.0)
        if k != skipped:
            pings.append(replace(ping, time_s=tick))
    return pings


def steady(scene=SCENE):
    return scene.model_copy(update={"pingers": (PINGER.model_copy(update={"pri_sd_ppm": 100.0}),)})


def test_arrival_times_count_where_the_scene_says_how_steady_the_pinger_is():
    alone, both = fuse(by_clock(), scene=SCENE), fuse(by_clock(), scene=steady())
    assert alone.clock is None and both.clock.used == 11 and both.clock.reason == ""
    assert np.trace(both.covariance_m2[:2, :2]) < np.trace(alone.covariance_m2[:2, :2])
    assert "Arrival times: 11 count" in fusion_text(both)


def test_a_missed_ping_costs_itself_alone():
    found = fuse(by_clock(skipped=4), scene=steady())
    assert found.inliers == 10 and found.clock.used == 10 and found.clock.off_clock == ()


@pytest.mark.slow
def test_a_late_ping_keeps_its_time_differences_and_is_named():
    found = fuse(by_clock(late=6), scene=steady())
    assert found.inliers == 11 and found.clock.off_clock == (6,) and found.clock.used == 10
    assert "1 off the clock left out" in fusion_text(found)


def test_jitter_ten_times_the_stated_is_noticed_and_costs_no_ping():
    alone, found = (fuse(by_clock(jitter_s=170e-6), scene=scene) for scene in (SCENE, steady()))
    assert found.inliers == 11 and found.clock.jitter_sd_s > 4e-5
    assert "scatter more than stated" in found.clock.reason
    assert np.trace(found.covariance_m2[:2, :2]) <= 1.01 * np.trace(alone.covariance_m2[:2, :2])


@pytest.mark.slow
def test_a_pinger_without_a_clock_is_fused_without_one():
    rng = np.random.default_rng(3)
    pings = [replace(ping, time_s=ping.time_s + rng.uniform(-0.5, 0.5)) for ping in by_clock()[:6]]
    alone, found = fuse(pings, scene=SCENE), fuse(pings, scene=steady())
    assert found.clock.used == 0 and "no steady clock" in found.clock.reason
    np.testing.assert_allclose(found.position_m, alone.position_m)
    assert "Arrival times: the arrival times keep to no steady clock" in fusion_text(found)


def test_a_run_without_a_clock_is_fused_with_the_widest_jitter_alone():
    """Every fusion by a clock that the times do not keep to takes many times one that they do."""
    asked = []

    def fused(clock, off):
        asked.append(clock and clock.jitter_sd_s / CLOCK.jitter_sd_s)
        return SimpleNamespace(inliers=np.arange(8) < (8 if clock is None else 3), p_value=0.2)

    fix, evidence = fuse_by_clock(fused, CLOCK)
    assert evidence.reason == NO_CLOCK and fix.inliers.all() and asked == [None, pytest.approx(30.0)]


def test_wrong_clocks_and_arrivals_are_refused():
    with pytest.raises(ParameterError, match="jitter_sd_s=0"):
        PingClock(2.0, 1e-4, 0.0)
    one = {
        "tdoa_s": np.zeros((3, 1)),
        "covariance_s2": np.eye(1),
        "hydrophones_m": np.eye(2, 3),
        "differences": [[1, -1]],
    }
    with pytest.raises(ParameterError, match="and a clock beside it"):
        PingRun(**one, sound_speed_m_s=1500.0, arrival_s=np.zeros(3))
    with pytest.raises(ParameterError, match="heard_first"):
        PingRun(**one, sound_speed_m_s=1500.0, arrival_s=np.zeros(3), heard_first=[0, 0, 2], clock=CLOCK)
