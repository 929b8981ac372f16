"""Rays among plane faces, met where plain geometry says."""

from __future__ import annotations

import numpy as np

from acoustics.physics.plane_faces import next_face

# A box of 4 by 3 by 2, and a fence that stands in its middle up to y = 1, seen from x = 0.
NORMALS = np.array([(1.0, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1), (-1, 0, 0)])
OFFSETS = np.array([0.0, -4, 0, -3, 0, -2, -2])
EDGES = np.zeros((7, 1, 4))
EDGES[6, 0] = (0.0, -1.0, 0.0, -1.0)  # y <= 1


def heading(*way):
    return np.array([way], dtype=float) / np.linalg.norm(way)


def test_a_ray_in_a_box_ends_where_the_nearest_plane_is():
    place = np.tile((1.0, 1.0, 1.0), (3, 1))
    ways = np.concatenate([heading(3, 1, 0), heading(-1, -2, 0), heading(0.1, 0, 1)])
    face, way = next_face(NORMALS[:6], OFFSETS[:6], None, place, ways)
    assert face.tolist() == [1, 2, 5]
    np.testing.assert_allclose(way, [np.hypot(3, 1), np.hypot(0.5, 1), np.hypot(0.1, 1)])


def test_a_fence_stops_what_meets_it_and_nothing_beside_or_behind_it():
    place = np.array([(1.0, 0.5, 1.0), (1.0, 2.0, 1.0), (3.0, 0.5, 1.0), (3.0, 0.5, 1.0)])
    ways = np.concatenate([heading(1, 0, 0)] * 3 + [heading(-1, 0, 0)])  # the last from behind, where it has no face
    face, way = next_face(NORMALS, OFFSETS, EDGES, place, ways)
    assert face.tolist() == [6, 1, 1, 0]
    np.testing.assert_allclose(way, [1, 3, 1, 3])


def test_open_water_has_no_end():
    _, way = next_face(NORMALS[4:5], OFFSETS[4:5], np.zeros((1, 1, 4)), np.array([(0.0, 0, 1)]), heading(1, 0, 0.5))
    assert np.isinf(way[0])
