"""Simulated calibration runs: do they recover what was put in, within what they state?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.present.plot.calibrate import plan_plot
from acoustics.present.text.calibrate import plan_text
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.calibrate.geometry import RunPlan, planned_prior, planned_run
from acoustics.study.calibrate.plan import plan_calibration

POOL = load_scene(shipped("examples")["mallard-basin"])
HULL = POOL.model_copy(update={"array": load_array("hull-4")})
PINGER = POOL.pingers[0]
SHORT = RunPlan(headings=6, pings_each=2)


@pytest.fixture(scope="module")
def recovered():
    return plan_calibration(HULL, PINGER, SHORT, runs=500, seed=1)


@pytest.fixture(scope="module")
def few():
    """The same plan with next to no simulation: for what is predicted, and how it is said."""
    return plan_calibration(HULL, PINGER, SHORT, runs=5, seed=1)


@pytest.mark.slow
@pytest.mark.thorough
def test_stated_regions_hold_the_truth(recovered):
    assert recovered.runs - recovered.refused >= 495  # refused below p = 0.001: 0.5 of 500 are to be expected
    for kind, interval in recovered.coverage.items():
        # The share of 500 has a standard deviation of 1 %: 2.5 of them about 95 %.
        assert 0.925 < interval.value < 0.975, kind
    # The mean of 500 chi-squares of 20 degrees of freedom over 20 has a standard deviation of 0.014.
    assert recovered.normalised_square.value == pytest.approx(1.0, abs=0.045)


@pytest.mark.slow
@pytest.mark.thorough
def test_errors_are_of_the_predicted_size(recovered):
    for line in recovered.parameters:
        # 500 squares give an RMS to 3 %; the prediction is made at the nominal parameters.
        assert line.value == pytest.approx(line.sd, rel=0.12), line.name
        assert line.sd <= line.prior_sd * (1 + 1e-9)
        assert line.learned == pytest.approx(1 - (line.sd / line.prior_sd) ** 2)
    assert recovered.bearing_simulated_deg.value == pytest.approx(recovered.bearing_after_deg, rel=0.12)
    assert recovered.bearing_after_deg < 0.5 * recovered.bearing_before_deg


@pytest.mark.slow
def test_wrong_cycles_put_in_are_put_right(recovered):
    assert recovered.wrong_integers == pytest.approx(0.02 * 500 * 12, rel=0.4)
    assert recovered.cycles_right.value > 0.99


def test_more_headings_never_hurt(few):
    bearings = [line.bearing_deg for line in few.by_headings]
    assert [line.headings for line in few.by_headings] == [1, 2, 3, 4, 6, 8, 12, 24]
    assert np.all(np.diff(bearings) < 0)


def test_the_same_seed_gives_the_same_numbers():
    first, second, other = (
        plan_calibration(POOL, PINGER, replace(SHORT, headings=3, pings_each=1), runs=4, seed=s) for s in (5, 5, 6)
    )
    assert first == second != other


def test_an_unknown_depth_costs_and_more_depths_help():
    prior = planned_prior(POOL, PINGER, replace(SHORT, depth_known=False))
    floor = float(POOL.pool.floor_depth_m(PINGER.position_m))
    assert prior.source_sd_m[0].tolist() == pytest.approx([0.05, 0.05, floor / np.sqrt(12)])
    many = replace(SHORT, source_depths_m=(0.8, 2.4))
    run, sd, _, _ = planned_run(POOL, PINGER, many)
    assert len(run.used) == 24 and set(run.source_m[:, 2]) == {0.8, 2.4} and sd.shape == (24,)
    assert run.pose_index[-1] == 11


def test_text_and_picture_say_the_same(few):
    text = plan_text(few)
    assert "6 headings x 1 source depth x 2 pings = 12 pings" in text
    assert "1 of 1  a delay common to all channels" in text
    assert f"before {few.bearing_before_deg:.1f} deg" in text
    drawn = {axes.get_title(loc="left"): axes.get_ylabel() for axes in plan_plot(few).axes}
    assert drawn["Bearing's systematic error"] == "standard deviation, predicted [deg]"


@pytest.mark.parametrize(
    ("plan", "message"),
    [
        (replace(SHORT, headings=0), "headings=0, pings_each=2: expected 1 or more"),
        (replace(SHORT, headings=360, pings_each=100), "together at most 2000"),
        (replace(SHORT, range_m=40.0), "range_m=40: the vehicle at .* has no room there"),
        (replace(SHORT, range_m=0.05), "range_m=0.05: the vehicle at .* has no room there"),
        (replace(SHORT, source_depths_m=(9.0,)), r"a source at \[20.0, 8.0, 9.0\] is outside the water"),
    ],
)
def test_impossible_plans_are_refused(plan, message):
    with pytest.raises(ParameterError, match=message):
        plan_calibration(POOL, PINGER, plan, runs=10, seed=1)


def test_one_session_is_no_simulation():
    with pytest.raises(ParameterError, match="runs=1: expected at least 2"):
        plan_calibration(POOL, PINGER, SHORT, runs=1, seed=1)
