"""The uneven array beside the scaled one: one window, one simulation, and a verdict that follows from it."""

from dataclasses import replace

import numpy as np
import pytest
from rendered import rendered_bearings

from acoustics.base.intervals import Interval
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import (
    BearingOutcome,
    answered_all_round,
    measure_turned,
    places_about,
    simulate_turned,
    turned_about,
    with_hydrophones,
)
from acoustics.study.place import Aim, criterion_for
from acoustics.study.spacing import study_spacing

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]
BEARINGS = np.arange(24) * np.pi / 12


@pytest.fixture(scope="module")
def told():
    """What `study` told of its progress."""
    return []


@pytest.fixture(scope="module")
def study(told):
    return study_spacing(POOL, POOL.pingers, trials=1500, seed=1, progress=lambda *parts: told.append(parts))


def outcome(rms, low, high, right, share, most):
    return BearingOutcome(Interval(rms, low, high), Interval(right, right, right), Interval(share, 0.0, most))


@pytest.mark.slow
def test_progress_begins_with_the_first_pings_and_ends_with_the_uneven_array(study, told):
    done, total = np.array(told).T
    assert done[0] == 0 and done[-1] == total[-1] and (np.diff(done) >= 0).all() and (np.diff(total) >= 0).all()
    # The search for the uneven array and its pings come last, and are some third of the work.
    assert np.any((done > 0.6 * total) & (done < 0.95 * total))


@pytest.mark.slow
def test_spacing_and_place_count_on_the_same_part_of_the_burst(study):
    ranges = criterion_for(POOL, PINGER, Aim())[1]
    assert ranges.multipath_free_s[0] == pytest.approx(study.multipath_free_s, rel=1e-12)
    assert 10 * np.log10(ranges.link.energy_ratio_2e_n0[0]) == pytest.approx(study.energy_ratio_db, rel=1e-12)


def test_the_uneven_array_keeps_to_the_mounting_and_is_told_with_its_risk(study):
    found = study.alternative
    assert POOL.mounting.on(POOL.vehicle).fits(found.uneven.hydrophones_m)
    assert len(found.uneven.hydrophones_m) == len(found.scaled.hydrophones_m)
    assert found.scaled.shortest_baseline_m == pytest.approx(study.recommendation.spacing_m)
    row = int(np.searchsorted(study.simulated.spacing_m, study.recommendation.spacing_m))
    # Two simulations of 1,500 pings each, known to 1.8 %: 8 % is three standard errors of their ratio.
    assert found.scaled.one_ping.rms_deg.value == pytest.approx(study.simulated.rms_deg[row].value, rel=0.08)
    assert found.uneven.four_pings.wrong_integer.value <= found.uneven.one_ping.wrong_integer.value
    assert str(study).count("uneven, over the hull") == 1


def test_four_joined_pings_halve_the_noise_and_nothing_else():
    # The mean of four independent errors has half their standard deviation; echoes stay as they are.
    exact = with_hydrophones(POOL, POOL.array.positions_m - np.array(POOL.array.mount_m), tolerance_m=0.0)
    recorder = POOL.recorder.model_copy(update={"skew_sd_s": 0.0})
    exact = exact.model_copy(update={"recorder": recorder})
    heard = turned_about(exact, PINGER, BEARINGS, np.random.default_rng(1))
    still = np.zeros_like(heard.pings.carrier_shift_s)
    heard = replace(heard, pings=replace(heard.pings, carrier_shift_s=still, envelope_shift_s=still))
    one, four = (simulate_turned(heard, 384, np.random.default_rng(2), joined=joined).error for joined in (1, 4))
    assert len(one) > 380 and len(four) > 380  # few enough that each is worked out
    # 384 errors know an RMS to 3.6 %; 15 % is three standard errors of the ratio.
    assert np.sqrt(np.mean(one**2) / np.mean(four**2)) == pytest.approx(2.0, rel=0.15)


def test_an_array_that_would_leave_the_water_is_not_measured():
    outside = with_hydrophones(POOL, np.diag([0.0, 0.0, -3.0]))
    assert measure_turned(outside, PINGER, BEARINGS, None) is None
    assert turned_about(outside, PINGER, BEARINGS, None) is None


def test_what_wrong_integers_cost_is_what_is_left_of_the_mean_square():
    mixed = outcome(np.sqrt(0.99 * 0.2**2 + 0.01 * 50.0**2), 4.0, 6.0, 0.2, 0.01, 0.02)
    assert mixed.wrong_integer_deg == pytest.approx(50.0)
    assert outcome(0.2, 0.19, 0.21, 0.2, 0.0, 0.001).wrong_integer_deg == 0.0


@pytest.mark.slow
@pytest.mark.thorough
def test_rendered_pings_of_the_uneven_array_err_as_simulated(study):
    """48 pings know an RMS to 10 %; of 1 % wrong integers more than three are seen once in 500 times."""
    found = study.alternative.uneven
    placed = with_hydrophones(POOL, found.hydrophones_m - np.array(POOL.array.mount_m))
    rng, own = np.random.default_rng(4), POOL.vehicle.pose
    places = places_about(placed, np.tile(own.position_m, (48, 1)), rng)
    heard = rendered_bearings(placed, PINGER, places, own.heading + np.arange(48) * np.pi / 24, seed=4)
    given = heard["outcome"] == 0
    error, wrong = np.rad2deg(heard["error"][given]), heard["wrong_integer"][given]
    assert given.mean() > 0.9 and wrong.sum() <= 3
    # Errors of single places have tails by their echoes: to a factor of two, as tests/benchmarks/agreement.py counts.
    assert 0.5 < np.sqrt(np.mean(error[~wrong] ** 2)) / found.one_ping.right_integer_deg.value < 2.0


def test_a_bearing_without_an_answer_takes_the_ping_of_the_nearest_that_has_one():
    pings = measure_turned(POOL, PINGER, BEARINGS, np.random.default_rng(1))
    answered = np.ones(24, dtype=bool)
    answered[[0, 1, 10, 11]] = False
    told = answered_all_round(replace(pings, answered=answered, window_s=np.arange(24.0)), BEARINGS)
    # The first lies next to the last, all round.
    expected = [23, 2, *range(2, 10), 9, 12, *range(12, 24)]
    assert told.window_s.tolist() == expected and told.answered.all()
