"""Bounds of bearing and position against closed forms, published geometry and independent linear algebra."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.bounds import bearing_bound, position_bound, position_information
from acoustics.accuracy.observability import position_bound_of
from acoustics.base.errors import ParameterError
from acoustics.base.frames import direction
from acoustics.estimate.position import locate_source
from acoustics.estimate.tdoa.differences import tdoa_from_toa
from acoustics.physics.direct_rays import direct_rays
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix, plane_wave_time, spherical_time

C = 1480.0
# Nothing special about this array: no two axes alike, not centred on the origin.
VOLUME = np.array([[0.31, 0.02, 0.05], [-0.12, 0.2, 0.0], [-0.1, -0.22, 0.03], [0.04, 0.01, -0.19], [0.2, 0.15, 0.1]])
SQUARE = np.array([[0.1, 0.1, 0.0], [0.1, -0.1, 0.0], [-0.1, 0.1, 0.0], [-0.1, -0.1, 0.0]])


def delay_bound_covariance(times, theta, variance, shared=(), reference=0, prior=None):
    """Independent way: delays against a reference, nuisances marginalised into their covariance.

    `times(theta, nuisance)` gives the arrival times; `shared` are the standard deviations of the nuisances.
    """
    theta, shared = np.asarray(theta, float), np.asarray(shared, float)
    zero = np.zeros(len(shared))

    def derivative(of, at):
        step = 1e-5
        return np.stack([(of(at + step * e) - of(at - step * e)) / (2 * step) for e in np.eye(len(at))], axis=-1)

    d = difference_matrix(len(variance), reference)
    j = d @ derivative(lambda t: times(t, zero), theta)
    covariance = d @ np.diag(variance) @ d.T
    if len(shared):
        k = d @ derivative(lambda b: times(theta, b), zero)
        covariance = covariance + k @ np.diag(shared**2) @ k.T
    information = j.T @ np.linalg.solve(covariance, j)
    return np.linalg.inv(information if prior is None else information + prior)


@pytest.mark.parametrize(("broadside_deg", "sd_deg"), [(0, 0.423989), (30, 0.489580), (60, 0.847978), (80, 2.441654)])
def test_two_hydrophones_reach_the_textbook_identity(broadside_deg, sd_deg):
    """c sigma / (d cos b), textbook identity: d = 0.2 m, c = 1480 m/s, sigma of the delay 1 us."""
    pair = [[0.1, 0, 0], [-0.1, 0, 0]]
    bound = bearing_bound(pair, np.pi / 2 - np.radians(broadside_deg), 0.0, C, arrival_variance_s2=1e-12 / 2)
    assert np.degrees(bound.bearing_sd) == pytest.approx(sd_deg, rel=2e-6)
    exact = C * 1e-6 / (0.2 * np.cos(np.radians(broadside_deg)))
    assert bound.bearing_sd == pytest.approx(exact, rel=1e-12)
    assert np.isinf(bound.depression_sd)
    assert bound.observable.tolist() == [True, False]


# Layout and sources of Chan & Ho 1994 (IEEE Trans. Signal Processing 42(8):1905), from memory of the paper.
# The bounds were computed outside the project as inv(G' Q^-1 G), Q = 0.001 on and 0.0005 off the diagonal
# [m^2].
CHAN_HO_SENSORS = np.array(
    [(0, 0), (-5, 8), (4, 6), (-2, 4), (7, 3), (-7, 5), (2, 5), (-4, 2), (3, 3), (1, 8)], dtype=float
)
CHAN_HO_BOUND = [
    # sensors, var x, var y, cov xy [m^2] at the source (8, 22)
    (3, 0.475805, 1.503567, 0.841591),
    (4, 0.162004, 0.526347, 0.287829),
    (5, 0.023905, 0.121174, 0.051283),
    (6, 0.023405, 0.110022, 0.048922),
    (7, 0.020687, 0.093585, 0.042238),
    (8, 0.018678, 0.086698, 0.038517),
    (9, 0.018576, 0.084642, 0.038060),
    (10, 0.016880, 0.077439, 0.034565),
]


@pytest.mark.parametrize(("n", "var_x", "var_y", "cov"), CHAN_HO_BOUND)
def test_position_bound_on_the_geometry_of_chan_and_ho_1994(n, var_x, var_y, cov):
    sensors = np.column_stack([CHAN_HO_SENSORS[:n], np.zeros(n)])
    bound = position_bound(sensors, [8.0, 22.0, 0.0], C, arrival_variance_s2=0.0005 / C**2, source_depth_sd_m=0.0)
    got = bound.covariance_m2
    # The table has six decimals.
    assert [got[0, 0], got[1, 1], got[0, 1]] == pytest.approx([var_x, var_y, cov], abs=6e-7)
    assert bound.horizontal_rms_m == pytest.approx(np.sqrt(var_x + var_y), rel=2e-5)
    assert bound.depth_sd_m == 0.0


def bearing_case():
    """Arrival times by direction and nuisances: speed, three rotations, elements, skew."""
    n = len(VOLUME)
    element, skew = np.linspace(0.5e-3, 2e-3, n), np.linspace(0.1e-6, 0.6e-6, n)
    attitude, speed_sd = np.radians([1.0, 2.0, 3.0]), 4.0

    def times(theta, b):
        points = VOLUME + b[4 : 4 + 3 * n].reshape(n, 3)
        points = points + np.cross(b[1:4], points)
        return plane_wave_time(points, direction(*theta), C + b[0]) + b[4 + 3 * n :]

    shared = np.concatenate([[speed_sd], attitude, np.repeat(element, 3), skew])
    options = {
        "element_sd_m": element, "skew_sd_s": skew, "attitude_sd": attitude, "sound_speed_sd_m_s": speed_sd,
    }  # fmt: skip
    return times, shared, options


@pytest.mark.parametrize("reference", [0, 3])
def test_bearing_bound_equals_marginalised_covariance_of_delays_for_any_reference(reference):
    times, shared, options = bearing_case()
    variance = np.array([1.0, 2.0, 0.5, 1.5, 3.0]) * 1e-12
    theta = (0.7, 0.3)
    bound = bearing_bound(VOLUME, *theta, C, arrival_variance_s2=variance, **options)
    expected = delay_bound_covariance(times, theta, variance, shared, reference)
    # 1e-6: central differences of step 1e-5.
    np.testing.assert_allclose(bound.covariance, expected, rtol=1e-6)
    assert bound.observable.all()
    assert bound.bearing_sd == pytest.approx(np.sqrt(expected[0, 0]), rel=1e-6)


def position_case():
    """The same by position: nuisances speed, rotation about a pivot, own position, elements, skew."""
    n = len(VOLUME)
    points, pivot = VOLUME + [4.0, 3.0, 0.5], np.array([4.1, 2.9, 0.4])
    element, skew = np.linspace(0.5e-3, 2e-3, n), np.linspace(0.1e-6, 0.6e-6, n)
    attitude, speed_sd, own = np.radians([1.0, 2.0, 3.0]), 4.0, np.array([0.2, 0.3, 0.05])

    def times(theta, b):
        moved = points + b[7 : 7 + 3 * n].reshape(n, 3)
        moved = moved + np.cross(b[1:4], moved - pivot) + b[4:7]
        return spherical_time(moved, theta, C + b[0]) + b[7 + 3 * n :]

    shared = np.concatenate([[speed_sd], attitude, own, np.repeat(element, 3), skew])
    options = {
        "element_sd_m": element, "skew_sd_s": skew, "attitude_sd": attitude, "sound_speed_sd_m_s": speed_sd,
        "position_sd_m": own, "pivot_m": pivot,
    }  # fmt: skip
    return points, times, shared, options


@pytest.mark.parametrize("reference", [0, 4])
@pytest.mark.parametrize("depth_sd", [None, 0.1])
def test_position_bound_equals_marginalised_covariance_of_delays_for_any_reference(reference, depth_sd):
    points, times, shared, options = position_case()
    variance = np.array([1.0, 2.0, 0.5, 1.5, 3.0]) * 1e-14
    source = np.array([6.0, 4.5, 1.5])
    bound = position_bound(points, source, C, arrival_variance_s2=variance, source_depth_sd_m=depth_sd, **options)
    prior = None if depth_sd is None else np.diag([0, 0, depth_sd**-2])
    expected = delay_bound_covariance(times, source, variance, shared, reference, prior)
    np.testing.assert_allclose(bound.covariance_m2, expected, rtol=1e-5)
    assert bound.range_sd_m**2 + bound.cross_range_sd_m**2 == pytest.approx(bound.horizontal_rms_m**2)


def test_explicit_full_information_matrix_by_block_inversion_gives_the_same():
    """All 27 parameters of the bearing case in one matrix, inverted whole."""
    times, shared, options = bearing_case()
    variance = np.full(5, 1e-12)
    step, at = 1e-5, np.concatenate([[0.7, 0.3], [0.0], np.zeros(len(shared))])

    def all_times(x):
        return times(x[:2], x[3:]) + x[2]

    j = np.stack([(all_times(at + step * e) - all_times(at - step * e)) / (2 * step) for e in np.eye(len(at))], -1)
    information = j.T @ (j / variance[:, None]) + np.diag(np.concatenate([[0, 0, 0], shared**-2.0]))
    scale = 1 / np.sqrt(np.diag(information))
    whole = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    bound = bearing_bound(VOLUME, 0.7, 0.3, C, arrival_variance_s2=variance, **options)
    np.testing.assert_allclose(bound.covariance, whole[:2, :2], rtol=1e-5)


def test_a_nuisance_never_lowers_a_bound():
    rng = np.random.default_rng(4)
    bearing, depression = rng.uniform(-np.pi, np.pi, 200), rng.uniform(-1.2, 1.2, 200)
    plain = bearing_bound(VOLUME, bearing, depression, C, arrival_variance_s2=1e-12)
    _, _, options = bearing_case()
    for name, value in options.items():
        worse = bearing_bound(VOLUME, bearing, depression, C, arrival_variance_s2=1e-12, **{name: value})
        assert np.linalg.eigvalsh(worse.covariance - plain.covariance).min() > -1e-12 * plain.covariance.max(), name

    points, _, _, options = position_case()
    source = points.mean(axis=0) + rng.normal(0, 3, (200, 3))
    plain = position_bound(points, source, C, arrival_variance_s2=1e-14)
    for name, value in options.items():
        if name == "pivot_m":
            continue
        worse = position_bound(points, source, C, arrival_variance_s2=1e-14, **{name: value})
        difference = np.linalg.eigvalsh(worse.covariance_m2 - plain.covariance_m2).min(axis=-1)
        assert np.all(difference > -1e-9 * np.trace(plain.covariance_m2, axis1=-2, axis2=-1)), name


def test_attitude_and_own_position_errors_add_to_the_position_exactly():
    """Turning the array is turning the source the other way: the covariance adds, whatever the geometry."""
    points, pivot, source = VOLUME + [4.0, 3.0, 0.5], np.array([4.1, 2.9, 0.4]), np.array([8.0, 6.0, 2.0])
    attitude, own = np.radians([1.0, 2.0, 3.0]), np.array([0.2, 0.3, 0.05])
    plain = position_bound(points, source, C, arrival_variance_s2=1e-14)
    full = position_bound(
        points, source, C, arrival_variance_s2=1e-14, attitude_sd=attitude, pivot_m=pivot, position_sd_m=own
    )
    lever = np.cross(np.eye(3), source - pivot)
    expected = plain.covariance_m2 + lever @ np.diag(attitude**2) @ lever.T + np.diag(own**2)
    np.testing.assert_allclose(full.covariance_m2, expected, rtol=1e-6)


def test_heading_error_alone_adds_to_the_bearing():
    plain = bearing_bound(SQUARE, 0.4, 0.5, C, arrival_variance_s2=1e-12)
    turned = bearing_bound(SQUARE, 0.4, 0.5, C, arrival_variance_s2=1e-12, attitude_sd=[0, 0, 0.02])
    assert turned.bearing_sd**2 == pytest.approx(plain.bearing_sd**2 + 0.02**2, rel=1e-9)
    assert turned.depression_sd == pytest.approx(plain.depression_sd, rel=1e-9)


def test_an_error_of_zero_keeps_its_place_in_the_batch_and_is_the_limit_of_a_small_one():
    options = {"arrival_variance_s2": 1e-14, "sound_speed_sd_m_s": [[2.0], [0.0]]}
    zero = bearing_bound(VOLUME, 0.4, 0.5, C, attitude_sd=np.zeros((5, 3)), **options)
    # Its square adds to a variance of some 1e-10 rad^2, so the two agree to rounding.
    small = bearing_bound(VOLUME, 0.4, 0.5, C, attitude_sd=np.full((5, 3), 1e-14), **options)
    assert zero.bearing_sd.shape == (2, 5)
    assert zero.bearing_sd == pytest.approx(small.bearing_sd, rel=1e-9)
    assert np.all(zero.bearing_sd[0] > zero.bearing_sd[1])


def test_attitude_axes_turn_with_the_vehicle():
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    options = {"arrival_variance_s2": 1e-14}
    source = [5.0, 1.0, 2.0]
    a = position_bound(VOLUME, source, C, attitude_sd=[0.01, 0.03, 0], attitude_axes=turn, **options)
    b = position_bound(VOLUME, source, C, attitude_sd=[0.03, 0.01, 0], **options)
    np.testing.assert_allclose(a.covariance_m2, b.covariance_m2, rtol=1e-9)


def test_two_places_give_the_crossing_of_their_bearings():
    """Two places at right angles, each with a cross-range error e: rms sqrt(2) e."""
    sources = np.array([10.0, 10.0, 0.0])
    places = np.array([[0.0, 10.0, 0.0], [10.0, 0.0, 0.0]])[:, None, :] + SQUARE
    information = position_information(places, sources, C, arrival_variance_s2=1e-14, attitude_sd=[0, 0, 0.03])
    bound = position_bound_of(information.sum(axis=0), sources, source_depth_sd_m=0.01, sound_speed_sd_m_s=3.0)
    # The range that each sees by the curvature of the wave is metres here and adds little to 0.3 m.
    assert bound.horizontal_rms_m == pytest.approx(0.3 * np.sqrt(2), rel=0.02)


@pytest.mark.parametrize(
    ("array", "bearing", "depression", "observable"),
    [
        ([[0, 0, 0], [0.2, 0, 0]], 0.0, 0.0, [False, False]),  # along the line
        ([[0, 0, 0], [0, 0, 0.2]], 0.3, 0.2, [False, True]),  # a vertical line tells the depression alone
        ([[0, 0, 0], [0.2, 0.1, 0.05], [0.4, 0.2, 0.1]], 1.0, 0.2, [True, False]),  # a sloping line
        (SQUARE, 0.3, 0.0, [True, False]),  # in the plane of the array
        (SQUARE, 0.3, 0.2, [True, True]),
        (SQUARE, 0.3, np.pi / 2, [False, True]),  # straight down no bearing exists
        (VOLUME, 0.3, 0.0, [True, True]),
    ],
)
@pytest.mark.parametrize("attitude", [0.0, np.radians(5.0)])
def test_what_is_not_observed_is_infinite_and_never_nan(array, bearing, depression, observable, attitude):
    bound = bearing_bound(
        array,
        bearing,
        depression,
        C,
        arrival_variance_s2=1e-14,
        attitude_sd=[attitude] * 3,
        sound_speed_sd_m_s=2.0,
    )
    assert bound.observable.tolist() == observable
    assert np.isfinite([bound.bearing_sd, bound.depression_sd]).tolist() == observable
    assert not np.isnan(bound.covariance).any()


@pytest.mark.parametrize("attitude", [0.0, np.radians(3.0)])
def test_position_that_three_delays_cannot_give_is_infinite(attitude):
    options = {"arrival_variance_s2": 1e-14, "attitude_sd": [attitude] * 3}
    source = np.array([[6.0, 2.0, 1.5], [-3.0, 5.0, 1.0], [0.5, 0.0, 4.0]])
    three = position_bound(SQUARE[:3], source, C, **options)
    assert np.isinf(three.horizontal_rms_m).all()
    assert not np.isnan(three.covariance_m2).any()
    assert np.isfinite(position_bound(SQUARE[:3], source[:2], C, source_depth_sd_m=0.1, **options).range_sd_m).all()
    in_plane = position_bound(SQUARE, [6.0, 2.0, 0.0], C, **options)
    assert in_plane.observable.tolist() == [True, True, False]
    assert np.isfinite(in_plane.range_sd_m)
    assert np.isinf(in_plane.depth_sd_m)


def test_a_deaf_hydrophone_counts_for_nothing_and_all_deaf_observe_nothing():
    variance = np.array([1e-14, 1e-14, 1e-14, 1e-14, np.inf])
    with_deaf = position_bound(VOLUME, [3.0, 2.0, 1.0], C, arrival_variance_s2=variance)
    without = position_bound(VOLUME[:4], [3.0, 2.0, 1.0], C, arrival_variance_s2=1e-14)
    np.testing.assert_allclose(with_deaf.covariance_m2, without.covariance_m2, rtol=1e-6)
    deaf = position_bound(VOLUME, [3.0, 2.0, 1.0], C, arrival_variance_s2=np.inf)
    assert np.isinf(deaf.depth_sd_m)
    assert not deaf.observable.any()
    assert not bearing_bound(VOLUME, 0.1, 0.1, C, arrival_variance_s2=np.inf).observable.any()


def test_a_map_of_6000_cells_is_finite():
    x, y = np.meshgrid(np.linspace(0, 25, 100), np.linspace(0, 12.5, 60), indexing="ij")
    cells = np.stack([x, y, np.full_like(x, 0.5)], axis=-1).reshape(-1, 3)
    bound = position_bound(
        cells[:, None, :] + SQUARE, [12.3, 6.2, 2.0], C, arrival_variance_s2=np.full((6000, 4), 1e-14),
        source_depth_sd_m=0.1, sound_speed_sd_m_s=2.0, element_sd_m=1e-3, skew_sd_s=1e-7,
        attitude_sd=np.radians([1, 1, 3]), position_sd_m=[0.2, 0.2, 0.05],
    )  # fmt: skip
    assert np.isfinite(bound.horizontal_rms_m).all()


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"arrival_variance_s2": 0.0}, "arrival_variance_s2=0 must be above 0"),
        (
            {"element_sd_m": -1e-3},
            "element_sd_m=-0.001 must be finite and at least 0",
        ),
        ({"hydrophones_m": [[0, 0, 0]]}, "n of at least 2"),
        ({"sound_speed_sd_m_s": np.nan}, "sound_speed_sd_m_s=nan must be finite"),
    ],
)
def test_wrong_arguments_are_refused_with_their_value(change, text):
    arguments = {"hydrophones_m": SQUARE, "bearing": 0.1, "depression": 0.1, "sound_speed_m_s": C}
    with pytest.raises(ParameterError, match=text):
        bearing_bound(**{**arguments, "arrival_variance_s2": 1e-12, **change})


def test_in_a_thermocline_it_is_what_the_fit_states():
    """Bent rays in both; straight ones would give 1.2 times as much at 40 m."""
    profile = SoundSpeedProfile(np.array([-2.0, 1.0, 4.0, 18.0]), np.array([1486.0, 1483.0, 1460.0, 1445.0]))
    array = 0.2 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, -1, 1], [-1, 1, -1], [0.3, 0.2, -0.5]])
    source, speed, sd = np.array([32.0, 24.0, 7.0]), 1484.0, 4e-7
    known = {
        "element_sd_m": 2e-4,
        "attitude_sd": [0.005, 0.005, 0.0],
        "pivot_m": np.zeros(3),
        "sound_speed_sd_m_s": 1.0,
    }
    rays = direct_rays(profile, array.mean(axis=0), source)
    times = np.linalg.norm(rays.apparent_m - array, axis=-1) / speed
    fix = locate_source(
        tdoa_from_toa(times, sd**2), array, speed, source_depth_m=7.0, source_depth_sd_m=0.1, profile=profile, **known
    )
    found = [
        position_bound(
            array, source, speed, arrival_variance_s2=sd**2, source_depth_sd_m=0.1, profile=each, **known
        ).horizontal_rms_m
        for each in (profile, None)
    ]
    np.testing.assert_allclose(fix.position_m, source, atol=1e-3)
    np.testing.assert_allclose(np.sqrt(np.trace(fix.covariance_m2[:2, :2])), found[0], rtol=1e-3)
    assert 1.1 < found[1] / found[0] < 1.5
