"""Echoes in water that is not convex: against another image-source library, the convex method and plain geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acoustics.base.site import PoolShape
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.echoes import room_of_scene
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.images.polyhedron import polyhedron_images, polyhedron_trace
from acoustics.propagate.images.room import Room
from acoustics.propagate.multipath_free_window import multipath_free_map_s
from acoustics.propagate.sight import in_sight

L_SHAPE = [(0.0, 0.0), (12.0, 0.0), (12.0, 4.0), (5.0, 4.0), (5.0, 9.0), (0.0, 9.0)]
WITH_A_BAY = [(0.0, 0.0), (12.0, 0.0), (12.0, 6.0), (8.0, 6.0), (8.0, 9.0), (4.0, 9.0), (4.0, 6.0), (0.0, 6.0)]
LEVEL = {"depth_m": 2.5}
HOPPER = {"depth_profile_m": [[0.0, 1.2], [3.0, 1.3], [6.0, 3.0], [9.0, 3.0], [12.0, 1.5]]}
SOURCE = (3.0, 2.5, 0.8)
REACH_M, LONGEST_ORDER = 21.0, 5


def room_of(make_scene, outline, floor) -> Room:
    pool = {"outline_m": outline, **floor}
    scene = make_scene(pool, pinger=(1.0, 2.0, 0.5), vehicle=(2.0, 2.0, 0.6))
    return room_of_scene(scene, np.array(SOURCE), np.array([(2.0, 2.0, 0.6)]), frequency_hz=30e3)


def lengths(room, receiver, *, reach_m=REACH_M):
    """Length and order of each path there is."""
    source, receiver = np.array(SOURCE), np.array(receiver)
    images = polyhedron_images(room, source, receiver[None], np.array([reach_m]))
    exists = polyhedron_trace(room, source, images, np.tile(receiver, (len(images.order), 1))).exists
    return np.linalg.norm(images.position_m[exists] - receiver, axis=1), images.order[exists]


def as_polygons(outline, floor):
    """Surface, floor and walls as polygons whose corners turn the normals outwards; the floor bends along x alone."""
    x, depth = np.array(floor.get("depth_profile_m", [[0.0, 2.5], [12.0, 2.5]])).T
    corners = np.array(outline)
    polygons = [np.pad(corners, ((0, 0), (0, 1)))[::-1]]
    if "depth_m" in floor:
        polygons.append(np.column_stack([corners, np.full(len(corners), 2.5)]))
    else:  # a rectangle: strips
        wide = corners[:, 1].max()
        for a, b, deep, deeper in zip(x, x[1:], depth, depth[1:], strict=False):
            polygons.append(np.array([(a, 0, deep), (b, 0, deeper), (b, wide, deeper), (a, wide, deep)]))
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        bends = [at for at in x if min(start[0], end[0]) < at < max(start[0], end[0])]
        along = sorted({start[0], end[0], *bends}, reverse=bool(end[0] > start[0])) if start[0] != end[0] else None
        below = (
            [(at, start[1], np.interp(at, x, depth)) for at in along]
            if along
            else [(*end, np.interp(end[0], x, depth)), (*start, np.interp(start[0], x, depth))]
        )
        polygons.append(np.array([(*start, 0.0), (*end, 0.0), *below]))
    return polygons


@pytest.mark.parametrize(
    ("outline", "floor", "receiver"),
    [
        (L_SHAPE, LEVEL, (10.0, 2.0, 1.1)),
        (L_SHAPE, LEVEL, (4.1, 7.9, 1.85)),
        (L_SHAPE, LEVEL, (11.0, 3.5, 0.4)),
        (WITH_A_BAY, LEVEL, (6.5, 8.0, 1.3)),
        ([(0.0, 0.0), (12.0, 0.0), (12.0, 6.0), (0.0, 6.0)], HOPPER, (10.5, 4.0, 1.1)),
        ([(0.0, 0.0), (12.0, 0.0), (12.0, 6.0), (0.0, 6.0)], HOPPER, (6.5, 4.6, 2.7)),
    ],
)
def test_paths_are_those_of_pyroomacoustics(make_scene, outline, floor, receiver):
    """Its images up to the fifth order that it finds visible, lengths to the single precision of its normals."""
    pra = pytest.importorskip("pyroomacoustics")
    walls = [
        pra.wall_factory(p.T.astype(np.float32), np.array([0.2]), np.array([0.0])) for p in as_polygons(outline, floor)
    ]
    other = pra.Room(walls, fs=48000, max_order=LONGEST_ORDER)
    other.add_source(np.array(SOURCE))
    other.add_microphone(np.array(receiver))
    other.image_source_model()
    seen = other.visibility[0][0].astype(bool)
    there = np.linalg.norm(other.sources[0].images.T[seen].astype(float) - receiver, axis=1)
    expected = np.sort(there[there < REACH_M - 1.0])

    length, order = lengths(room_of(make_scene, outline, floor), receiver)
    ours = np.sort(length[(order <= LONGEST_ORDER) & (length < REACH_M - 1.0)])
    assert len(ours) == len(expected) > 20
    np.testing.assert_allclose(ours, expected, atol=1e-4)


@pytest.mark.slow
def test_a_convex_room_whose_faces_have_edges_is_the_same_room(make_scene):
    outline = [(0, 0), (9, -1), (12, 5), (7, 10), (-1, 6)]
    points = [[0.0, 0.0, 1.4], [12.0, 5.0, 2.6], [-1.0, 6.0, 2.0]]
    floor = PoolShape.model_validate({"outline_m": outline, "floor_points_m": points})
    room = room_of(make_scene, outline, {"floor_points_m": points})
    corners = np.array(floor.outline_m)
    along = np.roll(corners, -1, axis=0) - corners
    edges = np.zeros((len(room.normals), 2, 4))
    for k, (start, way) in enumerate(zip(corners, along, strict=True), 2):
        edges[k] = [[*way, 0.0, way @ start], [*-way, 0.0, -way @ (start + way)]]
    for receiver in np.random.default_rng(7).uniform((1, 1, 0.1), (7, 5, 1.4), (10, 3)):
        plain, edged = (np.sort(lengths(r, receiver)[0]) for r in (room, replace(room, edges=edges)))
        np.testing.assert_allclose(edged, plain, rtol=1e-13)


def test_a_corner_of_the_outline_hides_what_is_behind_it(make_scene):
    """From (11, 3) the corner at (5, 4) lies on the line y = 4 + (5 - x) / 6, which meets x = 2 at y = 4.5."""
    scene = make_scene({"outline_m": L_SHAPE, **LEVEL}, pinger=(11.0, 3.0, 1.0), vehicle=(2.0, 2.0, 0.6))
    seen = in_sight(scene, [(2.0, 4.4, 0.5), (2.0, 4.6, 0.5), (4.9, 8.0, 1.0), (4.9, 4.0, 1.0)], (11.0, 3.0, 1.0))
    assert seen.tolist() == [True, False, False, True]


def test_a_shelf_hides_the_foot_of_its_slope(make_scene):
    """From (1, 0.9) over the edge of the shelf at (4, 1.2), on a slope of 0.1: at x = 8 the line is at a depth of 1.6."""
    floor = {"depth_profile_m": [[0.0, 1.2], [4.0, 1.2], [5.0, 3.0], [12.0, 3.0]]}
    scene = make_scene({"outline_m": WITH_A_BAY, **floor}, pinger=(1.0, 2.0, 0.9), vehicle=(2.0, 2.0, 0.6))
    assert in_sight(scene, [(8.0, 2.0, 1.55), (8.0, 2.0, 1.65)], (1.0, 2.0, 0.9)).tolist() == [True, False]


def test_without_direct_sound_no_part_of_the_burst_is_free_of_multipath(make_scene):
    scene = make_scene({"outline_m": L_SHAPE, **LEVEL}, pinger=(11.0, 3.0, 1.0), vehicle=(2.0, 2.0, 0.6))
    x, y = np.meshgrid(np.linspace(0.3, 11.7, 9), np.linspace(0.3, 8.7, 7))
    places = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 0.7)])
    places = places[scene.pool.contains(places, 0.1)][:, None]
    source = np.array([11.0, 3.0, 1.0])
    paths = arrivals(scene, places, source, frequency_hz=30e3)
    seen = in_sight(scene, places, source)
    np.testing.assert_array_equal(paths.valid[..., 0], seen)
    assert 0.2 < seen.mean() < 0.9
    assert np.all(paths.amplitude[..., 0][~seen] == 0)
    window = multipath_free_s(paths)
    np.testing.assert_allclose(multipath_free_map_s(scene, places, source, frequency_hz=30e3), window, rtol=1e-9)
    np.testing.assert_array_equal(window > 0, seen[:, 0])
