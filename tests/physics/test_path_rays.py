"""Rays past given faces against the closed form of one gradient and an independent integration of the ray equations."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.frames import direction
from acoustics.physics.eigenrays import eigenrays
from acoustics.physics.path_rays import places_along, rays_along_paths
from acoustics.physics.refraction import linear_gradient_travel_time
from tests.physics.test_floor_rays import ROWS, SLOPING, SOURCE, SPEED, integrated

SURFACE = np.array([0.0, 0.0, 1.0, 0.0])
WALL = np.array([-0.6, 0.8, 0.0, -12.0])  # beyond it no water


def mirrored(place_m, planes):
    image = np.array(place_m, dtype=float)
    for plane in planes:
        image = image - 2 * (image @ plane[:3] - plane[3]) * plane[:3]
    return image


def floor_plane():
    a, b, c = SLOPING.planes[0]
    normal = np.array([b, c, -1.0]) / np.sqrt(1 + b**2 + c**2)
    return np.array([*normal, normal @ [0.0, 0.0, a]])


@pytest.mark.parametrize("planes", [[], [WALL]], ids=["direct", "off a wall"])
def test_in_one_gradient_the_time_is_that_to_the_image(planes):
    rows, speed = np.array([0.0, 20.0]), np.array([1500.0, 1440.0])
    receivers, source = np.array([[14.0, 4.0, 5.0], [3.0, -6.0, 14.0]]), np.array([1.0, 2.0, 9.0])
    image, given = mirrored(source, planes), np.array(planes).reshape(1, -1, 4).repeat(2, axis=0)
    count = np.full(2, len(planes))
    rays = rays_along_paths(rows, speed, source, receivers, np.tile(image, (2, 1)), given, count)
    exact = linear_gradient_travel_time(
        np.linalg.norm(receivers - image, axis=1),
        from_speed_m_s=1473.0,
        to_speed_m_s=1500.0 - 3.0 * receivers[:, 2],
        gradient_per_s=-3.0,
    )
    assert rays.found.all()
    np.testing.assert_allclose(rays.time_s, exact, rtol=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize(("angle_deg", "turn_deg"), [(-20.0, 1.0), (17.0, 3.0)])
def test_past_a_slope_and_the_surface_it_solves_the_ray_equations(angle_deg, turn_deg):
    angle, turn = np.deg2rad([angle_deg, turn_deg])
    state, met = integrated(SLOPING, angle, turn, 42.0)
    planes = [floor_plane() if face else SURFACE for face in met]
    receiver, count = state[None, :3], np.array([len(met)])
    given = np.array(planes)[None]
    rays = rays_along_paths(ROWS, SPEED, SOURCE, receiver, mirrored(SOURCE, planes)[None], given, count)
    assert rays.found[0] and len(met) > 1
    np.testing.assert_allclose(rays.time_s[0], state[6], atol=1e-8)
    np.testing.assert_allclose(rays.heading[0], state[3:6] * np.interp(state[2], ROWS, SPEED), atol=2e-6)
    ray, places = places_along(ROWS, SPEED, SOURCE, receiver, direction([turn], [angle]), given, count)
    assert not ray.any()
    np.testing.assert_allclose(places[[0, -1]], [SOURCE, receiver[0]], atol=2e-5)
    for plane in planes:
        assert np.abs(places @ plane[:3] - plane[3]).min() < 1e-9


def test_where_rays_turn_on_their_way_one_is_found_all_the_same():
    """46 m and more off in a lake the direct ray comes down from above its receiver, which no straight one does."""
    rows, speed = np.array([0.0, 3.0, 5.0, 8.0]), np.array([1485.3, 1482.4, 1458.9, 1447.4])
    source, ranges = np.array([0.0, 0.0, 6.0]), np.arange(46.0, 65.0, 6.0)
    receivers, n = np.column_stack([ranges, 0 * ranges, 0 * ranges + 4.0]), len(ranges)
    none, count = np.zeros((n, 0, 4)), np.zeros(n, dtype=int)
    rays = rays_along_paths(rows, speed, source, receivers, np.tile(source, (n, 1)), none, count)
    fans = eigenrays(rows, speed, 6.0, receivers[:, 2:], ranges, steepest=np.full(n, np.deg2rad(20.0)))
    assert rays.found.all()
    for k in range(n):
        assert np.abs(fans.ends.time_s[fans.receiver == k] - rays.time_s[k]).min() < 1e-12


def test_a_receiver_that_no_ray_comes_to_has_none():
    """In water that slows sound with depth no ray from near the surface reaches far along it: a shadow zone."""
    rows, speed, source = np.array([0.0, 8.0]), np.array([1490.0, 1450.0]), np.array([0.0, 0.0, 0.5])
    receivers = np.array([[10.0, 0.0, 0.5], [60.0, 0.0, 0.5]])
    none = np.zeros((2, 0, 4))
    rays = rays_along_paths(rows, speed, source, receivers, np.tile(source, (2, 1)), none, np.zeros(2, dtype=int))
    assert rays.found[0]
    assert rays.place_m[rays.ray == 1][:, 2].min(initial=np.inf) < 0 or not rays.found[1]
