"""The vehicle's estimators against the bounds, both through the simulation at delay level."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.base.regions import inside_region
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.timing_bounds import arrival_time_variance
from acoustics.scene.scenario import load_array
from acoustics.study.draws.pings import ArrivalErrors, simulate_bearings, simulate_fixes

SPEED, CARRIER_HZ, TRIALS = 1480.0, 30e3, 10_000
RNG_SEED = 20
# 10,000 squared normal errors have a mean square known to 1.4 %, their root to 0.7 %: 2.5 % is over three times it.
RMS_TOLERANCE = 0.025
# Share inside a 95 % region over 10,000 trials: standard error 0.22 %, so 94 to 96 % is over four times it.
COVERAGE_TOLERANCE = 0.01


def noise_only(energy_ratio_db):
    variance = arrival_time_variance(10 ** (energy_ratio_db / 10), (2 * np.pi * CARRIER_HZ) ** 2)
    return ArrivalErrors(variance, 1e-14, ErrorSizes())


@pytest.mark.parametrize("energy_ratio_db", [20, 30, 40])
@pytest.mark.parametrize("name", ["tetra-4", "cube-8", "square-half-wave"])
@pytest.mark.slow
def test_bearing_rms_reaches_the_bound(name, energy_ratio_db):
    hydrophones = load_array(name).positions_m
    errors = noise_only(energy_ratio_db)
    rng = np.random.default_rng(RNG_SEED)
    bearing, depression = np.full(TRIALS, 0.7), np.full(TRIALS, 0.6)
    result = simulate_bearings(hydrophones, bearing, depression, SPEED, errors, CARRIER_HZ, rng)
    bound = bearing_bound(hydrophones, 0.7, 0.6, SPEED, arrival_variance_s2=errors.phase_variance_s2)
    assert np.sqrt(np.mean(result.error**2)) == pytest.approx(float(bound.bearing_sd), rel=RMS_TOLERANCE)
    assert result.inside_95.mean() == pytest.approx(0.95, abs=COVERAGE_TOLERANCE)
    assert not result.wrong_integer.any()


def test_a_pair_has_the_textbook_error_of_two_elements():
    # sigma_bearing = c sigma_tau / (d cos b), b from broadside; sigma_tau of the difference. Textbook identity.
    hydrophones = load_array("pair").positions_m
    errors = noise_only(30)
    for from_broadside in np.deg2rad([0, 30, 60]):
        bearing = np.full(TRIALS, from_broadside)  # the pair lies across: dead ahead is broadside
        rng = np.random.default_rng(RNG_SEED)
        result = simulate_bearings(hydrophones, bearing, np.zeros(TRIALS), SPEED, errors, CARRIER_HZ, rng)
        expected = SPEED * np.sqrt(2 * errors.phase_variance_s2) / (0.0175 * np.cos(from_broadside))
        assert np.sqrt(np.mean(result.error**2)) == pytest.approx(expected, rel=RMS_TOLERANCE)


def test_bearing_regions_stay_honest_with_mounting_skew_and_sound_speed_unknown():
    hydrophones = load_array("tetra-4").positions_m
    errors = ArrivalErrors(1e-15, 1e-14, ErrorSizes(sound_speed_sd_m_s=15.0, element_sd_m=5e-4, skew_sd_s=2e-7))
    rng = np.random.default_rng(RNG_SEED)
    bearing, depression = np.full(TRIALS, 0.7), np.full(TRIALS, 0.6)
    result = simulate_bearings(hydrophones, bearing, depression, SPEED, errors, CARRIER_HZ, rng)
    assert result.inside_95.mean() == pytest.approx(0.95, abs=COVERAGE_TOLERANCE)


@pytest.mark.parametrize("energy_ratio_db", [25, 35, 45])
def test_position_rms_reaches_the_bound(energy_ratio_db):
    hydrophones = load_array("hull-4").positions_m
    errors = noise_only(energy_ratio_db)
    source = np.array([[2.0, 1.0, 1.5]])
    depth_sd = 0.05
    fix = simulate_fixes(
        hydrophones, source, SPEED, errors, source_depth_sd_m=depth_sd, trials=TRIALS,
        rng=np.random.default_rng(RNG_SEED),
    )  # fmt: skip
    bound = position_bound(
        hydrophones, source, SPEED, arrival_variance_s2=errors.phase_variance_s2, source_depth_sd_m=depth_sd
    )
    assert fix.ok.all()
    error = (fix.position_m - source[:, None])[0, :, :2]
    assert np.sqrt(np.mean(np.sum(error**2, -1))) == pytest.approx(float(bound.horizontal_rms_m[0]), rel=RMS_TOLERANCE)
    inside = inside_region(error, fix.covariance_m2[0, :, :2, :2])
    assert inside.mean() == pytest.approx(0.95, abs=COVERAGE_TOLERANCE)


def test_position_ellipses_stay_honest_with_everything_unknown():
    hydrophones = load_array("hull-4").positions_m
    turned = np.deg2rad([0.5, 0.5, 2.0])
    sizes = ErrorSizes(attitude_sd=turned, sound_speed_sd_m_s=3.0, element_sd_m=1e-3, skew_sd_s=1e-7)
    errors = ArrivalErrors(1e-16, 1e-14, sizes)
    source = np.array([[2.0, 1.0, 1.5]])
    fix = simulate_fixes(
        hydrophones, source, SPEED, errors, source_depth_sd_m=0.1,
        trials=TRIALS, rng=np.random.default_rng(RNG_SEED),
    )  # fmt: skip
    assert fix.ok.all()
    error = (fix.position_m - source[:, None])[0, :, :2]
    inside = inside_region(error, fix.covariance_m2[0, :, :2, :2])
    assert inside.mean() == pytest.approx(0.95, abs=COVERAGE_TOLERANCE)
