"""Bent rays against the ray equations, integrated numerically."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from acoustics.physics.eigenrays import eigenrays
from acoustics.physics.refraction import (
    SoundSpeedProfile,
    apparent_source,
    before_rays_turn,
    bent_ray_angle,
    linear_gradient_travel_time,
)


def shoot(gradient, launch, length, speed=1490.0):
    """End point, end angle and travel time of a ray in c = speed + gradient z."""

    def ray(_, state):
        _, z, angle, _ = state
        c = speed + gradient * z
        # cos(angle) / c is constant along a ray, so the angle turns by -cos(angle) gradient / c per length.
        return [np.cos(angle), np.sin(angle), -np.cos(angle) * gradient / c, 1.0 / c]

    return solve_ivp(ray, (0.0, length), [0.0, 0.0, launch, 0.0], rtol=1e-12, atol=1e-14).y[:, -1]


@pytest.mark.parametrize("gradient", [-3.0, 0.5, 20.0])
@pytest.mark.parametrize("launch", [-0.3, 0.0, 0.2])
def test_travel_time(gradient, launch):
    x, z, _, time = shoot(gradient, launch, 30.0)
    found = linear_gradient_travel_time(
        np.hypot(x, z), from_speed_m_s=1490.0, to_speed_m_s=1490.0 + gradient * z, gradient_per_s=gradient
    )
    assert found == pytest.approx(time, rel=1e-8)


@pytest.mark.parametrize("gradient", [-3.0, 20.0])
def test_angle_of_a_ray_between_equal_depths(gradient):
    # The arc between two points of one depth leaves and meets its chord at the same angle.
    radius = 1490.0 / abs(gradient)
    half_arc = np.arcsin(15.0 / radius)
    launch = half_arc * np.sign(gradient)
    # The ray turns at another depth, where the circle's radius is c / (g cos(launch)) to the same order.
    length = 2 * half_arc * radius / np.cos(launch)
    x, z, angle, _ = shoot(gradient, launch, length)
    assert z == pytest.approx(0.0, abs=1e-6)
    found = bent_ray_angle(x, sound_speed_m_s=1490.0, gradient_per_s=gradient)
    assert found == pytest.approx(abs(angle), rel=half_arc**2)


@pytest.mark.parametrize("source", [(40.0, 12.0, 8.0), (14.0, 0.0, 8.0), (60.0, 0.0, 11.0), (35.0, -5.0, 2.6)])
def test_a_source_seems_to_be_where_its_ray_comes_from(source):
    """Against rays traced and bracketed from the receiver, through a thermocline."""
    rows, speed = np.array([0.0, 3.0, 6.0, 12.0]), np.array([1485.4, 1482.4, 1458.9, 1443.5])
    profile = SoundSpeedProfile(rows, speed)
    receiver, place = np.array([10.0, 0.0, 2.0]), np.array(source)
    apparent, by_source = apparent_source(profile, receiver, place)
    across = np.array([np.hypot(*(place - receiver)[:2])])
    rays = eigenrays(rows, speed, 2.0, place[None, 2:], across, steepest=np.array([1.3]))
    assert np.arctan2(apparent[2] - 2.0, across[0]) == pytest.approx(
        rays.angle[0], abs=1e-5
    )  # the last turns on its way
    step = 1e-4 * np.eye(3)
    moved = [apparent_source(profile, receiver, place + d)[0] - apparent_source(profile, receiver, place - d)[0]
             for d in step]  # fmt: skip
    np.testing.assert_allclose(by_source, np.array(moved).T / 2e-4, atol=1e-6)


def test_between_like_depths_the_ray_is_an_arc_of_the_gradient():
    """Half the angle of the arc; the first order of both leaves less than a part in a thousand."""
    profile = SoundSpeedProfile(np.array([0.0, 20.0]), np.array([1500.0, 1480.0]))
    receiver, place = np.array([0.0, 0.0, 10.0]), np.array([60.0, 0.0, 10.0])
    apparent, _ = apparent_source(profile, receiver, place)
    angle = bent_ray_angle(60.0, sound_speed_m_s=1490.0, gradient_per_s=-1.0)
    assert np.arctan2(10.0 - apparent[2], 60.0) == pytest.approx(float(angle), rel=1e-3)


def test_direct_rays_do_not_turn_before_the_flattest_arc_has_come_down():
    """Sound falls from 1500 m/s by 4 m/s a metre; an arc that begins at 2 m with a slope of 1 in 30 ends at 9 m."""
    profile = SoundSpeedProfile(np.array([0.0, 20.0]), np.array([1500.0, 1420.0]))
    shallow, deep, flattest = 1492.0, 1464.0, np.arctan(1 / 30)
    radius = shallow / (4.0 * np.cos(flattest))
    reach = radius * (np.sin(np.arccos(deep / shallow * np.cos(flattest))) - np.sin(flattest))
    places = np.array([[reach * share, 0.0, 9.0] for share in (0.5, 0.999, 1.001, 2.0)])
    receiver = np.broadcast_to([0.0, 0.0, 2.0], places.shape)
    assert before_rays_turn(profile, receiver, places).tolist() == [True, True, False, False]
    assert before_rays_turn(profile, places, receiver).tolist() == [True, True, False, False]
