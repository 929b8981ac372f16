"""Polygons against matplotlib's paths, draws, and areas known in closed form."""

import numpy as np
import pytest
from matplotlib.path import Path

from acoustics.base.polygons import (
    clearance,
    clipped,
    contains,
    convex_hull,
    corner_turns,
    corners_moved,
    cross_properly,
    half_planes,
    inside_all,
    inside_along,
    is_simple,
    leaves,
    meeting_places,
    signed_area,
    slack,
    uniform_moments,
)

SQUARE = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
BENT = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 1.0], [1.0, 1.0], [1.0, 3.0], [0.0, 3.0]])  # an L of area 6
CONVEX = np.array([[0.0, 0.0], [5.0, -1.0], [7.0, 3.0], [3.0, 5.0], [-1.0, 2.0]])
PLACES = np.random.default_rng(6).uniform(-2, 8, size=(4000, 2))


def test_areas_and_their_sense():
    assert signed_area(BENT) == pytest.approx(6.0) and signed_area(BENT[::-1]) == pytest.approx(-6.0)
    t = np.arange(7) * 2 * np.pi / 7
    assert signed_area(np.column_stack([np.cos(t), np.sin(t)])) == pytest.approx(3.5 * np.sin(2 * np.pi / 7))


@pytest.mark.parametrize("corners", [SQUARE, BENT, CONVEX, CONVEX[::-1]])
def test_what_is_inside_is_so_for_matplotlib(corners):
    expected = Path(corners).contains_points(PLACES)
    np.testing.assert_array_equal(contains(corners, PLACES), expected)
    if corners is not BENT:
        np.testing.assert_array_equal(inside_all(PLACES, half_planes(corners)), expected)


def test_a_side_that_is_almost_level_meets_no_ray_beside_it():
    for rise in (1e-308, 1e-16):
        corners = [(0.0, 0.0), (25.0, rise), (25.0, 12.5), (0.0, 12.5)]
        assert contains(corners, [(6.0, 5.0), (6.0, -1.0), (26.0, 5.0)]).tolist() == [True, False, False]


@pytest.mark.parametrize("corners", [SQUARE, BENT, CONVEX, CONVEX[::-1]])
def test_sides_face_outward_and_meet_in_the_corners(corners):
    normal, offset = half_planes(corners)
    beside = 0.5 * (corners + np.roll(corners, -1, axis=0)) + 1e-6 * normal
    assert not Path(corners).contains_points(beside).any()
    assert Path(corners).contains_points(beside - 2e-6 * normal).all()
    np.testing.assert_allclose(meeting_places((normal, offset)), corners, atol=1e-12)
    # Moved outward by 1 the sides of a square of 2 meet in one of 4.
    grown = meeting_places((half_planes(SQUARE)[0], half_planes(SQUARE)[1] + 1.0))
    np.testing.assert_allclose(grown, [[-1, -1], [3, -1], [3, 3], [-1, 3]], atol=1e-12)


def test_turns_at_the_corners():
    np.testing.assert_allclose(corner_turns(SQUARE), np.pi / 2)
    np.testing.assert_allclose(np.rad2deg(corner_turns(BENT)), [90, 90, 90, -90, 90, 90])
    star = np.arange(5) * 4 * np.pi / 5  # a pentagram turns twice round
    assert corner_turns(np.column_stack([np.cos(star), np.sin(star)])).sum() == pytest.approx(4 * np.pi)
    assert corner_turns(CONVEX[::-1]).sum() == pytest.approx(-2 * np.pi)


def test_moments_are_those_of_places_drawn_evenly():
    places = np.random.default_rng(7).uniform([-1, -1], [7, 5], size=(200_000, 2))
    drawn = places[Path(CONVEX).contains_points(places)]
    mean, covariance = uniform_moments(CONVEX)
    # Some 100,000 draws: 0.3 % of a standard deviation, and of a variance.
    np.testing.assert_allclose(mean, drawn.mean(axis=0), atol=0.03)
    np.testing.assert_allclose(covariance, np.cov(drawn.T), atol=0.05)
    np.testing.assert_allclose(uniform_moments(SQUARE)[1], np.eye(2) / 3, atol=1e-12)


def test_distances_to_sides_and_along_rays():
    np.testing.assert_allclose(np.sort(slack(np.array([0.5, 1.5]), half_planes(SQUARE))), [0.5, 0.5, 1.5, 1.5])
    start = np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, 1.0], [1.0, -3.0]])
    enters, leaves = inside_along(SQUARE, start, np.deg2rad([45.0, 0.0, 90.0, 90.0]))
    np.testing.assert_allclose(enters, [0.0, 1.0, 1.0, 3.0], atol=1e-12)  # the third misses: 1 and 1
    np.testing.assert_allclose(leaves, [np.sqrt(2), 3.0, 1.0, 5.0])


def test_segments_cross_only_between_their_ends():
    a, b = np.array([0.0, 0.0]), np.array([2.0, 2.0])
    ends = np.array([[0.0, 2.0], [1.0, 1.0], [3.0, 0.0]]), np.array([[2.0, 0.0], [2.0, 0.0], [4.0, 1.0]])
    np.testing.assert_array_equal(cross_properly(a, b, *ends), [True, False, False])


def test_clearance_is_the_distance_to_the_nearest_side_and_negative_outside():
    places = [(0.5, 0.5), (3.0, 0.8), (2.0, 2.0), (5.0, 0.5), (5.0, -1.0), (1.0, 1.0)]
    np.testing.assert_allclose(clearance(BENT, places), [0.5, 0.2, -1.0, -1.0, -np.sqrt(2), 0.0], atol=1e-15)


def test_the_hull_of_an_l_leaves_out_its_inner_corner():
    hull = convex_hull(BENT)
    assert signed_area(hull) > 0
    assert {tuple(c) for c in hull} == {(0, 0), (4, 0), (4, 1), (1, 3), (0, 3)}


def test_polygons_that_cross_or_touch_themselves_are_not_simple():
    assert is_simple(BENT)
    assert is_simple([(0, 0), (1, 0), (0, 1)])
    assert not is_simple([(0, 0), (2, 2), (2, 0), (0, 2)])
    assert not is_simple([(0, 0), (4, 0), (4, 2), (2, 0), (0, 2)])  # a corner on another side


def test_a_clipped_polygon_lies_in_the_half_plane():
    left = np.array([[1.0, 0.0]]), np.array([2.0])
    part = clipped(BENT, left)
    assert abs(signed_area(part)) == pytest.approx(2 * 1 + 1 * 2)
    assert part[:, 0].max() == 2.0
    assert len(clipped(BENT, (np.array([[1.0, 0.0]]), np.array([-1.0])))) == 0


def test_ways_past_the_inner_corner_leave_the_polygon():
    inside = np.array([0.5, 2.5])
    assert leaves(BENT, inside, [(3.5, 0.5), (0.9, 0.1), (0.5, 0.5)]).tolist() == [True, False, False]
    # Corner to corner: no side is crossed properly.
    assert leaves(BENT, (4.0, 1.0), (1.0, 3.0))


def test_corners_move_out_along_both_normals():
    np.testing.assert_allclose(
        corners_moved(SQUARE, np.sqrt(2)) - np.array(SQUARE), np.sign(np.array(SQUARE) - np.mean(SQUARE, axis=0))
    )
