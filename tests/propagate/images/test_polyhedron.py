"""Echoes of any convex room: against the closed form, another image-source library, Fermat's principle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from acoustics.base.errors import ParameterError
from acoustics.propagate.images import polyhedron
from acoustics.propagate.images.beams import lit_part
from acoustics.propagate.images.lattice import lattice_faces, lattice_images, lattice_paths
from acoustics.propagate.images.polyhedron import polyhedron_images, polyhedron_paths, polyhedron_trace
from acoustics.propagate.images.room import Pairs

SPEED = 1480.0
OUTLINE = [(0, 0), (25, 0), (25, 12.5), (0, 12.5)]
PENTAGON = [(0, 0), (9, -1), (12, 5), (7, 10), (-1, 6)]
SLOPE = (1.4, 0.096, 0.03)


def constant(coefficient):
    return lambda grazing: np.full(np.shape(grazing), coefficient, dtype=complex)


def sandy(grazing):
    """Rayleigh's coefficient of a fluid of 1.9 times the density and 1.1 times the speed."""
    vertical = np.sqrt(1 / 1.1**2 - np.cos(grazing) ** 2 + 0j)
    return (1.9 * np.sin(grazing) - vertical) / (1.9 * np.sin(grazing) + vertical)


def traced(room, source, receiver, reach_m):
    images = polyhedron_images(room, source, receiver[None], np.array([reach_m]))
    trace = polyhedron_trace(room, source, images, np.repeat(receiver[None], len(images.order), axis=0))
    images = images.take(trace.exists)
    return images, np.linalg.norm(images.position_m - receiver, axis=1), trace.faces


def test_a_rectangular_room_equals_the_closed_form(make_box):
    room = make_box((25.0, 12.5, 2.6), [constant(-1.0), sandy, constant(0.8), sandy, sandy, constant(0.6)])
    source = np.array([4.0, 3.0, 1.5])
    receivers = np.random.default_rng(1).uniform((0, 0, 0), (25, 12.5, 2.6), (40, 3))
    reach = np.full(40, 32.0)
    lattice = lattice_images(room, source, receivers, reach)
    images = polyhedron_images(room, source, receivers, reach)
    apart = np.linalg.norm(images.position_m[None] - lattice.position_m[:, None], axis=-1)
    match = np.argmin(apart, axis=1)
    assert len(images.order) == len(lattice.order) == len(set(match))
    assert apart[np.arange(len(match)), match].max() < 1e-12
    assert lattice.order.max() > 10

    each = np.repeat(np.arange(len(match)), len(receivers))
    which = np.tile(np.arange(len(receivers)), len(match))
    receiver = receivers[which]
    closed = lattice_paths(room, source, lattice, receivers, Pairs(each, which))
    general = polyhedron_paths(room, source, images, receivers, Pairs(match[each], which))
    assert general.exists.all()
    np.testing.assert_allclose(general.gain, closed.gain, atol=1e-12)
    np.testing.assert_allclose(general.slowness_s_m, closed.slowness_s_m, rtol=1e-13)
    faces = polyhedron_trace(room, source, images.take(match[each]), receiver).faces
    np.testing.assert_array_equal(faces, lattice_faces(room, lattice.take(each), receiver))


def test_positions_in_one_place_are_found_among_those_that_only_look_so_from_aside():
    """Planted doubles, a triple, and points that are one along the direction looked along but lie apart."""
    rng = np.random.default_rng(1)
    places = rng.uniform(-50, 50, (300, 3))
    aside = np.cross(polyhedron._ODD_DIRECTION, [0.0, 0.0, 1.0])
    places = np.concatenate([places, places[:40] + aside, places[10:50] + 1e-8, places[20:21] - 1e-8])
    places = rng.permutation(places)
    apart = np.linalg.norm(places[:, None] - places, axis=-1)
    expected = np.argwhere(np.triu(apart <= 1e-7, 1))
    found = np.sort(polyhedron._pairs_in_one_place(places), axis=1)
    assert len(found) == 42
    np.testing.assert_array_equal(found[np.lexsort(found.T[::-1])], expected)


def test_a_path_through_an_edge_is_counted_once(make_box):
    # Source and receivers on the diagonal: the path by both walls of the corner meets the edge itself.
    room = make_box((10.0, 10.0, 3.0), [constant(1.0)] * 6)
    source, receiver = np.array([3.0, 3.0, 1.0]), np.array([6.0, 6.0, 1.0])
    images, length, _ = traced(room, source, receiver, 30.0)
    expected = lattice_images(room, source, receiver[None], np.array([30.0]))
    assert len(images.order) == len(expected.order)
    np.testing.assert_allclose(
        np.sort(length), np.sort(np.linalg.norm(expected.position_m - receiver, axis=1)), rtol=1e-13
    )


@pytest.mark.parametrize("outline, floor_plane", [(PENTAGON, (3.0, 0, 0)), (PENTAGON, SLOPE), (OUTLINE, SLOPE)])
def test_images_visible_in_pyroomacoustics(make_prism, outline, floor_plane):
    pra = pytest.importorskip("pyroomacoustics")
    room = make_prism(outline, floor_plane, [constant(0.9)] * (2 + len(outline)))
    corners = np.array(outline, dtype=float)
    a, b, c = floor_plane
    top = np.column_stack([corners, np.zeros(len(corners))])
    bottom = np.column_stack([corners, a + corners @ (b, c)])
    # Corners of each wall in the order that turns its normal outwards, as that library wants them.
    after = np.roll(np.arange(len(corners)), -1)
    polygons = [
        top[::-1],
        bottom,
        *[np.array([top[k], top[n], bottom[n], bottom[k]]) for k, n in enumerate(after)],
    ]
    walls = [pra.wall_factory(p.T.astype(np.float32), np.array([1 - 0.9**2]), np.array([0.0])) for p in polygons]
    other = pra.Room(walls, fs=48000, max_order=5)
    other.set_sound_speed(SPEED)
    source, receiver = np.array([2.0, 3.0, 0.6]), np.array([8.0, 4.0, 1.1])
    other.add_source(source)
    other.add_microphone(receiver)
    other.image_source_model()
    seen = other.visibility[0][0].astype(bool)
    there = np.linalg.norm(other.sources[0].images.T[seen].astype(float) - receiver, axis=1)
    expected = np.sort(there[there < 24.0])

    images, length, _ = traced(room, source, receiver, 25.0)
    ours = np.sort(length[(images.order <= 5) & (length < 24.0)])
    assert len(ours) == len(expected) > 20
    np.testing.assert_allclose(ours, expected, atol=1e-4)  # normals there are single precision


def test_paths_over_a_sloping_floor_are_stationary(make_prism):
    """Fermat's principle: between points free to move on the faces met, the path has the least length."""
    room = make_prism(OUTLINE, SLOPE, [constant(1.0)] * 6)
    source, receiver = np.array([4.0, 3.0, 1.0]), np.array([15.0, 8.0, 0.7])
    images, length, faces = traced(room, source, receiver, 20.0)
    assert images.order.max() >= 6
    for order, straight, met in zip(images.order, length, faces, strict=True):
        met = met[:order]
        frames = [np.linalg.svd(room.normals[f][None])[2][1:] for f in met]
        origins = [room.offsets_m[f] * room.normals[f] for f in met]

        def total(free, frames=frames, origins=origins):
            points = [o + p @ frame for o, p, frame in zip(origins, free.reshape(-1, 2), frames, strict=True)]
            return np.sum(np.linalg.norm(np.diff([source, *points, receiver], axis=0), axis=1))

        start = np.concatenate([(source + receiver) @ frame.T / 2 for frame in frames] or [np.zeros(0)])
        shortest = minimize(total, start, method="BFGS", options={"gtol": 1e-9}).fun if order else total(start)
        assert straight == pytest.approx(shortest, abs=1e-6)


def test_echoes_meet_faces_only_inside_the_pool(make_prism):
    # Near the shallow end's wall a mirror image of the deep end's floor lies where no floor is: the number of
    # paths is less than the number of images.
    room = make_prism(OUTLINE, SLOPE, [constant(1.0)] * 6)
    source, receiver = np.array([1.0, 3.0, 1.0]), np.array([3.0, 8.0, 0.7])
    images = polyhedron_images(room, source, receiver[None], np.array([40.0]))
    trace = polyhedron_trace(room, source, images, np.repeat(receiver[None], len(images.order), axis=0))
    assert 0.001 < trace.exists.mean() < 0.9


def test_a_beam_lights_the_projection_of_its_aperture():
    # By similar triangles: from a height of 1 through a square of side 2 at height 0 onto a plane 3 below, four
    # times as large, of which the plane's outline keeps the quarter x > 0, y > 0.
    square = np.array([(-1.0, -1, 0), (1, -1, 0), (1, 1, 0), (-1, 1, 0)])
    floor = np.array([(0.0, 0, -3), (9, 0, -3), (9, 9, -3), (0, 9, -3)])
    aside = floor + (5.0, 0, 0)
    lit, some = lit_part(np.tile((0.0, 0, 1), (2, 1)), np.array([square, square]), np.array([floor, aside]))
    assert some.tolist() == [True, False]
    corners = {tuple(corner) for corner in np.round(lit[0], 7) + 0.0}
    assert corners == {(0, 0, -3), (4, 0, -3), (4, 4, -3), (0, 4, -3)}


@pytest.mark.parametrize("outline", [PENTAGON, OUTLINE])
def test_beams_leave_out_no_path(make_prism, monkeypatch, outline):
    room = make_prism(outline, SLOPE, [constant(1.0)] * (2 + len(outline)))
    source, receivers = np.array([2.0, 3.0, 0.6]), np.random.default_rng(3).uniform((1, 1, 0), (7, 5, 1.5), (30, 3))
    reach = np.full(len(receivers), 16.0)
    monkeypatch.setattr(polyhedron, "_FEW_IMAGES", 10**6)
    blind = polyhedron_images(room, source, receivers, reach)
    monkeypatch.setattr(polyhedron, "_FEW_IMAGES", 0)
    lit = polyhedron_images(room, source, receivers, reach)
    assert len(lit.order) < len(blind.order)
    for receiver in receivers:
        found = []
        for images in (blind, lit):
            exists = polyhedron_trace(room, source, images, np.tile(receiver, (len(images.order), 1))).exists
            found.append(np.sort(np.linalg.norm(images.position_m[exists] - receiver, axis=1)))
        np.testing.assert_allclose(found[1], found[0], rtol=1e-12)


def test_a_wedge_open_at_its_end(make_prism):
    # Two planes at 30 degrees: the images of a source lie on a circle about the edge, 12 with the source itself
    # (Jensen et al., Computational Ocean Acoustics, ch. 2: the wedge of angle pi / n has 2 n sources).
    room = make_prism([], (0.0, np.tan(np.pi / 6), 0.0), [constant(-1.0), constant(1.0)])
    angle, radius = np.deg2rad(20.0), 50.0
    source = radius * np.array([np.cos(angle), 0, np.sin(angle)])
    receiver = 40.0 * np.array([np.cos(0.1), 0.3, np.sin(0.1)])
    images, _, _ = traced(room, source, receiver, 200.0)
    assert len(images.order) == 12
    np.testing.assert_allclose(np.hypot(images.position_m[:, 0], images.position_m[:, 2]), radius)


def test_a_source_on_the_floor_is_doubled(make_prism):
    room = make_prism(OUTLINE, (2.0, 0, 0), [constant(-1.0), constant(0.5), *[constant(1.0)] * 4])
    source, receiver = np.array([4.0, 3.0, 2.0]), np.array([9.0, 5.0, 1.0])
    images, length, _ = traced(room, source, receiver, 8.0)
    assert sorted(images.order[np.isclose(length, np.linalg.norm(source - receiver))]) == [0, 1]


def test_too_long_a_reach_is_refused(make_prism, monkeypatch):
    monkeypatch.setattr(polyhedron, "_MOST_BEAMS", 50)
    monkeypatch.setattr(polyhedron, "_FEW_IMAGES", 50)
    room = make_prism(PENTAGON, SLOPE, [constant(1.0)] * 7)
    with pytest.raises(ParameterError, match=r"paths of up to 60\.0 m are too many.*--reverberation-ms"):
        polyhedron_images(room, np.array([2.0, 3.0, 0.6]), np.array([[8.0, 4.0, 1.0]]), np.array([60.0]))
