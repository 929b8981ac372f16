"""Estimators turn with the scene, give the truth without noise, and name a reason where there is none to give."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from acoustics.base.frames import Pose, direction, wrap_angle
from acoustics.estimate.direction.bearing import estimate_bearing
from acoustics.estimate.position.fix import locate_source
from acoustics.estimate.tdoa.differences import Tdoa, tdoa_from_toa
from acoustics.estimate.tdoa.integer_ambiguity import resolve_ambiguity
from acoustics.physics.tdoa import plane_wave_time, spherical_time

C, SD, F = 1480.0, 1e-7, 30e3
ARRAYS = {
    "line": np.array([[0, 0, 0], [0.1, 0, 0], [0.3, 0, 0]]),
    "vertical line": np.array([[0, 0, 0], [0, 0, 0.1], [0, 0, 0.3]]),
    "plane": np.array([[0, 0, 0], [0.2, 0, 0], [0, 0.2, 0], [0.2, 0.2, 0]]),
    "upright plane": np.array([[0, 0, 0], [0.2, 0, 0], [0, 0, 0.2], [0.2, 0, 0.2]]),
    "volume": np.array([[0, 0, 0], [0.2, 0, 0], [0, 0.2, 0], [0, 0, 0.2], [0.1, 0.2, 0.25]]),
}
VOLUME, PLANE = ARRAYS["volume"], ARRAYS["plane"]
angle = st.floats(-3.1, 3.1)
depression = st.floats(-1.2, 1.2)


def arrivals(times, variance=SD**2):
    return tdoa_from_toa(times, variance)


@given(angle, depression, st.integers(0, 2**16))
def test_a_bearing_turns_with_array_and_pinger(turn, d, seed):
    rng = np.random.default_rng(seed)
    b = float(rng.uniform(-np.pi, np.pi))
    times = plane_wave_time(VOLUME, direction(b, d), C) + SD * rng.normal(size=5)
    here = estimate_bearing(arrivals(times), VOLUME, C, element_sd_m=1e-3)
    there = estimate_bearing(arrivals(times), Pose(np.zeros(3), heading=turn).to_site(VOLUME), C, element_sd_m=1e-3)
    # Both stop within 1e-6 standard deviations of the minimum.
    assert wrap_angle(there.bearing - here.bearing - turn) == pytest.approx(0.0, abs=1e-6)
    assert there.depression == pytest.approx(here.depression, abs=1e-6)
    assert there.covariance == pytest.approx(here.covariance, rel=1e-4, abs=1e-9)
    assert there.chi2 == pytest.approx(here.chi2, abs=1e-5)


@given(angle, st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.integers(0, 2**16))
def test_a_fix_turns_and_shifts_with_array_and_pinger(heading, roll, pitch, seed):
    rng = np.random.default_rng(seed)
    source = rng.uniform(0.8, 2.0) * direction(rng.uniform(-3, 3), rng.uniform(-1, 1))
    pose = Pose(rng.normal(size=3), roll, pitch, heading)
    times = spherical_time(VOLUME, source, C) + SD * rng.normal(size=5)
    here = locate_source(arrivals(times), VOLUME, C)
    there = locate_source(arrivals(times), pose.to_site(VOLUME), C)
    assume(here.ok)
    sd = np.sqrt(np.trace(here.covariance_m2))
    assert there.position_m == pytest.approx(pose.to_site([here.position_m])[0], abs=1e-3 * sd)
    turned = pose.rotation @ here.covariance_m2 @ pose.rotation.T
    assert there.covariance_m2 == pytest.approx(turned, rel=1e-2, abs=1e-2 * np.trace(turned))


@given(st.floats(0.1, 10.0), st.integers(0, 2**16))
def test_a_fix_scales_with_lengths_and_times(k, seed):
    rng = np.random.default_rng(seed)
    source = rng.uniform(0.8, 2.0) * direction(rng.uniform(-3, 3), rng.uniform(-1, 1))
    times = spherical_time(VOLUME, source, C) + SD * rng.normal(size=5)
    here = locate_source(arrivals(times), VOLUME, C, element_sd_m=1e-4)
    there = locate_source(arrivals(k * times, (k * SD) ** 2), k * VOLUME, C, element_sd_m=k * 1e-4)
    assume(here.ok)
    sd = np.sqrt(np.trace(here.covariance_m2))
    assert there.position_m == pytest.approx(k * here.position_m, abs=1e-3 * k * sd)
    assert there.covariance_m2 == pytest.approx(k**2 * here.covariance_m2, rel=1e-2, abs=1e-2 * k**2 * sd**2)


@given(angle, depression, st.integers(0, 4))
def test_without_noise_the_direction_is_exact_whatever_the_reference(b, d, reference):
    times = plane_wave_time(VOLUME, direction(b, d), C)
    found = estimate_bearing(tdoa_from_toa(times, 0.0, reference=reference), VOLUME, C)
    assert direction(found.bearing[0], found.depression[0]) == pytest.approx(direction(b, d), abs=1e-7)
    assert found.ok


@given(st.permutations(range(5)), st.integers(0, 2**16))
def test_the_order_of_the_hydrophones_does_not_matter(order, seed):
    rng = np.random.default_rng(seed)
    times = plane_wave_time(VOLUME, direction(rng.uniform(-3, 3), rng.uniform(-1, 1)), C) + SD * rng.normal(size=5)
    here = estimate_bearing(arrivals(times), VOLUME, C)
    there = estimate_bearing(arrivals(times[order]), VOLUME[order], C)
    assert there.bearing == pytest.approx(here.bearing, abs=1e-6)
    assert there.chi2 == pytest.approx(here.chi2, abs=1e-5)


@given(st.floats(0.0, 100.0))
def test_more_stated_noise_never_states_a_better_bearing(factor):
    times = plane_wave_time(VOLUME, direction(0.4, 0.3), C)
    sd = [
        np.linalg.eigvalsh(estimate_bearing(arrivals(times, v), VOLUME, C).covariance[0])
        for v in (SD**2, SD**2 * (1 + factor))
    ]
    assert np.all(sd[1] >= sd[0] * (1 - 1e-6))


PLACES = [
    (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (-2.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.0, 0.0, -1.0),
    (0.1, 0.1, 1e-9), (0.0, 0.0, 0.0), (0.3, 0.0, 0.0), (1e-12, 0.0, 0.0), (1e5, 1e5, 0.0), (0.1, 0.1, 3.0),
]  # fmt: skip


@pytest.mark.parametrize("shape", ARRAYS)
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "variance", [pytest.param(0.0, marks=pytest.mark.slow), SD**2, pytest.param(1.0, marks=pytest.mark.slow)]
)
def test_in_the_plane_on_the_axis_below_and_at_a_hydrophone_the_answer_is_finite_or_reasoned(shape, place, variance):
    points = ARRAYS[shape]
    delays = arrivals(spherical_time(points, place, C), variance)
    bearing = estimate_bearing(delays, points, C, element_sd_m=1e-3, sound_speed_sd_m_s=2.0)
    assert np.isfinite(bearing.bearing).all() and np.isfinite(bearing.covariance).all()
    assert np.all(np.diagonal(bearing.covariance, axis1=-2, axis2=-1) >= 0)
    assert bearing.ok or bearing.reason
    for depth in ({}, {"source_depth_m": place[2]}, {"source_depth_m": place[2], "source_depth_sd_m": 0.2}):
        fix = locate_source(
            delays, points, C, element_sd_m=1e-3, sound_speed_sd_m_s=2.0, attitude_sd=(0.01, 0.01, 0.03), **depth
        )
        assert np.isfinite(fix.position_m).all() and np.isfinite(fix.covariance_m2).all()
        assert fix.ok or fix.reason


@pytest.mark.parametrize("shape", ARRAYS)
@pytest.mark.parametrize("place", PLACES[:5])
def test_cycles_of_clean_delays_are_right_on_the_axis_in_the_plane_and_below(shape, place):
    points = ARRAYS[shape]
    delay = arrivals(plane_wave_time(points, np.array(place) / np.linalg.norm(place), C)).tdoa_s
    noise = arrivals(np.zeros(len(points)), SD**2).covariance_s2
    phase = Tdoa(delay - np.round(delay * F) / F, noise)
    found = resolve_ambiguity(phase, Tdoa(delay, 4 * noise), points, C, F)
    assert found.ok
    assert found.tdoa.tdoa_s == pytest.approx(delay, abs=1e-12)
