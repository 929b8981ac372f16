"""Bent paths between walls: even water, an independent integration of rays, the way back, one gradient."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import root

from acoustics.physics.refraction import linear_gradient_travel_time
from acoustics.propagate import bending
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.multipath_free_window import multipath_free_map_s

BOX = [(0.0, 0.0), (25.0, 0.0), (25.0, 12.0), (0.0, 12.0)]
FIVE = [(0.0, 0.0), (19.0, -2.0), (24.0, 10.0), (14.0, 16.0), (-2.0, 12.0)]
L_SHAPE = [(0.0, 0.0), (24.0, 0.0), (24.0, 8.0), (10.0, 8.0), (10.0, 18.0), (0.0, 18.0)]
LEVEL = {"depth_m": 3.0, "floor": "mud", "surface_roughness_m": 0.01}
SLOPE = {"floor_points_m": [(0.0, 0.0, 2.6), (25.0, 0.0, 3.8), (0.0, 12.0, 2.6)], "floor": "mud"}
STEPS = {"depth_profile_m": [(0.0, 2.6), (8.0, 2.7), (15.0, 3.5), (25.0, 3.6)], "floor": "mud"}
# A little colder at the floor, so that the pressure there does not quicken sound.
EVEN = {"profile": [{"depth_m": 0.0, "temperature_degc": 20.0}, {"depth_m": 8.0, "temperature_degc": 19.956613496}]}
WARM_ABOVE = {
    "profile": [
        {"depth_m": 0.0, "temperature_degc": 27.0},
        {"depth_m": 1.0, "temperature_degc": 26.5},
        {"depth_m": 2.0, "temperature_degc": 24.0},
        {"depth_m": 3.0, "temperature_degc": 23.5},
    ]
}
SOURCE = np.array([3.0, 2.5, 2.4])
ASKED = {"frequency_hz": 30e3, "horizon_s": 8e-3, "floor_db": -50.0}


def elements(*places):
    return np.array(places)[:, None] + 0.02 * np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])


@pytest.mark.parametrize("floor", [LEVEL, SLOPE, STEPS], ids=["level", "slope", "steps"])
@pytest.mark.parametrize("outline", [BOX, FIVE, L_SHAPE], ids=["box", "five", "L"])
def test_in_even_water_they_are_the_straight_ones(make_scene, monkeypatch, outline, floor):
    scene = make_scene({"outline_m": outline, **floor}, water=EVEN, pinger=tuple(SOURCE), vehicle=(9.0, 5.0, 1.0))
    places = elements((9.0, 5.0, 1.0), (7.0, 7.9, 2.0), (9.0, 2.0, 2.3))
    asked = ASKED | {"horizon_s": 12e-3}
    straight = arrivals(scene, places, SOURCE, **asked)
    monkeypatch.setattr(bending, "BEND_SHARE", -1.0)
    bent = arrivals(scene, places, SOURCE, **asked)
    np.testing.assert_array_equal(bent.order, straight.order)
    np.testing.assert_array_equal(bent.faces, straight.faces)
    np.testing.assert_array_equal(bent.valid, straight.valid)
    np.testing.assert_allclose(bent.delay_s, straight.delay_s, rtol=3e-8)  # the water is even to that
    np.testing.assert_allclose(bent.amplitude, straight.amplitude, rtol=1e-5, atol=1e-9)


@pytest.mark.parametrize("outline", [BOX, None], ids=["walls", "open water"])
def test_water_of_one_temperature_bends_rays_by_its_pressure(make_scene, monkeypatch, outline):
    scene = make_scene({"outline_m": outline, **SLOPE}, pinger=tuple(SOURCE), vehicle=(9.0, 5.0, 1.0))
    places = elements((9.0, 5.0, 1.0), (7.0, 7.9, 2.0))
    asked = {"frequency_hz": 30e3, "horizon_s": 8e-3}
    straight = multipath_free_map_s(scene, places, SOURCE, **asked)
    monkeypatch.setattr(bending, "BEND_SHARE", -1.0)
    bent = multipath_free_map_s(scene, places, SOURCE, **asked)
    # 0.017 m/s a metre down: over 7 m that turns a ray by less than 1e-4.
    assert np.isfinite(straight).all()
    np.testing.assert_allclose(bent, straight, rtol=1e-3)


class Ray:
    """A ray by the ray equations dr/ds = c p, dp/ds = -grad c / c^2 (Jensen and others 2011, sec. 3.2), integrated by
    an adaptive method from one given face to the next, where p is mirrored, and on to a plane square to the way to a
    receiver."""

    def __init__(self, scene, source, receiver, met):
        self.faces = [scene.pool.faces[face] for face in met]
        image = np.array(source)
        for face in self.faces:
            image = image - 2 * ((image - face.point) @ face.normal) * face.normal
        ahead = receiver - image
        self.ahead = ahead / np.linalg.norm(ahead)
        first = ahead.copy()
        for face in self.faces[::-1]:
            first = first - 2 * (first @ face.normal) * face.normal
        self.start = np.array([np.arctan2(first[1], first[0]), np.arctan2(first[2], np.hypot(*first[:2]))])
        self.receiver, self.source = receiver, np.array(source)
        across = np.cross(self.ahead, [0.0, 0.0, 1.0])
        self.plane = np.stack([across / np.linalg.norm(across), np.cross(across, self.ahead) / np.linalg.norm(across)])
        self.rows = np.unique([0.0, *[row.depth_m for row in scene.water.profile], scene.pool.deepest_m])
        self.true_speeds = scene.water.sound_speed_m_s(self.rows)
        self.speeds = self.true_speeds

    def leg(self, state, normal, offset):
        """From a place to a face or plane, layer by layer, so that no step runs over a bend of the profile."""
        down = state[5] > 0
        layer = int(np.searchsorted(self.rows, state[2], side="right" if down else "left")) - 1
        while True:
            layer = min(max(layer, 0), len(self.rows) - 2)
            slope = (self.speeds[layer + 1] - self.speeds[layer]) / (self.rows[layer + 1] - self.rows[layer])

            def speed(z, layer=layer, slope=slope):
                return self.speeds[layer] + slope * (z - self.rows[layer])

            def change(_, state, slope=slope, speed=speed):
                here = speed(state[2])
                return np.array([*(here * state[3:6]), 0.0, 0.0, -slope / here**2, 1 / here])

            def at(_, state):
                return normal @ state[:3] - offset

            def above(_, state, row=self.rows[layer]):
                return state[2] - row

            def below(_, state, row=self.rows[layer + 1]):
                return row - state[2]

            for event in (at, above, below):
                event.terminal, event.direction = True, -1
            events = [at, *([above] if layer > 0 else []), *([below] if layer < len(self.rows) - 2 else [])]
            found = solve_ivp(change, (0, 100), state, method="DOP853", rtol=1e-11, atol=1e-13, events=events)
            state = found.y[:, -1]
            if found.t_events[0].size or not any(times.size for times in found.t_events):
                return state, speed(state[2])
            layer += 1 if state[5] > 0 else -1

    def follow(self, angles):
        """State at the receiver's plane, and sines of the grazing angles at the faces, for an azimuth and a fall."""
        azimuth, fall = angles
        heading = np.array([np.cos(fall) * np.cos(azimuth), np.cos(fall) * np.sin(azimuth), np.sin(fall)])
        state, sines = np.array([*self.source, *heading / np.interp(self.source[2], self.rows, self.speeds), 0.0]), []
        for face in self.faces:
            state, speed = self.leg(state, face.normal, face.normal @ face.point)
            into = state[3:6] @ face.normal
            sines.append(-into * speed)
            state[3:6] -= 2 * into * face.normal
        return self.leg(state, -self.ahead, -self.ahead @ self.receiver)[0], np.array(sines)

    def off(self, angles):
        return self.plane @ (self.follow(angles)[0][:3] - self.receiver)

    def met(self):
        """Time [s], spreading [1] and sines of the ray that meets the receiver; None where this search finds none."""
        angles, mean = self.start, self.true_speeds.mean()
        for share, tolerance in ((0.3, 1e-4), (0.6, 1e-4), (1.0, 1e-9)):  # from even water on
            self.speeds = mean + share * (self.true_speeds - mean)
            angles = root(self.off, angles, tol=tolerance, options={"maxfev": 30}).x
        if np.abs(self.off(angles)).max() > 1e-7:
            return None
        state, sines = self.follow(angles)
        step = 1e-6 * np.eye(2)
        by = np.stack([self.off(angles + one) - self.off(angles - one) for one in step], axis=-1) / 2e-6
        speed, there = np.interp([self.source[2], state[2]], self.rows, self.speeds)
        facing = state[3:6] * there @ self.ahead
        spreading = np.sqrt(there / speed * np.cos(angles[1]) / (abs(np.linalg.det(by)) * facing))
        return state[6], spreading, sines


def beside_integration(scene, receiver, paths, which):
    """Times [s] and sizes less spreading and coefficients, of ours and of the integration, of some paths."""
    loss = float(scene.water.absorption_db_per_km(30e3)) / 1000 * np.log(10) / 20
    found = []
    for k in which:
        met = paths.faces[k][paths.faces[k] >= 0]
        ray = Ray(scene, SOURCE, receiver, met).met()
        if ray is None:
            continue
        time, spreading, sines = ray
        gain = 1.0
        for face, sine in zip(met, sines, strict=True):
            gain = gain * abs(coefficient(scene, scene.pool.faces[face], sine))
        expected = spreading * gain * np.exp(-loss * time * float(scene.water.sound_speed_m_s(2.0)))
        found.append((paths.delay_s[0, k], time, abs(paths.amplitude[0, k]), expected))
    return np.array(found).T


def coefficient(scene, face, sine):
    grazing, speed = np.array([np.arcsin(sine)]), float(scene.water.sound_speed_m_s(SOURCE[2]))
    water = {"water_density_kg_m3": scene.water.density_kg_m3, "water_speed_m_s": speed}
    rough = np.exp(-2 * (2 * np.pi * 30e3 / speed * face.roughness_m * sine) ** 2)
    return face.material.reflection(grazing, frequency_hz=30e3, **water)[0] * rough


@pytest.mark.slow
@pytest.mark.parametrize("floor", [LEVEL, SLOPE, STEPS], ids=["level", "slope", "steps"])
def test_they_solve_the_ray_equations_with_reflection_in_an_l(make_scene, monkeypatch, floor):
    monkeypatch.setattr(bending, "BEND_SHARE", -1.0)
    scene = make_scene(
        {"outline_m": L_SHAPE, **floor}, water=WARM_ABOVE, pinger=tuple(SOURCE), vehicle=(20.0, 5.0, 1.0)
    )
    receiver = np.array([20.0, 5.0, 1.0])
    paths = arrivals(scene, receiver[None], SOURCE, **ASKED)
    names = np.array(["", *paths.face_names])[paths.faces + 1]
    walled = np.flatnonzero(np.char.startswith(names, "wall").any(axis=1) & (paths.order > 1))
    which = [0, 1, *walled[:: len(walled) // 5]]
    delay, time, size, expected = beside_integration(scene, receiver, paths, which)
    assert len(time) >= 6
    np.testing.assert_allclose(delay, time, rtol=0, atol=1e-12)
    np.testing.assert_allclose(size, expected, rtol=1e-3)


@pytest.mark.parametrize("floor", [LEVEL, SLOPE, STEPS], ids=["level", "slope", "steps"])
def test_source_and_receiver_exchanged_give_the_same(make_scene, monkeypatch, floor):
    """But for a few rays that are level just at a bend of the profile, or begin to be seen past a corner: their tube is
    not certain, and what follows a straight path there may find none the other way."""
    monkeypatch.setattr(bending, "BEND_SHARE", -1.0)
    there, ways, plain = np.array([20.0, 5.0, 1.0]), [], {"name": "plain", "reflection_coefficient": 0.7}
    for source, receiver in ((SOURCE, there), (there, SOURCE)):
        scene = make_scene(
            {"outline_m": L_SHAPE, **floor, "walls": plain, "floor": plain, "surface_roughness_m": 0.0},
            water=WARM_ABOVE,
            pinger=tuple(source),
            vehicle=tuple(receiver),
        )
        ways.append(arrivals(scene, receiver[None], source, **ASKED | {"floor_db": -90.0}))
    for one, other in (ways, ways[::-1]):
        apart = np.abs(one.delay_s[0][:, None] - other.delay_s[0])
        same = apart.argmin(axis=1)
        assert np.mean(apart.min(axis=1) < 1e-12) > (0.999 if floor is LEVEL else 0.9)
        assert np.mean(np.abs(np.abs(one.amplitude[0] / other.amplitude[0][same]) - 1.0) < 1e-4) > 0.9
    assert len(ways[0].order) > 100


def test_over_a_floor_as_good_as_level_they_are_those_over_a_level_one(make_scene, monkeypatch):
    """Two methods: fans of rays in unfolded water, and, for walls, rays beside straight paths: not all are beside one."""
    monkeypatch.setattr(bending, "BEND_SHARE", -1.0)
    nearly, found = {"floor_points_m": [(0.0, 0.0, 3.0), (25.0, 0.0, 3.0 + 1e-9), (0.0, 12.0, 3.0)], "floor": "mud"}, []
    receiver = np.array([20.0, 5.0, 1.0])
    for pool in (LEVEL | {"surface_roughness_m": 0.0}, nearly):
        scene = make_scene(
            {"outline_m": L_SHAPE, **pool}, water=WARM_ABOVE, pinger=tuple(SOURCE), vehicle=tuple(receiver)
        )
        found.append(arrivals(scene, receiver[None], SOURCE, **ASKED))
    fans, beside = found
    apart = np.abs(fans.delay_s[0][:, None] - beside.delay_s[0])
    assert apart.min(axis=0).max() < 1e-11
    assert np.sum(apart.min(axis=1) < 1e-11) > 0.8 * len(fans.order)
    same = apart.argmin(axis=0)
    off = np.abs(beside.amplitude[0] / fans.amplitude[0][same] - 1.0)
    assert np.mean(off < 1e-4) > 0.9


def test_in_one_gradient_wall_echoes_take_the_time_to_the_mirror_image(make_scene):
    """The ray to the source mirrored in the wall, as if the water went on there."""
    water = {"profile": [{"depth_m": 0.0, "temperature_degc": 17.0}, {"depth_m": 3.0, "temperature_degc": 23.0}]}
    scene = make_scene({"outline_m": BOX, **LEVEL}, water=water, pinger=tuple(SOURCE), vehicle=(20.0, 5.0, 1.0))
    receiver = np.array([20.0, 5.0, 1.0])
    paths = arrivals(scene, receiver[None], SOURCE, **ASKED)
    above, below = scene.water.sound_speed_m_s([0.0, 3.0])
    gradient = (below - above) / 3.0
    alone = [
        k for k in range(len(paths.order)) if paths.order[k] == 1 and "wall" in paths.face_names[paths.faces[k, 0]]
    ]
    assert len(alone) == 4
    for k in [0, *alone]:
        image = SOURCE.copy()
        for number in paths.faces[k][paths.faces[k] >= 0]:
            face = scene.pool.faces[number]
            image = image - 2 * ((image - face.point) @ face.normal) * face.normal
        exact = linear_gradient_travel_time(
            np.linalg.norm(image - receiver),
            from_speed_m_s=above + gradient * SOURCE[2],
            to_speed_m_s=above + gradient * receiver[2],
            gradient_per_s=gradient,
        )
        assert paths.delay_s[0, k] == pytest.approx(float(exact), rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("floor", [LEVEL, SLOPE], ids=["level", "slope"])
def test_the_map_of_windows_is_that_of_the_arrivals(make_scene, floor):
    scene = make_scene(
        {"outline_m": L_SHAPE, **floor}, water=WARM_ABOVE, pinger=tuple(SOURCE), vehicle=(20.0, 5.0, 1.0)
    )
    places = elements(
        (4.0, 4.0, 1.5), (9.0, 7.0, 2.0), (20.0, 5.0, 1.0), (23.0, 7.0, 2.5), (9.0, 17.0, 1.0), (1.0, 17.0, 2)
    )
    windows = multipath_free_map_s(scene, places, SOURCE, frequency_hz=30e3)
    paths = arrivals(scene, places, SOURCE, frequency_hz=30e3)
    np.testing.assert_allclose(windows, multipath_free_s(paths), rtol=1e-9)
    assert np.unique(windows).size == len(windows)
