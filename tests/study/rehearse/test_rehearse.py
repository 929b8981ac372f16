"""Rehearsed runs: the vehicle's errors by the stated sizes, and whole runs that end as they should."""

from dataclasses import replace

import numpy as np
import pytest
from quick import POOL

from acoustics import load_scene
from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import ParameterError
from acoustics.present.plot.rehearse import rehearsal_plot
from acoustics.present.text.rehearse import rehearsal_text
from acoustics.study.draws import SimulatedVehicle
from acoustics.study.execution import Running
from acoustics.study.live import CommitRule
from acoustics.study.rehearse import study_rehearsal

SCENE = load_scene(POOL)
PINGER = SCENE.pingers[0]


def test_the_vehicle_strays_by_the_stated_errors():
    """Eight metres along x in 2,000 draws: variances as in `ErrorSizes`, to 4 standard errors of a variance."""
    errors = replace(
        error_sizes_of(SCENE, PINGER),
        heading_bias_sd=0.03,
        log_scale_sd=0.02,
        position_sd_m=0.1,
        drift_sd_m_per_root_m=0.05,
    )
    ends = []
    for seed in range(2000):
        vehicle = SimulatedVehicle(SCENE, errors, np.random.default_rng(seed))
        start = vehicle.believed_m
        for _ in range(4):
            there = vehicle.go(start + [8.0, 0.0, 0.0], 2.0)
        ends.append(vehicle.true_pose().position_m - vehicle.believed_m)
        assert there and vehicle.travelled_m == pytest.approx(8.0)
    expected = [0.01 + 8 * 0.05**2 + (8 * 0.02) ** 2, 0.01 + 8 * 0.05**2 + (8 * 0.03) ** 2]
    np.testing.assert_allclose(np.var(ends, axis=0)[:2], expected, rtol=4 * np.sqrt(2 / 2000))


def test_a_vehicle_stops_where_it_is_sent():
    vehicle = SimulatedVehicle(SCENE, error_sizes_of(SCENE, PINGER), np.random.default_rng(1))
    target = vehicle.believed_m + [3.0, 4.0, 0.0]
    assert not vehicle.go(target, 2.0)
    assert vehicle.heading == pytest.approx(np.arctan2(4.0, 3.0))
    assert vehicle.go(target, 10.0)
    np.testing.assert_allclose(vehicle.believed_m, target)


@pytest.mark.slow
@pytest.mark.thorough
def test_whole_runs_end_and_are_taken_up_again(tmp_path):
    kept = Running(folder=tmp_path / "kept")
    alone = study_rehearsal(SCENE, PINGER, CommitRule(), runs=3, seed=3, running=kept)
    again = study_rehearsal(SCENE, PINGER, CommitRule(), runs=3, seed=3, running=kept)
    assert alone.shares == again.shares and alone.time_s == again.time_s
    assert sum(share.value for share in alone.shares) == pytest.approx(1.0)
    assert alone.shares[0].value >= 0.6  # a pool of 25 m at 2E/N0 of 60 dB; all three when this was written
    assert alone.first.true_m.shape == alone.first.believed_m.shape
    assert "How runs end" in rehearsal_text(alone)
    assert rehearsal_plot(alone, SCENE).axes


@pytest.mark.slow
def test_a_run_without_time_commits_to_nothing():
    scene = SCENE.model_copy(update={"study": SCENE.study.model_copy(update={"time_limit_s": 1.5})})
    found = study_rehearsal(scene, PINGER, CommitRule(0.999), runs=2, seed=1)
    assert [share.value for share in found.shares] == [0.0, 0.0, 1.0]
    assert found.stated is None and found.time_s is None
    assert "not in the time" in rehearsal_text(found)


def test_a_rehearsal_needs_stations():
    with pytest.raises(ParameterError, match="no \\[\\[station\\]\\]"):
        study_rehearsal(SCENE.model_copy(update={"stations": ()}), PINGER, CommitRule(), runs=1, seed=1)
