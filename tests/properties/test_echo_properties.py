"""Echoes: swapping source and receiver changes nothing, images are as many as space holds, energy only falls."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.images.polyhedron import polyhedron_images, polyhedron_paths
from acoustics.propagate.images.room import Pairs, Room
from acoustics.propagate.multipath_free_window import multipath_free_map_s
from acoustics.scene.scene import Scene

F = 30e3
inside = st.tuples(st.floats(0.5, 19.5), st.floats(0.5, 9.5), st.floats(0.2, 1.8))
BOX = {"outline_m": [[0, 0], [20, 0], [20, 10], [0, 10]], "depth_m": 2.5}
SLOPE = {
    "outline_m": [[0, 0], [20, 0], [21, 10], [-1, 11]],
    "floor_points_m": [[0, 0, 2.0], [20, 0, 3.0], [0, 10, 2.0]],
}


def scene_with(**pool):
    """A scene in uniform water, with hydrophones anywhere: the tests choose their own places."""
    pool = {key: [[float(x) for x in row] for row in v] if isinstance(v, list) else v for key, v in pool.items()}
    pinger, vehicle = {"position_m": [5.0, 5.0, 1.0], "frequency_hz": 30e3}, {"position_m": [4.0, 4.0, 1.0]}
    array = {"hydrophone": [{"name": n, "position_m": [x, 0.0, 0.0]} for n, x in (("a", 0.0), ("b", 0.02))]}
    return Scene.model_validate(
        {"water": {"temperature_degc": 20.0}, "pool": pool, "pinger": [pinger], "array": array, "vehicle": vehicle}
    )


# Given coefficients: those of a material depend a little on the depth of the source, through the sound speed there.
FACES = {"walls": {"reflection_coefficient": 0.7}, "floor": {"reflection_coefficient": 0.6}}
SCENES = {"box": scene_with(**BOX, **FACES), "slope": scene_with(**SLOPE, **FACES)}
HARD = scene_with(**BOX, walls={"reflection_coefficient": 1.0}, floor={"reflection_coefficient": 1.0})


def heard(scene, source, receiver, horizon_s=3e-3):
    """Tdoa and amplitudes at one hydrophone, in the order of the delays."""
    found = arrivals(scene, [receiver], source, frequency_hz=F, horizon_s=horizon_s, floor_db=-120.0)
    valid = found.valid[0]
    order = np.argsort(found.delay_s[0][valid], kind="stable")
    return found.delay_s[0][valid][order], found.amplitude[0][valid][order], found


def apart(one, other):
    return np.linalg.norm(np.subtract(one, other)) > 0.3


@pytest.mark.parametrize("pool", SCENES)
@given(inside, inside)
def test_source_and_receiver_may_change_places(pool, source, receiver):
    if not apart(source, receiver):
        return
    # Echoes that fall on the horizon itself may be in on one way and out on the other.
    end = np.linalg.norm(np.subtract(source, receiver)) / 1482 + 2.9e-3
    (t1, a1, _), (t2, a2, _) = heard(SCENES[pool], source, receiver), heard(SCENES[pool], receiver, source)
    k1, k2 = t1 < end, t2 < end
    assert k1.sum() == k2.sum()
    assert t2[k2] == pytest.approx(t1[k1], abs=1e-10)
    # Equal delays come in any order: sums over the amplitudes, and each magnitude, agree.
    assert a2[k2].sum() == pytest.approx(a1[k1].sum(), abs=1e-6)
    assert np.sort(np.abs(a2[k2])) == pytest.approx(np.sort(np.abs(a1[k1])), rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("pool", SCENES)
@given(inside, inside)
def test_the_direct_sound_is_first_and_no_echo_is_stronger_than_its_path_allows(pool, source, receiver):
    if not apart(source, receiver):
        return
    delay, amplitude, found = heard(SCENES[pool], source, receiver)
    assert delay[0] == pytest.approx(found.delay_s[0, 0])
    assert found.order[0] == 0 and np.all(found.order[1:] > 0)
    # 1 / r with a coefficient of at most 1; 1480 to 1485 m/s in water of 20 C (IAPWS-95: 1482.3).
    assert np.all(np.abs(amplitude) <= 1 / (1480 * delay) * (1 + 1e-6))


@given(inside, inside)
def test_a_hard_box_holds_one_image_for_each_of_its_volumes(source, receiver):
    # Each copy of the box in the lattice of mirrors holds one image, so within R there are about
    # (4/3) pi R^3 / V (Allen & Berkley 1979); the copies that the sphere cuts are a shell of half a diagonal.
    if not apart(source, receiver):
        return
    delay, amplitude, _ = heard(HARD, source, receiver, horizon_s=8e-3)
    reach = 1482.3 * (delay[0] + 8e-3)
    half = 0.5 * np.hypot(np.hypot(20, 10), 2.5) + 0.5 * np.hypot(np.hypot(20, 10), 2.5)
    sphere = 4 / 3 * np.pi / (20 * 10 * 2.5)
    assert len(delay) <= sphere * (reach + half) ** 3
    assert len(delay) >= sphere * max(reach - half, 0.0) ** 3
    # All faces are hard or pressure releasing: nothing but spreading and absorption weakens an echo.
    loss_db = HARD.water.absorption_db_per_km(F) / 1000 * delay * 1482.3
    assert np.abs(amplitude) * 1482.3 * delay * 10 ** (loss_db / 20) == pytest.approx(np.ones(len(delay)), rel=1e-3)


@given(inside, inside, st.floats(0.0, 0.9))
def test_softer_walls_never_make_an_echo_stronger(source, receiver, coefficient):
    if not apart(source, receiver):
        return
    faces = {key: {"reflection_coefficient": coefficient} for key in ("walls", "floor")}
    soft = np.abs(heard(scene_with(**BOX, **faces), source, receiver)[1])
    hard = np.abs(heard(HARD, source, receiver)[1])
    assert np.sum(soft**2) <= np.sum(hard**2) * (1 + 1e-9)


@pytest.mark.parametrize("pool", SCENES)
@given(inside, inside, st.sampled_from([2e-3, 5e-3, 20e-3]))
def test_the_window_of_a_map_is_that_of_the_arrivals(pool, source, receiver, horizon_s):
    if not apart(source, receiver):
        return
    scene = SCENES[pool]
    quick = multipath_free_map_s(scene, [receiver], source, frequency_hz=F, horizon_s=horizon_s)
    slow = multipath_free_s(arrivals(scene, [receiver], source, frequency_hz=F, horizon_s=min(horizon_s, 6e-3)))
    # The strong early echoes of surface and floor come long before 6 ms in 3 m of water.
    assert quick == pytest.approx(slow, abs=1e-9)


def mirror(grazing):
    """A coefficient that depends on the angle, and differs little from face to face."""
    return (0.5 + 0.4 * np.sin(grazing)).astype(complex)


def prism_room(turn, shift, scale, reflections):
    """A room of five walls over a sloping floor, turned about the vertical, shifted along the level and scaled."""
    outline = np.array([(0.0, 0.0), (12.0, 0.0), (14.0, 6.0), (6.0, 10.0), (-1.0, 7.0)])
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    def moved(points):
        return scale * (np.asarray(points, dtype=float) @ rotation.T) + np.array([*shift, 0.0])

    along = np.roll(outline, -1, axis=0) - outline
    normals = np.array([(0, 0, 1), (0.05, 0.02, -1), *[(-dy, dx, 0) for dx, dy in along]], dtype=float)
    points = [(0, 0, 0), (0, 0, 2.0), *[(x, y, 0) for x, y in outline]]
    normals = (normals / np.linalg.norm(normals, axis=1, keepdims=True)) @ rotation.T
    offsets = np.sum(normals * moved(points), axis=1)
    return Room(normals, offsets, reflections, lambda a, b: np.full(np.broadcast(a, b).shape, 1480.0), 1480.0), moved


def paths_in(room, source, receivers, reach_m):
    """Tdoa and gains of all that exist, shortest first."""
    images = polyhedron_images(room, source, receivers, np.full(len(receivers), reach_m))
    each = np.repeat(np.arange(len(images.order)), len(receivers))
    which = np.tile(np.arange(len(receivers)), len(images.order))
    found = polyhedron_paths(room, source, images, receivers, Pairs(each, which))
    way = np.linalg.norm(images.position_m[each] - receivers[which], axis=-1)
    row = np.flatnonzero(found.exists & (way < 0.999 * reach_m))
    row = row[np.argsort(way[row])]
    return way[row] * found.slowness_s_m[row], found.gain[row]


dry = st.tuples(st.floats(1.0, 10.0), st.floats(1.0, 5.5), st.floats(0.2, 1.5))


@given(dry, dry, st.floats(-3.1, 3.1), st.tuples(st.floats(-50, 50), st.floats(-50, 50)), st.floats(0.1, 10.0))
def test_turning_shifting_and_scaling_the_pool_scales_every_delay_and_changes_no_gain(source, receiver, turn, shift, k):
    if not apart(source, receiver):
        return
    reflections = (-1.0 + 0j, mirror, *[mirror] * 5)
    here, _ = prism_room(0.0, (0.0, 0.0), 1.0, reflections)
    there, moved = prism_room(turn, shift, k, reflections)
    t1, g1 = paths_in(here, np.array(source), np.array([receiver]), 12.0)
    t2, g2 = paths_in(there, moved(source), moved([receiver]), 12.0 * k)
    # A path by an edge of the pool may be there or not, by rounding: it is left out of the comparison.
    assert abs(len(t1) - len(t2)) <= 1
    if len(t1) == len(t2):
        assert t2 == pytest.approx(k * t1, rel=1e-9)
        assert np.sort(np.abs(g2)) == pytest.approx(np.sort(np.abs(g1)), abs=1e-7)
