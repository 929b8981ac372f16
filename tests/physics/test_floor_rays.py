"""Rays over sloping floors against an independent integration, the way back, and the level floor's own method."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from acoustics.base.errors import ParameterError
from acoustics.base.floors import Floor, plane_floor, profile_floor
from acoustics.physics.eigenrays import eigenrays, root_between
from acoustics.physics.floor_eigenrays import floor_eigenrays
from acoustics.physics.floor_rays import SURFACE, in_storey, trace_over_floor

ROWS, SPEED = np.array([0.0, 3.0, 6.0, 30.0]), np.array([1486.0, 1483.0, 1460.0, 1445.0])
SLOPING = plane_floor([(0.0, 0.0, 8.0), (10.0, 0.0, 7.6), (0.0, 10.0, 8.7)])
SOURCE = np.array([2.0, -1.0, 6.0])
LONG = np.full(1, 1.0)


def integrated(floor, angle, azimuth, to_x_m):
    """Ray equations dr/ds = c p, dp/ds = -grad c / c^2 (Jensen and others 2011, sec. 3.2), by an adaptive method that
    stops at each face, where p is mirrored, and at a plane x = const."""
    a, b, c = floor.planes[0]
    upward = np.array([b, c, -1.0]) / np.sqrt(1 + b**2 + c**2)

    def speed(z):
        return np.interp(z, ROWS, SPEED)

    def change(_, state):
        z, p = state[2], state[3:6]
        layer = int(np.clip(np.searchsorted(ROWS, z) - 1, 0, 2))
        slope = (SPEED[layer + 1] - SPEED[layer]) / (ROWS[layer + 1] - ROWS[layer])
        here = speed(z)
        return np.array([*(here * p), 0.0, 0.0, -slope / here**2, 1 / here])

    def at_end(_, state):
        return state[0] - to_x_m

    def at_surface(_, state):
        return state[2]

    def at_floor(_, state):
        return a + b * state[0] + c * state[1] - state[2]

    at_end.terminal = at_surface.terminal = at_floor.terminal = True
    at_surface.direction = at_floor.direction = -1
    level = np.cos(angle)
    way = np.array([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(angle)])
    state, met = np.array([*SOURCE, *(way / speed(SOURCE[2])), 0.0]), []
    for _ in range(20):
        found = solve_ivp(
            change, (0, 200), state, rtol=1e-10, atol=1e-13, max_step=0.05, events=(at_end, at_surface, at_floor)
        )
        state = found.y[:, -1]
        if found.t_events[0].size:
            return state, met
        normal = np.array([0.0, 0.0, 1.0]) if found.t_events[1].size else upward
        met.append(0 if found.t_events[1].size else 1)
        state[3:6] -= 2 * (state[3:6] @ normal) * normal
    raise AssertionError("the ray does not arrive")


@pytest.mark.slow
@pytest.mark.parametrize(("angle_deg", "turn_deg"), [(-20.0, 1.0), (-3.0, 0.0), (6.0, -2.0), (17.0, 3.0)])
def test_a_ray_solves_the_ray_equations_with_reflection(angle_deg, turn_deg):
    angle, turn = np.deg2rad([angle_deg, turn_deg])
    there = np.array([[42.0, -1.0, 3.0]])
    ends = trace_over_floor(ROWS, SPEED, SLOPING, SOURCE, there, np.array([angle]), np.array([turn]), LONG)
    state, met = integrated(SLOPING, angle, turn, 42.0)
    assert ends.faces[0][ends.faces[0] >= 0].tolist() == met
    assert 1 in met
    np.testing.assert_allclose(ends.across_m[0], state[1] + 1.0, atol=2e-5)
    np.testing.assert_allclose(ends.heading[0], state[3:6] * ends.speed_m_s[0], atol=2e-6)
    np.testing.assert_allclose(ends.time_s[0], state[6], atol=1e-8)


def storeys_of(ends):
    """Storey of each path by what it met: a face leads to the next one, or back."""
    count = []
    for faces in ends.faces:
        storey = 0
        for face in faces[faces >= 0]:
            storey += (1 if face > SURFACE else -1) * (1 if storey % 2 == 0 else -1)
        count.append(storey)
    return count


def found(floor, from_m, to_m, storeys=3, steepest=70.0):
    places = np.atleast_2d(to_m)
    return floor_eigenrays(
        ROWS,
        SPEED,
        floor,
        np.asarray(from_m),
        places,
        np.arange(-storeys, storeys + 1),
        np.full(len(places), np.deg2rad(steepest)),
        np.full(len(places), 0.2),
    )


@pytest.mark.parametrize("there_m", [(38.0, 14.0, 2.5), (-30.0, 8.0, 7.0), (5.0, 45.0, 4.0)])
def test_an_eigenray_is_the_same_on_the_way_back(there_m):
    """Travel time and pressure of a point source are reciprocal (Jensen and others 2011, sec. 2.3)."""
    there, back = found(SLOPING, SOURCE, there_m), found(SLOPING, there_m, SOURCE)
    np.testing.assert_allclose(there.ends.across_m, 0.0, atol=1e-8)
    assert there.storey.tolist() == storeys_of(there.ends)
    one, other = np.argsort(there.ends.time_s), np.argsort(back.ends.time_s)
    assert len(one) == len(other) >= 7
    np.testing.assert_allclose(there.ends.time_s[one], back.ends.time_s[other], rtol=1e-10)
    np.testing.assert_allclose(there.amplitude[one], back.amplitude[other], rtol=1e-4)
    np.testing.assert_allclose(
        there.ends.sin_grazing[one].sum(axis=1), back.ends.sin_grazing[other].sum(axis=1), atol=1e-7
    )


def test_receivers_that_share_a_fan_are_met_as_each_alone():
    floor = profile_floor([(0.0, 7.0), (15.0, 8.0), (28.0, 5.0), (60.0, 4.0)])
    places = np.array([30.0, 12.0, 2.5]) + np.array([[0, 0, 0], [0.6, 0, 0.2], [-0.5, 0.3, 0], [0, -0.6, -0.3]])
    together, alone = found(floor, SOURCE, places), [found(floor, SOURCE, place) for place in places]
    assert together.receiver.tolist() == np.repeat(range(4), [len(each.storey) for each in alone]).tolist()
    np.testing.assert_array_equal(together.storey, np.concatenate([each.storey for each in alone]))
    np.testing.assert_allclose(together.ends.time_s, np.concatenate([each.ends.time_s for each in alone]), rtol=1e-10)
    np.testing.assert_allclose(together.amplitude, np.concatenate([each.amplitude for each in alone]), rtol=1e-4)


def test_direct_rays_alone_are_the_direct_ones_of_all():
    places, rest = (
        np.array([[30.0, 12.0, 2.5], [300.0, 12.0, 0.5]]),
        (np.zeros(1, dtype=int), np.full(2, 1.2), LONG[[0, 0]]),
    )
    direct = floor_eigenrays(ROWS, SPEED, SLOPING, SOURCE, places, *rest, reflected=False)
    every = found(SLOPING, SOURCE, places[:1])
    straight = np.all(every.ends.faces < 0, axis=1)
    assert direct.receiver.tolist() == [0] and straight.sum() == 1
    np.testing.assert_allclose(direct.ends.time_s, every.ends.time_s[straight], rtol=1e-12)


def test_over_a_level_floor_they_are_those_of_unfolded_water():
    level, depth = Floor(np.array([[8.0, 0.0, 0.0]]), np.zeros((1, 0, 3))), 8.0
    rays = found(level, SOURCE, (42.0, -1.0, 2.5), storeys=1)
    inside = np.array([0.0, 3.0, 6.0, depth])
    speed = np.interp(inside, ROWS, SPEED)
    tall = np.concatenate([-inside[::-1], inside[1:], 2 * depth - inside[-2::-1]])
    tall_speed = np.concatenate([speed[::-1], speed[1:], speed[-2::-1]])
    images = np.array([[-2.5, 2.5, 2 * depth - 2.5]])
    other = eigenrays(tall, tall_speed, SOURCE[2], images, [40.0], steepest=np.array([np.deg2rad(70.0)]))
    assert rays.storey.tolist() == (other.target - 1).tolist()
    np.testing.assert_allclose(rays.ends.time_s, other.ends.time_s, rtol=1e-11)
    np.testing.assert_allclose(rays.amplitude, other.amplitude, rtol=1e-6)
    assert rays.caustics.tolist() == other.caustics.tolist()


def test_a_plane_cut_in_two_is_still_that_plane():
    whole, cut = (
        profile_floor([(-100.0, 12.0), (100.0, 4.0)]),
        profile_floor([(-100.0, 12.0), (20.0, 7.2), (100.0, 4.0)]),
    )
    one, two = found(whole, SOURCE, (45.0, 20.0, 2.0)), found(cut, SOURCE, (45.0, 20.0, 2.0))
    np.testing.assert_allclose(two.ends.time_s, one.ends.time_s, rtol=1e-12)
    np.testing.assert_allclose(two.amplitude, one.amplitude, rtol=1e-6)
    assert len(np.unique(two.ends.faces)) == len(np.unique(one.ends.faces)) + 1


def test_where_the_floor_steps_up_between_there_is_no_straight_way():
    ridge = profile_floor([(0.0, 8.0), (15.0, 8.0), (20.0, 1.0), (25.0, 8.0), (60.0, 8.0)])
    rays = found(ridge, (2.0, 0.0, 6.0), (40.0, 0.0, 6.0))
    assert 0 not in np.sum(rays.ends.faces >= 0, axis=1)


def test_rays_without_end_are_refused(monkeypatch):
    monkeypatch.setattr("acoustics.physics.floor_rays.MOST_ARCS", 100)
    rows, speed = np.array([0.0, 20.0, 60.0]), np.array([1500.0, 1480.0, 1520.0])
    floor = Floor(np.array([[50.0, 0.0, 0.0]]), np.zeros((1, 0, 3)))
    ahead = np.array([0.0, 0.0, 21.0]), np.array([[1e6, 0.0, 21.0]]), np.zeros(1), np.zeros(1)
    with pytest.raises(ParameterError, match=r"over 1,000.0 km cross .*water.profile"):
        trace_over_floor(rows, speed, floor, *ahead, np.full(1, np.inf))


def test_unfolded_depth_has_no_leap_where_a_face_is_met():
    floor_m = np.array([8.0, 5.0])
    at_floor, at_surface = floor_m, np.zeros(2)
    np.testing.assert_array_equal(
        in_storey(np.array([0, -2]), floor_m, at_floor), in_storey(np.array([1, -1]), floor_m, at_floor)
    )
    np.testing.assert_array_equal(
        in_storey(np.array([0, 2]), floor_m, at_surface), in_storey(np.array([-1, 1]), floor_m, at_surface)
    )


def test_roots_between_brackets_are_found_together():
    aim = np.array([0.2, 0.9, -0.5])
    low, high = np.full(3, -1.5), np.full(3, 1.5)
    found, miss = root_between(
        lambda angle, which: np.sin(angle) - aim[which], low, high, np.sin(low) - aim, np.sin(high) - aim
    )
    np.testing.assert_allclose(found, np.arcsin(aim), atol=1e-8)
    assert np.abs(miss).max() < 1e-9
