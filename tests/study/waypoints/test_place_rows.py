"""Waypoints by places of echoes: what one tells is its bound, what a run of them promises it keeps."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.frames import Pose
from acoustics.estimate.echoes import VARIANCE_SCALE
from acoustics.present.text.waypoints import waypoints_text
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.execution import ALONE
from acoustics.study.waypoints import pinger_prior, study_waypoints
from acoustics.study.waypoints.echoes import errors_at, found_places, with_place_rows
from acoustics.study.waypoints.information import hear, run_information

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]


def test_one_place_at_the_start_tells_what_its_bound_says():
    """Twice the bound's variance; with hardly a bearing beside it, to rounding of a share of one in a billion."""
    prior, errors = pinger_prior(POOL, PINGER, None), error_sizes_of(POOL, PINGER)
    pose = Pose(np.array([POOL.vehicle.position_m]), 0.0, 0.0, np.array([0.4]))
    each = Pose(pose.position_m[:, None], 0.0, 0.0, pose.heading[:, None])
    start = np.array(POOL.vehicle.position_m)
    heard = hear(POOL.array.positions_m, each, prior.places_m, 1e-14, start, errors, POOL.sound_speed_m_s)
    places = errors_at(POOL, PINGER, prior, pose, 2.0)
    both = with_place_rows(heard, places, errors, np.zeros((1, 3)), 1.0 - 1e-9)
    information = run_information(both.take(np.arange(1)), [0.0], 0.0)
    information[..., 2, 2] += 1 / POOL.study.pinger_depth_sd_m**2
    covariance = np.linalg.inv(information)[..., :2, :2]
    np.testing.assert_allclose(covariance, 2.0 * places.covariance_m2[0], rtol=1e-3, atol=1e-5)


def test_headings_at_one_place_share_its_errors():
    prior, at = pinger_prior(POOL, PINGER, None), np.array([[6.0, 5.0, 0.8], [6.0, 5.0, 0.8], [9.0, 4.0, 0.8]])
    found = errors_at(POOL, PINGER, prior, Pose(at, 0.0, 0.0, np.array([0.4, 2.0, 0.4])))
    np.testing.assert_array_equal(found.by[0], found.by[1])
    alone = errors_at(POOL, PINGER, prior, Pose(at[2:], 0.0, 0.0, np.array([0.4])))
    np.testing.assert_allclose(found.covariance_m2[2], alone.covariance_m2[0], rtol=1e-4)


def test_pings_without_a_place_count(monkeypatch):
    monkeypatch.setattr("acoustics.study.rendered_run.rendered_run", lambda *given: [])
    pose, prior = Pose(np.array([POOL.vehicle.position_m]), 0.0, 0.0, np.zeros(1)), pinger_prior(POOL, PINGER, None)
    found = found_places(POOL, PINGER, prior, pose, pings=5, seed=1, running=ALONE, progress=lambda done, of: None)
    assert found.usable.value == 0.0 and found.usable.high > 0.3 and found.variance_scale == VARIANCE_SCALE


@pytest.mark.slow
@pytest.mark.thorough
def test_a_plan_with_places_keeps_what_it_promises(monkeypatch):
    """400 runs: regions hold the pinger to three standard errors, and the RMS is as predicted to 20 %.

    Prediction counts a share of a place at every waypoint, the runs a whole one at a share of them: it is the smaller.
    """
    monkeypatch.setattr("acoustics.study.waypoints.echoes._found", lambda ping: {"away_m": np.zeros(2)})
    scene = POOL.model_copy(update={"study": POOL.study.model_copy(update={"waypoints": 2})})
    result = study_waypoints(scene, PINGER, trials=400, step_m=5.0, echo_pings=16)
    plain = study_waypoints(scene, PINGER, trials=0, step_m=5.0)
    assert result.proposed.size_m == plain.proposed.size_m and plain.with_echoes is None
    plan = result.with_echoes
    assert plan.proposed.size_m <= plan.same.size_m < 0.5 * result.proposed.size_m
    for run in (plan.same, plan.proposed):
        assert abs(run.simulated.inside_95.value - 0.95) < 3 * 0.011
        assert run.simulated.rms_m.value == pytest.approx(run.size_m, rel=0.2)
    text = " ".join(waypoints_text(result).split())
    assert "Of 16 rendered pings" in text and "proposed with echoes" in text
    assert "echoes" not in waypoints_text(plain).replace("and so are the echoes inside its window", "")
