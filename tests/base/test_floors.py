"""Floors of several planes: depths by linear interpolation, worked out another way."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import LinearNDInterpolator

from acoustics.base.floors import plane_floor, profile_floor, triangulated_floor

RECTANGLE = [(0.0, 0.0), (25.0, 0.0), (25.0, 12.5), (0.0, 12.5)]
PLACES = np.random.default_rng(1).uniform((0, 0, 0), (25, 12.5, 1), (200, 3))
SHELF = [(5.0, 1.2), (10.0, 3.8), (20.0, 3.8)]
# A hopper: a rim at 1.5 m, a bottom at 4 m.
HOPPER = [(x, y, 1.5) for x, y in RECTANGLE] + [(x, y, 4.0) for x in (10.0, 18.0) for y in (4.0, 8.0)]


def test_a_profile_is_interpolated_along_x_and_level_beyond_its_ends():
    depth = profile_floor(SHELF).depth_m(PLACES.reshape(20, 10, 3))
    np.testing.assert_allclose(depth.ravel(), np.interp(PLACES[:, 0], *np.transpose(SHELF)), rtol=1e-12)


def test_points_are_interpolated_over_the_triangles_of_scipy():
    points = np.array(HOPPER)
    points[:, :2] += np.random.default_rng(2).uniform(-0.01, 0.01, (8, 2))  # no four on one circle
    expected = LinearNDInterpolator(points[:, :2], points[:, 2])(PLACES[:, :2])
    inside = np.isfinite(expected)
    assert inside.mean() > 0.9
    np.testing.assert_allclose(triangulated_floor(points).depth_m(PLACES[inside]), expected[inside], rtol=1e-9)


def test_three_points_make_one_plane_that_goes_on():
    floor = plane_floor([(0, 0, 1.4), (25, 0, 3.8), (0, 12.5, 1.4)])
    np.testing.assert_allclose(floor.depth_m([[12.5, 3.0], [50.0, -9.0]]), [2.6, 6.2])


def test_only_planes_under_the_outline_are_kept():
    whole = profile_floor(SHELF)
    shore = [(0.0, 0.0), (9.0, 0.0), (9.0, 5.0), (0.0, 5.0)]
    assert (len(whole.planes), len(whole.under(shore).planes), len(whole.under(RECTANGLE).planes)) == (4, 2, 4)
    parts = whole.parts_under(shore)
    np.testing.assert_allclose(sorted(parts[0].tolist()), [[0, 0, 1.2], [0, 5, 1.2], [5, 0, 1.2], [5, 5, 1.2]])
    np.testing.assert_allclose(parts[1][:, 2].max(), 1.2 + 2.6 * 4 / 5)
