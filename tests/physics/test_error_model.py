"""The linear error model against differences of arrival times written out in full with scipy's rotations."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from acoustics.base.errors import ParameterError
from acoustics.physics.error_model import (
    EFFECTS,
    SHARED,
    ErrorSizes,
    attitude_axes,
    channel_variance_s2,
    echo_coherence,
    sight_of_direction,
    sight_of_source,
)

ELEMENTS = np.random.default_rng(4).normal(size=(5, 3))
ANGLES = np.array([0.2, -0.3, 2.1])  # roll, pitch, heading
PLACE, ORIGIN, SOURCE, SPEED = np.array([4.0, 3.0, 1.0]), np.array([1.0, 5.0, 1.0]), np.array([9.0, -2.0, 4.0]), 1490.0
SIZES = ErrorSizes(0.03, [0.01, 0.02, 0.03], 0.2, 0.05, 0.1, 0.02, True, 4.0, np.linspace(1e-3, 2e-3, 5), 3e-7)
TRAVELLED = (PLACE - ORIGIN) * [1.0, 1.0, 0.0]


def arrivals(
    heading=0.0, log_scale=0.0, speed=0.0, start=(0, 0, 0), mounting=0.0, skew=0.0, attitude=(0, 0, 0), source=0.0
):
    """Arrival times of one ping with errors of every kind: navigation shows PLACE and ANGLES on a run from ORIGIN."""
    roll, pitch, yaw = ANGLES + attitude
    turn = Rotation.from_euler("z", heading).as_matrix()
    body = turn @ Rotation.from_euler("ZYX", [yaw, pitch, roll]).as_matrix()
    place = ORIGIN + turn @ ((1 + log_scale) * TRAVELLED) + start
    hydrophones = place + (ELEMENTS + mounting) @ body.T
    return np.linalg.norm(SOURCE + source - hydrophones, axis=-1) / (SPEED + speed) + skew


def slope(size, **error):
    """Effect of an error of this direction and size, by central differences."""
    step = 1e-3
    up = {name: step * size * np.asarray(value, dtype=float) for name, value in error.items()}
    return (arrivals(**up) - arrivals(**{name: -value for name, value in up.items()})) / (2 * step)


def sight():
    rotation = Rotation.from_euler("ZYX", ANGLES[::-1]).as_matrix()
    return sight_of_source(PLACE + ELEMENTS @ rotation.T, SOURCE, SPEED, PLACE), rotation


def test_effects_of_what_a_run_shares_equal_differences():
    at, rotation = sight()
    expected = [slope(0.03, heading=1.0), slope(0.02, log_scale=1.0), slope(4.0, speed=1.0)]
    expected += [slope(sd, start=axis) for sd, axis in zip((0.2, 0.2, 0.05), np.eye(3), strict=True)]
    for hydrophone in range(5):
        for axis in range(3):
            off = np.zeros((5, 3))
            off[hydrophone, axis] = SIZES.element_sd_m[hydrophone]
            expected.append(slope(1.0, mounting=off))
    expected += [slope(3e-7, skew=one) for one in np.eye(5)]
    found = at.shared_effects(SIZES, rotation, TRAVELLED, np.eye(5))
    assert SHARED == ("heading", "log_scale", "sound_speed", "start", "mounting", "skew")
    np.testing.assert_allclose(found, np.transpose(expected), rtol=1e-5, atol=1e-12)


def test_attitude_and_source_equal_differences():
    at, rotation = sight()
    turned = np.transpose([slope(1e-3, attitude=axis) for axis in np.eye(3)])
    np.testing.assert_allclose(at.by_attitude(attitude_axes(rotation)) * 1e-3, turned, rtol=1e-5, atol=1e-12)
    moved = np.transpose([slope(1e-3, source=axis) for axis in np.eye(3)])
    np.testing.assert_allclose(at.by_source * 1e-3, moved, rtol=1e-5, atol=1e-12)


def test_a_plane_wave_is_the_limit_of_a_far_source():
    unit, far = SOURCE / np.linalg.norm(SOURCE), 1e7
    plane, sphere = sight_of_direction(ELEMENTS, unit, SPEED), sight_of_source(ELEMENTS, far * unit, SPEED)
    for derivative in ("by_source", "by_start"):
        given = np.broadcast_to(getattr(plane, derivative), (5, 3))
        np.testing.assert_allclose(given, getattr(sphere, derivative), atol=1e-9)
    np.testing.assert_allclose(plane.by_attitude(), sphere.by_attitude(), atol=1e-9)
    # Emission is unknown: times count only against each other.
    assert np.ptp(plane.by_sound_speed - sphere.by_sound_speed) < 1e-9


def test_positions_from_elsewhere_do_not_turn_with_the_heading():
    at, rotation = sight()
    fixed = ErrorSizes(heading_bias_sd=0.03, dead_reckoned=False)
    found = at.shared_effects(fixed, rotation, TRAVELLED, np.eye(5))[:, 0]
    np.testing.assert_allclose(found, slope(0.03, attitude=[0.0, 0.0, 1.0]), rtol=1e-5)


def test_coherence_of_an_echo_is_the_mean_phase_factor_over_directions_of_the_way():
    """Of echoes from an angle sqrt(2 d / R), by a sum over directions; the exponential is the second order of it."""
    apart, excess = 1.5, 0.02
    cosine = np.linspace(-1.0, 1.0, 20_001)
    factor = np.cos(apart * np.sqrt(2.0 * excess) * cosine)
    assert echo_coherence(apart, excess) == pytest.approx(factor.mean(), abs=1e-4)


def test_variance_of_a_channel_is_that_of_drawn_skews_and_places_in_any_direction():
    rng = np.random.default_rng(4)
    towards = rng.standard_normal((5, 1, 3))
    towards /= np.linalg.norm(towards, axis=-1, keepdims=True)
    places, skew = 1e-3 * rng.standard_normal((5, 40_000, 3)), 2e-7 * rng.standard_normal((5, 40_000))
    drawn = np.var(np.sum(places * towards, axis=-1) / 1480.0 + skew, axis=-1)
    # Of 40,000 draws a variance is known to 0.7 %: within four of these.
    np.testing.assert_allclose(drawn, channel_variance_s2(2e-7, 1e-3, 1480.0), rtol=0.028)
    assert channel_variance_s2(2e-7, [1e-3, 0.0], 1480.0)[1] == pytest.approx(4e-14)


def test_what_lasts_and_what_is_new():
    assert {name for name, effect in EFFECTS.items() if effect.one_channel} == {"mounting", "skew", "noise", "echo"}
    assert {name for name, effect in EFFECTS.items() if effect.lasts == "stop"} == {"echo"}
    assert SIZES.single_attitude_sd[2] == pytest.approx(0.03 * np.sqrt(2))
    with pytest.raises(ParameterError, match="log_scale_sd=-1"):
        ErrorSizes(log_scale_sd=-1.0)
    with pytest.raises(ParameterError, match="element_sd_m="):
        ErrorSizes(element_sd_m=[0.1, np.nan])
