"""Laws that every Cramer-Rao bound obeys: no frame matters, knowing less never helps, and dimensions agree."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from acoustics.accuracy.ambiguity.prediction import integer_ambiguity, mixture_bearing_rms
from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.base.frames import Pose, array_rank, direction

C, SD = 1480.0, 1e-6
angle = st.floats(-3.1, 3.1)
depression = st.floats(-1.2, 1.2)
element = st.tuples(*[st.floats(-0.3, 0.3)] * 3)
array = st.lists(element, min_size=4, max_size=6).map(np.array)
distance = st.floats(1.0, 30.0)
NUISANCES = {"element_sd_m": 2e-3, "skew_sd_s": 3e-7, "sound_speed_sd_m_s": 4.0, "attitude_sd": [0.01, 0.02, 0.03]}


def solid(points):
    """Whether an array spans a volume well enough that rounding does not decide what it observes."""
    assume(array_rank(points, tolerance=0.1) == 3)
    return points


def rms(bound):
    return np.sqrt(np.trace(bound.covariance_m2))


@given(array, angle, depression, distance, angle, angle, angle, element)
def test_turning_and_shifting_everything_changes_no_position_bound(points, b, d, r, roll, pitch, heading, shift):
    points = solid(points)
    pose = Pose(100 * np.array(shift), roll, pitch, heading)
    source = points.mean(axis=0) + r * direction(b, d)
    noise = {"arrival_variance_s2": SD**2, "element_sd_m": 1e-3, "sound_speed_sd_m_s": 3.0}
    here = position_bound(points, source, C, **noise).covariance_m2
    there = position_bound(pose.to_site(points), pose.to_site([source])[0], C, **noise).covariance_m2
    assume(np.isfinite(here).all() and np.isfinite(there).all())
    turned = pose.rotation @ here @ pose.rotation.T
    # Range error over cross-range error reaches 1e3 here: the inverse keeps ten figures less the square of that.
    assert there == pytest.approx(turned, rel=1e-4, abs=1e-5 * np.trace(here))


@given(array, angle, depression, angle, element)
def test_turning_array_and_pinger_about_the_vertical_changes_no_bearing_bound(points, b, d, turn, shift):
    points = solid(points)
    here = bearing_bound(points, b, d, C, arrival_variance_s2=SD**2, sound_speed_sd_m_s=3.0)
    moved = Pose(np.array(shift), 0.0, 0.0, turn).to_site(points)
    there = bearing_bound(moved, b + turn, d, C, arrival_variance_s2=SD**2, sound_speed_sd_m_s=3.0)
    assert there.covariance == pytest.approx(here.covariance, rel=1e-6, abs=1e-8 * np.trace(here.covariance))


@given(array, angle, depression, distance, st.floats(1.0, 100.0), st.integers(0, 3))
def test_more_noise_in_any_channel_never_lowers_a_bound(points, b, d, r, factor, channel):
    points, source = solid(points), r * direction(b, d)
    quiet = np.full(len(points), SD**2)
    loud = quiet.copy()
    loud[channel] *= factor
    for bound, where in ((bearing_bound, (b, d)), (position_bound, (source,))):
        low, high = (bound(points, *where, C, arrival_variance_s2=v) for v in (quiet, loud))
        first, second = (x.covariance if bound is bearing_bound else x.covariance_m2 for x in (low, high))
        if np.isfinite(second).all():
            assert np.all(np.diag(second) >= np.diag(first) * (1 - 1e-6))


@pytest.mark.parametrize("name", NUISANCES)
@given(array, angle, depression, distance, st.floats(0.0, 3.0))
def test_a_nuisance_parameter_never_lowers_a_bound(name, points, b, d, r, factor):
    points, source = solid(points), r * direction(b, d)
    without = {"arrival_variance_s2": SD**2}
    with_it = without | {name: factor * np.asarray(NUISANCES[name])}
    for known, unknown in (
        (bearing_bound(points, b, d, C, **without).covariance, bearing_bound(points, b, d, C, **with_it).covariance),
        (
            position_bound(points, source, C, **without).covariance_m2,
            position_bound(points, source, C, **with_it).covariance_m2,
        ),
    ):
        # What counts as not observed depends on the ratio to what is observed best, which a nuisance lowers.
        if np.isfinite(known).all() and np.isfinite(unknown).all():
            # The whole matrix grows, not its diagonal only.
            assert np.linalg.eigvalsh(unknown - known).min() >= -1e-5 * np.trace(known)


@given(array, angle, depression, distance, st.floats(0.01, 10.0))
def test_knowing_the_depth_never_raises_a_bound(points, b, d, r, depth_sd):
    points, source = solid(points), r * direction(b, d)
    free = position_bound(points, source, C, arrival_variance_s2=SD**2)
    aided = position_bound(points, source, C, arrival_variance_s2=SD**2, source_depth_sd_m=depth_sd)
    assume(np.isfinite(rms(free)) and np.isfinite(rms(aided)))
    assert rms(aided) <= rms(free) * (1 + 1e-6)
    assert np.sqrt(aided.covariance_m2[2, 2]) <= depth_sd * (1 + 1e-6)


@given(array, angle, depression, distance, st.floats(0.01, 100.0))
def test_lengths_and_times_times_k_scale_positions_and_leave_bearings(points, b, d, r, k):
    points, source = solid(points), r * direction(b, d)
    small = {"arrival_variance_s2": SD**2, "element_sd_m": 1e-3, "skew_sd_s": 2e-7, "sound_speed_sd_m_s": 3.0}
    large = small | {"arrival_variance_s2": (k * SD) ** 2, "element_sd_m": k * 1e-3, "skew_sd_s": k * 2e-7}
    here, there = (bearing_bound(s * points, b, d, C, **v).covariance for s, v in ((1, small), (k, large)))
    assert there == pytest.approx(here, rel=1e-6, abs=1e-9 * np.trace(here))
    here, there = (position_bound(s * points, s * source, C, **v).covariance_m2 for s, v in ((1, small), (k, large)))
    assert there == pytest.approx(k**2 * here, rel=1e-4, abs=1e-5 * k**2 * np.trace(here))


@given(array, angle, depression, st.permutations(range(4)))
def test_the_order_of_the_hydrophones_does_not_matter(points, b, d, order):
    points, variance = solid(points)[:4], np.array([1.0, 2.0, 3.0, 4.0]) * SD**2
    assume(array_rank(points, tolerance=0.1) == 3)
    here = bearing_bound(points, b, d, C, arrival_variance_s2=variance)
    there = bearing_bound(points[order], b, d, C, arrival_variance_s2=variance[order])
    assert there.covariance == pytest.approx(here.covariance, rel=1e-9, abs=1e-15)


@given(st.floats(0.01, 1.0), st.floats(-1.4, 1.4))
def test_a_pair_has_the_textbook_bound(spacing, from_broadside):
    # c sigma / (d cos b) with sigma of the delay, sqrt(2) of an arrival's.
    bound = bearing_bound([[0, 0, 0], [0, spacing, 0]], from_broadside, 0.0, C, arrival_variance_s2=SD**2)
    assert bound.bearing_sd == pytest.approx(C * np.sqrt(2) * SD / (spacing * np.cos(from_broadside)), rel=1e-9)


CORNERS = {
    "line": [[0, 0, 0], [0.1, 0, 0], [0.3, 0, 0]],
    "vertical line": [[0, 0, 0], [0, 0, 0.1]],
    "plane": [[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0], [0.1, 0.1, 0]],
    "upright plane": [[0, 0, 0], [0.1, 0, 0], [0, 0, 0.1], [0.1, 0, 0.1]],
    "volume": [[0, 0, 0], [0.1, 0, 0], [0, 0.1, 0], [0, 0, 0.1]],
}
DIRECTIONS = [
    (0.0, 0.0),
    (np.pi / 2, 0.0),
    (np.pi, 0.0),
    (0.3, 0.4),
    (0.0, np.pi / 2),
    (0.0, -np.pi / 2),
    (-np.pi / 2, 1e-9),
]


@pytest.mark.parametrize("shape", CORNERS)
@pytest.mark.parametrize(("b", "d"), DIRECTIONS)
def test_on_axis_in_plane_and_straight_below_a_bound_is_a_number_or_infinite(shape, b, d):
    points = np.array(CORNERS[shape])
    for variance in (1e-30, SD**2, 1.0, 1e30, np.inf):
        bearing = bearing_bound(points, b, d, C, arrival_variance_s2=variance, **NUISANCES)
        assert not np.isnan(bearing.covariance).any()
        assert np.all(np.diagonal(bearing.covariance) >= 0)
        # Down to a place at the first hydrophone itself, or a micrometre from it.
        for r in (0.0, 1e-6, 0.1, 10.0, 1e5):
            position = position_bound(
                points, r * direction(b, d), C, arrival_variance_s2=variance, source_depth_sd_m=0.1, **NUISANCES
            )
            assert not np.isnan(position.covariance_m2).any()
            assert position.horizontal_rms_m >= 0


@pytest.mark.parametrize("shape", CORNERS)
@pytest.mark.parametrize(("b", "d"), DIRECTIONS)
def test_on_axis_in_plane_and_straight_below_the_ambiguity_is_a_probability(shape, b, d):
    for fine, coarse in ((1e-30, 1e-30), (SD**2, 1e-10), (SD**2, 1e10), (np.inf, np.inf)):
        found = integer_ambiguity(
            CORNERS[shape], b, d, C, frequency_hz=30e3, carrier_variance_s2=fine, envelope_variance_s2=coarse
        )
        assert 0 <= found.wrong_probability <= 1
        assert np.isfinite([found.bearing_jump, found.wrong_bearing_rms]).all()


@given(st.floats(1e-9, 1), st.floats(0, 1), st.floats(1e-9, 3))
def test_a_mixture_errs_by_no_less_and_no_more_than_its_parts(right, probability, wrong):
    both = mixture_bearing_rms(right, probability, wrong)
    assert min(right, wrong) * (1 - 1e-12) <= both <= max(right, wrong) * (1 + 1e-12)


@given(st.floats(0.2, 0.49), angle)
def test_up_to_half_a_wavelength_apart_a_pair_has_no_wrong_cycle(share, bearing):
    pair = [[0, 0, 0], [0, share * C / 30e3, 0]]
    found = integer_ambiguity(
        pair, bearing, 0.0, C, frequency_hz=30e3, carrier_variance_s2=1e-16, envelope_variance_s2=1e-2
    )
    assert found.wrong_probability < 1e-6
