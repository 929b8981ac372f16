"""Noise states: what stopping to listen is worth, against the sonar equation worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import InputError
from acoustics.present.text.check import stop_to_listen
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.check import summary
from acoustics.study.hearing import AS_PLANNED, WELL_HEARD, by_noise_state, heard_share

HARBOUR = load_scene(shipped("examples")["quay-nine"])


def with_states(*levels_db):
    states = [{"name": f"state {db:g}", "self_noise_density_db": float(db)} for db in levels_db]
    return HARBOUR.changed({"noise.state": states})


def test_a_scene_without_states_has_nothing_to_compare():
    assert by_noise_state(HARBOUR, HARBOUR.pingers[0]) == ()


def test_self_noise_far_above_all_else_takes_its_decibels_from_the_energy_ratio():
    scene = with_states(80, 100)
    planned, lower, higher = by_noise_state(scene, scene.pingers[0])
    assert planned.state == AS_PLANNED
    assert planned.noise_density_db == pytest.approx(float(HARBOUR.noise_density_db(scene.pingers[0].frequency_hz)))
    # The water's own noise, some 30 dB below the lower one, adds less than 0.01 dB.
    assert higher.noise_density_db - lower.noise_density_db == pytest.approx(20.0, abs=0.02)
    assert lower.energy_ratio_db - higher.energy_ratio_db == pytest.approx(20.0, abs=0.02)
    # Where timing noise is all there is, a bound goes as the root of the noise's power (CRB); other errors only dilute.
    assert 1.0 < higher.bearing_deg / lower.bearing_deg <= 10.02


def test_nine_in_ten_are_heard_up_to_the_range_stated():
    scene = with_states(110)
    loud = by_noise_state(scene, scene.pingers[0])[1]
    at = scene.changed({"noise.self_noise_density_db": 110.0})
    inside, outside = heard_share(at, at.pingers[0], np.array([0.98, 1.03]) * loud.well_heard_m)
    assert inside > WELL_HEARD > outside


def test_20_db_are_ten_times_the_range_where_absorption_is_small():
    # Spherical spreading, 20 log r: by the sonar equation 20 dB more noise is a tenth of the range.
    scene = with_states(110, 130)
    _, lower, higher = by_noise_state(scene, scene.pingers[0])
    loss_db = (
        20 * np.log10(lower.well_heard_m / higher.well_heard_m)
        + float(scene.water.absorption_db_per_km(scene.pingers[0].frequency_hz))
        * (lower.well_heard_m - higher.well_heard_m)
        / 1e3
    )
    assert loss_db == pytest.approx(20.0, abs=0.4)  # two steps of the grid of ranges, 0.15 dB each


def test_the_sentence_names_the_loudest_and_the_quietest():
    scene = with_states(100, 120)
    said = stop_to_listen(summary(scene, scene.pingers[0]))
    assert said.startswith(f"Stop to listen: '{AS_PLANNED}' in place of 'state 120' takes ")
    assert "error of the bearing (bound)" in said


def test_states_as_loud_as_one_another_are_nothing_to_gain():
    scene = with_states(75.2)
    assert "nothing to gain" in stop_to_listen(summary(scene, scene.pingers[0]))


def test_two_states_of_one_name_are_refused():
    states = [{"name": "still", "self_noise_density_db": db} for db in (70.0, 90.0)]
    with pytest.raises(InputError, match="2 noise states have the name 'still'"):
        HARBOUR.changed({"noise.state": states})
