"""Rays against circles drawn by hand, straight lines, the way back, an independent integration, and shadow's edge."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from acoustics.base.errors import ParameterError
from acoustics.physics.eigenrays import eigenrays
from acoustics.physics.ray_tracing import even_beyond, fan_depths, trace_rays
from acoustics.physics.refraction import linear_gradient_travel_time

ROWS, SPEED = np.array([0.0, 3.0, 6.0, 12.0]), np.array([1486.0, 1483.0, 1460.0, 1445.0])


def one(rows, speed, depth, angle, range_m, **more):
    arrays = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (depth, angle, range_m))
    return trace_rays(np.asarray(rows, dtype=float), np.asarray(speed, dtype=float), *arrays, **more)


@pytest.mark.parametrize("gradient", [-4.0, 0.5])
def test_in_one_gradient_a_ray_is_a_circle(gradient):
    """Centre at the depth where the sound speed would be nothing; radius c / (g cos theta)."""
    surface, depth, angle = 1480.0, 20.0, np.deg2rad(np.array([-5.0, 0.0, 3.0]))
    ends = one([0.0, 60.0], [surface, surface + 60 * gradient], [depth] * 3, angle, [40.0] * 3)
    speed = surface + gradient * depth
    centre_z, radius = depth - speed / gradient, speed / (abs(gradient) * np.cos(angle))
    centre_r = np.sin(angle) * radius * np.sign(gradient)
    expected = centre_z + np.sign(gradient) * np.sqrt(radius**2 - (40.0 - centre_r) ** 2)
    np.testing.assert_allclose(ends.depth_m, expected, atol=1e-7)
    np.testing.assert_allclose(np.sqrt(1 - ends.sin_angle**2) / ends.speed_m_s, np.cos(angle) / speed, rtol=1e-12)
    straight = np.hypot(40.0, ends.depth_m - depth)
    time = linear_gradient_travel_time(
        straight, from_speed_m_s=speed, to_speed_m_s=ends.speed_m_s, gradient_per_s=gradient
    )
    np.testing.assert_allclose(ends.time_s, time, rtol=1e-10)


def test_in_even_water_a_ray_is_a_straight_line():
    angle = np.deg2rad([-60.0, 0.0, 20.0])
    ends = one(np.arange(-5, 6) * 100.0, np.full(11, 1480.0), [10.0] * 3, angle, [100.0] * 3)
    np.testing.assert_allclose(ends.depth_m, 10.0 + 100.0 * np.tan(angle), rtol=1e-12)
    np.testing.assert_allclose(ends.time_s, 100.0 / np.cos(angle) / 1480.0, rtol=1e-12)


@pytest.mark.slow
def test_beyond_its_rows_water_goes_on_evenly():
    """From the last row down 20 deg, and up from the first, in straight lines at the speeds there."""
    rows, speed = even_beyond(ROWS, SPEED)
    angle, range_m = np.deg2rad([20.0, -20.0]), np.array([500.0, 500.0])
    ends = trace_rays(rows, speed, ROWS[[-1, 0]], angle, range_m)
    np.testing.assert_allclose(ends.depth_m, ROWS[[-1, 0]] + range_m * np.tan(angle), rtol=1e-9)
    np.testing.assert_allclose(ends.time_s, range_m / np.cos(angle) / SPEED[[-1, 0]], rtol=1e-9)


def test_in_several_layers_a_ray_solves_the_ray_equations():
    """dz/dr = tan(theta), dtheta/dr = -c'/c (Jensen and others 2011, sec. 3.3), integrated by an adaptive method."""

    def change(_, state):
        z, theta, _ = state
        layer = min(max(int(np.searchsorted(ROWS, z, side="right")) - 1, 0), 2)
        slope = (SPEED[layer + 1] - SPEED[layer]) / (ROWS[layer + 1] - ROWS[layer])
        c = SPEED[layer] + slope * (z - ROWS[layer])
        return [np.tan(theta), -slope / c, 1 / (c * np.cos(theta))]

    for angle in np.deg2rad([-6.0, -2.0, 1.0]):
        found = solve_ivp(change, (0, 55.0), [7.0, angle, 0.0], rtol=1e-10, atol=1e-12, max_step=0.02)
        ends = one(ROWS, SPEED, 7.0, angle, 55.0)
        np.testing.assert_allclose(ends.depth_m[0], found.y[0, -1], atol=2e-5)
        np.testing.assert_allclose(ends.time_s[0], found.y[2, -1], atol=1e-9)


def test_rows_passed_are_told_in_order():
    ends = one(ROWS, SPEED, [7.0, 1.0], np.deg2rad([-25.0, 25.0]), [13.0, 12.0], watched=np.ones(4, dtype=bool))
    assert ends.passed.tolist() == [[2, 1], [1, 2]]


def test_one_fan_has_the_depths_that_rays_followed_to_each_range_have():
    angle, ranges = np.deg2rad([-89.0, -25.0, -4.0, 0.0, 1.0, 12.0, 30.0]), np.array([40.0, 0.5, 55.0, 7.0, 40.0])
    fan = fan_depths(ROWS, SPEED, 7.0, angle, ranges)
    every = np.meshgrid(angle, ranges, indexing="ij")
    alone = one(ROWS, SPEED, np.full(35, 7.0), every[0].ravel(), every[1].ravel()).depth_m.reshape(7, 5)
    assert np.isnan(fan).any() and np.isfinite(fan).any()
    np.testing.assert_allclose(fan, alone, atol=1e-11)


@pytest.mark.parametrize("follow", [fan_depths, trace_rays])
def test_rays_without_end_are_refused(follow):
    """Under a level of least sound speed a ray swings from side to side, an arc each 110 m."""
    rows, speed = np.array([-20.0, 0.0, 20.0]), np.array([1500.0, 1480.0, 1500.0])
    begin = 1.0 if follow is fan_depths else np.ones(1)
    with pytest.raises(ParameterError, match=r"over 1,000.0 km cross .*water.profile"):
        follow(rows, speed, begin, np.zeros(1), np.array([1e6]))


def test_an_eigenray_meets_its_receiver_and_is_the_same_on_the_way_back():
    for there_m, back_m, range_m in [(7.0, 2.0, 40.0), (5.0, 9.0, 45.0), (1.0, 10.0, 25.0)]:
        there = eigenrays(ROWS, SPEED, there_m, [[back_m]], [range_m])
        back = eigenrays(ROWS, SPEED, back_m, [[there_m]], [range_m])
        assert there.receiver.tolist() == back.receiver.tolist() == [0]
        again = one(ROWS, SPEED, there_m, there.angle, range_m)
        np.testing.assert_allclose(again.depth_m, back_m, atol=1e-8)
        np.testing.assert_allclose(there.ends.time_s, back.ends.time_s, rtol=1e-10)  # each misses by up to 1e-9 m
        np.testing.assert_allclose(np.sin(there.angle), -back.ends.sin_angle, atol=1e-9)
        # Pressure of a point source is reciprocal in water of one density (Jensen and others 2011, sec. 2.3).
        np.testing.assert_allclose(there.amplitude, back.amplitude, rtol=1e-5)


def test_amplitude_of_straight_rays_is_spherical():
    rays = eigenrays(np.array([-50.0, 50.0]), np.full(2, 1480.0), 0.0, [[12.0]], [16.0])
    np.testing.assert_allclose(rays.amplitude, 1 / 20.0, rtol=1e-7)


@pytest.mark.parametrize(("beyond_m", "rays"), [(-0.5, 1), (0.5, 0)])
def test_the_shadow_begins_where_the_ray_along_the_surface_ends(beyond_m, rays):
    """Sound that falls with depth: a ray level at the surface comes down by sqrt(2 R z - z^2), R = c / |g|."""
    surface, gradient, places = 1486.0, -3.0, (4.0, 6.0)
    radius = surface / abs(gradient)
    edge = sum(np.sqrt(2 * radius * z - z**2) for z in places)
    # Above the surface the mirrored water bends rays away for good.
    rows, speed = np.array([-20.0, 0.0, 20.0]), np.array([surface - 60.0, surface, surface - 60.0])
    found = eigenrays(rows, speed, places[0], [[places[1]]], [edge + beyond_m])
    assert len(found.receiver) == rays


@pytest.mark.parametrize(
    ("rows", "speed", "source_m", "receiver_m", "range_m"),
    [
        ([0.0, 4.0, 6.0, 14.0], [1495.0, 1495.0, 1480.0, 1480.4], 7.1, 6.0, 120.0),
        ([0.0, 4.0, 7.0, 13.0], [1509.0, 1508.8, 1480.0, 1480.4], 9.0, 6.99, 185.0),
    ],
)
def test_two_rays_just_before_a_caustic_are_both_found(rows, speed, source_m, receiver_m, range_m):
    """Through a thermocline of 2 and 3 m, by rays shot closer than a fan's and integrated by an adaptive method."""
    down, turned = np.array(rows), np.array(speed)
    deep = down[-1]
    rows = np.concatenate([-down[::-1], down[1:], 2 * deep - down[-2::-1]])
    speed = np.concatenate([turned[::-1], turned[1:], turned[-2::-1]])

    def change(_, state):
        z, angle, _ = state.reshape(3, -1)
        row = np.clip(np.searchsorted(rows, z) - 1, 0, len(rows) - 2)
        gradient = (np.diff(speed) / np.diff(rows))[row]
        c = np.interp(z, rows, speed)
        return np.concatenate([np.tan(angle), -gradient / c, 1 / (c * np.cos(angle))])

    shot = np.linspace(-0.009, -0.005, 81)
    begin = np.concatenate([np.full(81, source_m), shot, np.zeros(81)])
    z, _, time = solve_ivp(change, (0, range_m), begin, rtol=1e-8, max_step=1.0).y[:, -1].reshape(3, -1)
    gap = np.flatnonzero((z[1:] > receiver_m) != (z[:-1] > receiver_m))
    assert len(gap) == 2
    found = eigenrays(rows, speed, source_m, [[receiver_m]], [range_m], steepest=np.array([0.3]))
    here = np.flatnonzero((found.angle > shot[0]) & (found.angle < shot[-1]))
    assert ((found.angle[here] > shot[gap]) & (found.angle[here] < shot[gap + 1])).all()
    assert ((found.ends.time_s[here] - time[gap]) * (found.ends.time_s[here] - time[gap + 1]) < 0).all()
    assert found.caustics[here].sum() == 1  # the tube of one of them has crossed itself


def test_to_no_receiver_there_is_no_eigenray():
    rays = eigenrays(ROWS, SPEED, 7.0, np.zeros((0, 1)), np.zeros(0))
    assert rays.angle.size == rays.amplitude.size == 0
