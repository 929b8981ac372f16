"""Bent rays against the ray equations, integrated numerically."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from acoustics.physics.refraction import bent_ray_angle, linear_gradient_travel_time


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
