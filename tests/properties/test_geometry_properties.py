"""Laws of frames and delays that hold for all values: there and back, opposites, closed triangles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustics.base.frames import Pose, bearing_and_depression, direction, wrap_angle
from acoustics.estimate.tdoa.differences import tdoa_from_toa
from acoustics.physics.tdoa import difference_matrix, plane_wave_time, spherical_time

C = 1480.0
coordinate = st.floats(-50, 50)
place = st.tuples(coordinate, coordinate, coordinate)
angle = st.floats(-np.pi, np.pi)
array = st.lists(st.tuples(*[st.floats(-0.5, 0.5)] * 3), min_size=3, max_size=6)


@given(place, angle, angle, angle, st.lists(place, min_size=1, max_size=5))
def test_to_the_site_and_back_is_the_same_place(position, roll, pitch, heading, points):
    pose = Pose(position, roll, pitch, heading)
    assert pose.to_body(pose.to_site(points)) == pytest.approx(np.array(points), abs=1e-12 * 200)


@given(place, angle, angle, angle, place, place)
def test_a_pose_keeps_lengths_and_handedness(position, roll, pitch, heading, first, second):
    pose = Pose(position, roll, pitch, heading)
    moved = pose.to_site([first, second])
    assert np.linalg.norm(moved[0] - moved[1]) == pytest.approx(np.linalg.norm(np.subtract(first, second)), abs=1e-11)
    assert np.linalg.det(pose.rotation) == pytest.approx(1.0, abs=1e-12)


@given(angle, st.floats(-np.pi / 2 + 1e-6, np.pi / 2 - 1e-6))
def test_bearing_and_depression_undo_direction(bearing, depression):
    b, d = bearing_and_depression(direction(bearing, depression))
    # Near the vertical the bearing rests on a horizontal part of 1e-6: 1e-16 of rounding leaves 1e-10.
    assert wrap_angle(b - bearing) == pytest.approx(0.0, abs=1e-9)
    assert d == pytest.approx(depression, abs=1e-9)


@given(st.floats(-1e6, 1e6), st.integers(-1000, 1000))
def test_whole_turns_change_no_angle(value, turns):
    wrapped = wrap_angle(value)
    assert -np.pi < wrapped <= np.pi
    # The rounding of the argument itself, 1e6 * 2^-52, is the error.
    assert abs(wrap_angle(wrap_angle(value + 2 * np.pi * turns) - wrapped)) < 1e-8


@given(array, place)
def test_delays_change_sign_with_the_order_and_close_round_triangles(points, source):
    times = spherical_time(points, source, C)
    tau = times[:, None] - times[None]
    for reference in range(len(points)):
        against = difference_matrix(len(points), reference) @ times
        assert np.insert(against, reference, 0.0) == pytest.approx(tau[:, reference], abs=1e-16)
        assert tdoa_from_toa(times, 0.0, reference=reference).tdoa_s == pytest.approx(against, abs=1e-16)
    assert tau == pytest.approx(-tau.T, abs=1e-16)
    assert tau[0, 1] + tau[1, 2] + tau[2, 0] == pytest.approx(0.0, abs=1e-16)


@given(array, angle, st.floats(-1.5, 1.5))
def test_no_delay_exceeds_the_length_of_its_baseline(points, bearing, depression):
    points = np.array(points)
    times = plane_wave_time(points, direction(bearing, depression), C)
    length = np.linalg.norm(points[:, None] - points[None], axis=-1)
    assert np.all(np.abs(times[:, None] - times[None]) <= length / C + 1e-15)


@given(array, angle, st.floats(-1.5, 1.5))
def test_a_far_source_sends_a_plane_wave(points, bearing, depression):
    points, unit = np.array(points), direction(bearing, depression)
    far = 1e5
    curved, plane = spherical_time(points, far * unit, C), plane_wave_time(points, unit, C)
    # The curvature is r^2 / (2 R), at most 0.75 / 2e5 m here, and the rounding 1e5 * 2^-52 m.
    assert (curved - curved[0]) == pytest.approx(plane - plane[0], abs=2 * 0.75 / (2 * far) / C + 1e-13)


@given(array, place, angle, angle, angle, place)
def test_delays_do_not_depend_on_the_frame(points, source, roll, pitch, heading, shift):
    pose = Pose(shift, roll, pitch, heading)
    here, there = spherical_time(points, source, C), spherical_time(pose.to_site(points), pose.to_site([source])[0], C)
    assert there == pytest.approx(here, abs=1e-15 * 200)
