"""The plan against the samples: what is predicted of the vehicle's estimator, and what it makes of rendered pings."""

from __future__ import annotations

import numpy as np
import pytest
from rendered import SHALLOW, bearing_bound_of_its_window, rendered_bearings

from acoustics.accuracy.bounds import bearing_bound
from acoustics.base.frames import Pose
from acoustics.base.intervals import rms_interval
from acoustics.study.draws import measure_blind, places_about
from acoustics.study.ping_bounds import ping_bounds
from acoustics.study.ping_prediction import predict_ping

PINGER = SHALLOW.pingers[0]


def test_a_prediction_stands_where_the_bound_of_the_first_echo_says_nothing():
    found, bound = predict_ping(SHALLOW, PINGER), ping_bounds(SHALLOW, PINGER)
    assert np.isinf(bound.totals[0]) and found.bearing_deg < 25.0
    assert found.window_s * PINGER.frequency_hz >= 2.0 - 1e-6 > bound.window_s * PINGER.frequency_hz
    # Three hydrophones 15 mm apart and 1 mm out of place: no estimator knows the bearing better than that.
    mounting = bearing_bound(SHALLOW.array.positions_m, 0.0, 0.0, SHALLOW.sound_speed_m_s,
                             arrival_variance_s2=1e-20, element_sd_m=SHALLOW.array.tolerances_m)  # fmt: skip
    assert found.bearing_deg > np.rad2deg(float(mounting.bearing_sd))


@pytest.mark.slow
def test_what_is_too_weak_has_no_prediction():
    faint = PINGER.model_copy(update={"source_level_db": 100.0})
    found = predict_ping(SHALLOW, faint)
    assert found.answered < 0.2 and not np.isfinite(found.position_m)


@pytest.mark.slow
@pytest.mark.thorough
def test_the_shallow_pool_s_prediction_is_what_rendered_pings_have():
    """48 pings through recorder and `locate`: their RMS is known to 10 %, and the tails of a weak ping are heavy."""
    scene = SHALLOW.changed({"vehicle.heading_sd_deg": 0.0, "vehicle.roll_sd_deg": 0.0, "vehicle.pitch_sd_deg": 0.0})
    pinger = scene.pingers[0]
    places, heading = (
        places_about(scene, np.tile(scene.vehicle.position_m, (48, 1)), np.random.default_rng(3)),
        np.full(48, scene.vehicle.pose.heading),
    )
    columns = rendered_bearings(scene, pinger, places, heading, seed=3)
    error = columns["error"][columns["outcome"] == 0]
    rms = rms_interval(error, np.random.default_rng(1))
    assert predict_ping(scene, pinger).bearing_deg == pytest.approx(np.rad2deg(rms.value), rel=0.35)
    # No unbiased estimator is better than the bound of the window it uses.
    pose = Pose(places, scene.vehicle.pose.roll, scene.vehicle.pose.pitch, heading)
    pings = measure_blind(scene, pinger, pose, np.random.default_rng(4))
    assert bearing_bound_of_its_window(scene, pinger, pose, pings) <= rms.high
