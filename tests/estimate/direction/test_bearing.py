"""Bearings: efficiency against an independent bound, coverage, candidates of ambiguous arrays, hard cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from acoustics.base.errors import ParameterError
from acoustics.base.frames import direction, wrap_angle
from acoustics.base.regions import inside_region
from acoustics.estimate.direction.bearing import estimate_bearing
from acoustics.estimate.tdoa.differences import Tdoa, tdoa_from_toa

C = 1480.0
LINE = np.array([[0.0, -0.1, 0.0], [0.0, 0.1, 0.0]])
PLANE = 0.1 * np.array([[1.0, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0]])
VOLUME = 0.1 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, -1, 1], [-1, 1, -1], [0.3, 0.2, -0.5]])


def arrival_times(hydrophones, bearing, depression, speed=C):
    """Plane wave, written out here so as not to rest on the code under test."""
    u = np.array([np.cos(depression) * np.cos(bearing), np.cos(depression) * np.sin(bearing), np.sin(depression)])
    return -np.asarray(hydrophones) @ u / speed


def bound(hydrophones, bearing, depression, sd, *, speed_sd=0.0, element_sd=0.0):
    """Covariance of (bearing, depression) from the Fisher information with every nuisance kept explicit.

    Unknowns: bearing, depression, emission time, sound speed, 3n coordinates. Derivatives by central differences.
    """
    n = len(hydrophones)

    def times(p):
        return p[2] + arrival_times(hydrophones + p[4:].reshape(n, 3), p[0], p[1], C + p[3])

    p0 = np.concatenate([[bearing, depression], np.zeros(2 + 3 * n)])
    steps = np.concatenate([[1e-6, 1e-6, 1e-6, 1e-2], np.full(3 * n, 1e-6)])
    jacobian = np.stack(
        [(times(p0 + s * e) - times(p0 - s * e)) / (2 * s) for s, e in zip(steps, np.eye(len(p0)), strict=True)],
        axis=1,
    )
    prior_sd = np.concatenate([[np.inf, np.inf, 1.0, max(speed_sd, 1e-6)], np.full(3 * n, max(element_sd, 1e-10))])
    scale = np.concatenate([[1e-3, 1e-3, 1e-3], prior_sd[3:]])  # keeps the matrix well conditioned
    information = jacobian.T @ jacobian / sd**2 + np.diag(1.0 / prior_sd**2)
    inverse = np.linalg.inv(information * scale * scale[:, None]) * scale * scale[:, None]
    return inverse[:2, :2]


def simulate(hydrophones, bearing, depression, sd, *, seed, n=10_000, speed_sd=0.0, element_sd=0.0):
    rng = np.random.default_rng(seed)
    moved = hydrophones + element_sd * rng.standard_normal((n, *hydrophones.shape))
    speed = C + speed_sd * rng.standard_normal((n, 1))
    times = arrival_times(moved, bearing, depression, speed) + sd * rng.standard_normal((n, len(hydrophones)))
    return tdoa_from_toa(times, sd**2)


def errors(result, bearing, depression):
    """Errors (m, 2) and covariances of the candidate nearest to the truth."""
    both = np.stack([wrap_angle(result.bearing - bearing), result.depression - depression], axis=-1)
    pick = np.argmin(np.abs(both).sum(axis=-1), axis=-1)[:, None]
    nearest = np.take_along_axis(both, pick[..., None], axis=1)[:, 0]
    return nearest, np.take_along_axis(result.covariance, pick[..., None, None], axis=1)[:, 0]


@pytest.mark.parametrize("theta_deg", [0, 30, 60])
def test_two_elements_reach_the_closed_form(theta_deg):
    # sigma = c sigma_tau / (d cos theta), theta from broadside (textbook identity; COMPUTED values in degrees).
    published = {0: 0.423989, 30: 0.489580, 60: 0.847978}[theta_deg]
    delays = simulate(LINE, np.deg2rad(theta_deg), 0.0, 1e-6 / np.sqrt(2), seed=3, n=40_000)
    result = estimate_bearing(delays, LINE, C)
    error, covariance = errors(result, np.deg2rad(theta_deg), 0.0)
    # Standard error of an rms from 4e4 trials: 0.35 %; the curvature at 60 degrees adds 0.1 %.
    np.testing.assert_allclose(np.rad2deg(np.sqrt(np.mean(error[:, 0] ** 2))), published, rtol=0.015)
    np.testing.assert_allclose(np.rad2deg(np.sqrt(np.mean(covariance[:, 0, 0]))), published, rtol=0.005)
    assert result.observes == "line"
    assert result.dof == 0


@pytest.mark.parametrize(
    ("hydrophones", "bearing", "depression", "nuisance"),
    [
        (PLANE, 0.7, 0.4, {}),
        (PLANE, -2.9, 0.9, {"speed_sd": 15.0, "element_sd": 2e-4}),
        (VOLUME, -2.7, 0.4, {}),
        (VOLUME, 1.2, -0.8, {"speed_sd": 15.0}),
        (VOLUME, 3.1, 0.1, {"element_sd": 5e-4}),
        (VOLUME, 0.4, 1.1, {"speed_sd": 8.0, "element_sd": 3e-4}),
    ],
)
def test_reaches_the_bound_and_covers_the_truth(hydrophones, bearing, depression, nuisance):
    sd = 1.5e-7
    delays = simulate(hydrophones, bearing, depression, sd, seed=11, **nuisance)
    known = {
        "sound_speed_sd_m_s": nuisance.get("speed_sd", 0.0),
        "element_sd_m": nuisance.get("element_sd", 0.0),
    }
    result = estimate_bearing(delays, hydrophones, C, **known)
    error, covariance = errors(result, bearing, depression)
    theory = bound(hydrophones, bearing, depression, sd, **nuisance)
    # Standard error of an rms from 1e4 trials: 0.7 %; of a coverage of 95 %: 0.22 %.
    np.testing.assert_allclose(np.sqrt(np.mean(error**2, axis=0)), np.sqrt(np.diag(theory)), rtol=0.03)
    np.testing.assert_allclose(np.mean(covariance, axis=0), theory, rtol=0.03, atol=0.03 * theory.max())
    assert 0.94 <= inside_region(error, covariance).mean() <= 0.96
    assert result.ok.all()
    assert set(result.reason) == {""}
    if result.dof:
        assert abs((result.p_value < 0.05).mean() - 0.05) < 0.01


def test_ignoring_the_nuisances_would_not_cover():
    delays = simulate(VOLUME, 0.4, 1.1, 1.5e-7, seed=11, speed_sd=8.0, element_sd=3e-4)
    error, covariance = errors(estimate_bearing(delays, VOLUME, C), 0.4, 1.1)
    assert inside_region(error, covariance).mean() < 0.9


def test_same_minimum_as_scipy():
    delays = simulate(VOLUME, 2.0, 0.5, 1e-6, seed=5, n=20)
    result = estimate_bearing(delays, VOLUME, C)
    weight = np.linalg.inv(np.linalg.cholesky(delays.covariance_s2))
    for i in range(20):

        def residual(p, i=i):
            t = arrival_times(VOLUME, p[0], p[1])
            return weight @ (delays.tdoa_s[i] - (t[1:] - t[0]))

        fit = least_squares(residual, [2.0, 0.5], jac="3-point", xtol=1e-14, ftol=1e-14, gtol=1e-14)
        found = [result.bearing[i, 0], result.depression[i, 0]]
        np.testing.assert_allclose(found, fit.x, atol=1e-7)
        np.testing.assert_allclose(result.chi2[i], 2 * fit.cost, rtol=1e-6)


def test_the_second_direction_of_a_nearly_flat_volume_is_right_as_often_as_it_says():
    # All but one hydrophone lie in the vertical plane ahead, and the last is 18 mm beside it: what tells port from
    # starboard is one short baseline, and two directions mirrored across that plane fit nearly alike.
    array = np.array([[0.0, 0, 0], [0, 0.018, 0], [-0.3, 0, 0], [0, 0, 0.15]])
    rng = np.random.default_rng(9)
    bearing, depression = rng.uniform(-0.3, 0.3, 20_000), np.arcsin(rng.uniform(-0.1, 0.1, 20_000))
    u = direction(bearing, depression)
    times = -u @ array.T / C + 7e-7 * rng.standard_normal((20_000, 4))
    found = estimate_bearing(tdoa_from_toa(times, 7e-7**2), array, C)
    toward = np.einsum("mci,mi->mc", direction(found.bearing, found.depression), u)
    second = toward[:, 1] > toward[:, 0]
    stated = found.probability[:, 1]
    assert stated.mean() > 0.02
    for low, high in ((0.01, 0.1), (0.1, 0.3), (0.3, 0.5)):
        some = (stated > low) & (stated < high)
        # Standard error of the share over some hundreds of pings; a tenth of it for the Laplace approximation.
        p = stated[some].mean()
        assert abs(second[some].mean() - p) < 3 * np.sqrt(p * (1 - p) / some.sum()) + 0.1 * p, (low, some.sum())
    np.testing.assert_allclose(found.probability.sum(axis=-1), 1.0)


def test_a_proper_volume_has_no_second_direction():
    found = estimate_bearing(simulate(VOLUME, 0.4, 0.3, 1e-6, seed=3, n=500), VOLUME, C)
    assert (found.probability[:, 1] < 1e-12).all()


def test_plane_gives_the_mirror_image_and_the_lower_side_first():
    delays = tdoa_from_toa(arrival_times(PLANE, 0.7, 0.4), 1e-14)
    result = estimate_bearing(delays, PLANE, C)
    np.testing.assert_allclose(result.bearing, [0.7, 0.7], atol=1e-9)
    np.testing.assert_allclose(result.depression, [0.4, -0.4], atol=1e-9)
    assert result.observes == "plane"


def test_tilted_plane_gives_a_mirror_image_that_fits_as_well():
    tilt = np.array([[1.0, 0, 0], [0, np.cos(0.5), -np.sin(0.5)], [0, np.sin(0.5), np.cos(0.5)]])
    array = PLANE @ tilt.T
    delays = tdoa_from_toa(arrival_times(array, -1.0, 0.3), 1e-14)
    result = estimate_bearing(delays, array, C)
    normal = tilt[:, 2]
    truth = direction(-1.0, 0.3)
    mirrored = truth - 2 * (truth @ normal) * normal
    found = direction(result.bearing, result.depression)
    for expected in (truth, mirrored):
        assert np.linalg.norm(found - expected, axis=-1).min() < 1e-9


def test_line_gives_a_cone():
    axis = direction(0.4, 0.2)
    array = np.array([-0.2, 0.0, 0.3])[:, None] * axis
    delays = tdoa_from_toa(arrival_times(array, 1.0, 0.5), 1e-14)
    result = estimate_bearing(delays, array, C)
    true_angle = np.arccos(direction(1.0, 0.5) @ result.cone_axis)
    np.testing.assert_allclose(result.cone_angle, true_angle, atol=1e-9)
    # Both level candidates lie on the cone; the truth is among the candidates at its own depression.
    level = direction(result.bearing, result.depression)
    np.testing.assert_allclose(np.arccos(level @ result.cone_axis), true_angle, atol=1e-9)
    np.testing.assert_array_equal(result.depression, 0.0)
    known = estimate_bearing(delays, array, C, assumed_depression=0.5)
    assert np.abs(known.bearing - 1.0).min() < 1e-9


@pytest.mark.parametrize(("axis", "first"), [([1.0, 0, 0], [0.5, 1.0]), ([0, 1.0, 0], [1.0, 0.5])])
def test_line_gives_starboard_or_forward_first(axis, first):
    # Source at 60 degrees to starboard of the bow (or the axis), first[0] along x, first[1] along y.
    array = np.array([-0.1, 0.1])[:, None] * np.array(axis)
    delays = tdoa_from_toa(arrival_times(array, np.pi / 4, 0.0), 1e-14)
    result = estimate_bearing(delays, array, C)
    np.testing.assert_allclose(result.bearing[0], np.pi / 4, atol=1e-9)
    other = -np.pi / 4 if axis[0] else 3 * np.pi / 4
    np.testing.assert_allclose(result.bearing[1], other, atol=1e-9)


def test_near_field_correction_removes_the_bias():
    source = 1.0 * direction(0.7, 0.4)
    array = VOLUME + [0.3, 0.0, 0.1]
    times = np.linalg.norm(source - array, axis=-1) / C
    delays = tdoa_from_toa(times, 1e-14)
    plain = estimate_bearing(delays, array, C)
    assert abs(plain.bearing[0] - 0.7) > 0.01
    result = estimate_bearing(delays, array, C, range_m=1.0)
    np.testing.assert_allclose([result.bearing[0], result.depression[0]], [0.7, 0.4], atol=1e-7)
    line = estimate_bearing(
        tdoa_from_toa(np.linalg.norm(direction(0.3, 0.0) - LINE, axis=-1) / C, 1e-14),
        LINE,
        C,
        range_m=1.0,
    )
    np.testing.assert_allclose(line.bearing[0], 0.3, atol=1e-7)


def test_reference_and_batch_shape_do_not_matter():
    rng = np.random.default_rng(2)
    times = arrival_times(VOLUME, 1.0, 0.2) + 1e-7 * rng.standard_normal((2, 3, 5))
    first = estimate_bearing(tdoa_from_toa(times, 1e-14), VOLUME, C)
    other = estimate_bearing(tdoa_from_toa(times, 1e-14, reference=3), VOLUME, np.full((2, 3), C))
    assert first.bearing.shape == first.probability.shape == (2, 3, 2)
    assert first.covariance.shape == (2, 3, 2, 2, 2)
    assert first.ok.shape == first.reason.shape == first.chi2.shape == (2, 3)
    np.testing.assert_allclose(first.bearing, other.bearing, atol=1e-9)
    np.testing.assert_allclose(first.covariance, other.covariance, rtol=1e-5, atol=1e-14)
    single = estimate_bearing(tdoa_from_toa(times[1, 2], 1e-14), VOLUME, C)
    np.testing.assert_allclose(single.bearing, first.bearing[1, 2], atol=1e-9)


@pytest.mark.parametrize("sd", [0.0, 1e-7, 1e-5])
@pytest.mark.parametrize(("bearing", "depression"), [(0.0, 0.0), (np.pi / 2, 0.0), (0.3, np.pi / 2), (1, -1.5)])
@pytest.mark.parametrize("hydrophones", [LINE, LINE[:, [1, 0, 2]], LINE[:, [0, 2, 1]], PLANE, PLANE[:3], VOLUME])
def test_hard_cases_are_finite_or_say_why(hydrophones, bearing, depression, sd):
    delays = simulate(hydrophones, bearing, depression, sd, seed=8, n=200)
    for extra in ({}, {"range_m": 0.5, "sound_speed_sd_m_s": 10.0, "element_sd_m": 1e-3}):
        result = estimate_bearing(delays, hydrophones, C, **extra)
        for values in (result.bearing, result.depression, result.covariance, result.chi2, result.p_value):
            assert np.isfinite(values).all()
        assert (np.linalg.eigvalsh(result.covariance) > -1e-12).all()
        assert all(result.ok | (result.reason != ""))


def test_reasons():
    overhead = estimate_bearing(simulate(PLANE, 0.0, np.pi / 2, 1e-9, seed=1, n=50), PLANE, C)
    assert (~overhead.ok).mean() > 0.7
    assert any("straight above or below" in r for r in overhead.reason)
    level = estimate_bearing(simulate(PLANE, 0.5, 0.0, 1e-7, seed=1, n=50), PLANE, C)
    assert level.ok.all()
    assert any("in the plane of the array" in r for r in level.reason)
    vertical = estimate_bearing(simulate(LINE[:, [0, 2, 1]], 0.5, 0.3, 1e-7, seed=1, n=5), LINE[:, [0, 2, 1]], C)
    assert not vertical.ok.any()
    assert "vertical line" in vertical.reason[0]
    np.testing.assert_allclose(np.abs(np.cos(vertical.cone_angle)), np.sin(0.3), atol=0.01)
    steep = np.array([-0.1, 0.1])[:, None] * direction(0.0, 1.2)
    misses = estimate_bearing(simulate(steep, 0.0, 1.2, 1e-8, seed=1, n=5), steep, C)
    assert not misses.ok.any()
    assert "lies on the cone" in misses.reason[0]
    on_axis = estimate_bearing(simulate(LINE, np.pi / 2, 0.0, 1e-7, seed=1, n=5), LINE, C)
    assert on_axis.ok.all()
    assert "on the axis of the line" in on_axis.reason[0]


def test_missing_delay_fails_that_trial_only():
    delays = simulate(VOLUME, 1.0, 0.2, 1e-7, seed=1, n=3)
    values = delays.tdoa_s.copy()
    values[1, 2] = np.nan
    result = estimate_bearing(Tdoa(values, delays.covariance_s2), VOLUME, C)
    np.testing.assert_array_equal(result.ok, [True, False, True])
    assert result.reason[1] == "a delay or its covariance is not finite"
    assert np.isnan(result.bearing[1]).all()
    assert np.isfinite(result.bearing[[0, 2]]).all()


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"hydrophones_m": PLANE}, r"hydrophones_m has shape \(4, 3\): expected \(5, 3\) finite values"),
        ({"hydrophones_m": np.zeros((5, 3))}, "all hydrophones are at one place"),
        ({"sound_speed_m_s": -1.0}, r"sound_speed_m_s=-1.0: expected finite values above 0"),
        ({"sound_speed_m_s": np.full(4, C)}, r"sound_speed_m_s has shape \(4,\): expected \(\) or \(3,\)"),
        ({"range_m": 0.0}, "range_m=0.0: expected finite values above 0"),
        ({"sound_speed_sd_m_s": -2.0}, "sound_speed_sd_m_s=-2.0"),
        ({"element_sd_m": [0.1, 0.2]}, r"element_sd_m=\[0.1, 0.2\]: expected one value or 5"),
        ({"assumed_depression": 2.0}, "assumed_depression=2.0: expected between -pi/2 and pi/2"),
    ],
)
def test_wrong_arguments(arguments, text):
    call = {"hydrophones_m": VOLUME, "sound_speed_m_s": C} | arguments
    hydrophones, speed = call.pop("hydrophones_m"), call.pop("sound_speed_m_s")
    with pytest.raises(ParameterError, match=text):
        estimate_bearing(simulate(VOLUME, 1.0, 0.2, 1e-7, seed=1, n=3), hydrophones, speed, **call)


def test_covariance_that_is_none():
    with pytest.raises(ParameterError, match="not positive semi-definite"):
        estimate_bearing(Tdoa(np.zeros(4), -np.eye(4)), VOLUME, C)
