"""Frames and directions, against scipy's rotations and hand-made cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from acoustics.base.frames import (
    Pose,
    bearing_and_depression,
    direction,
    direction_jacobian,
    length,
    rotation_matrix,
    wrap_angle,
)

angles = st.floats(-3.1, 3.1)
slopes = st.floats(-1.5, 1.5)
metres = st.floats(-1e3, 1e3)


@pytest.mark.parametrize("shape", [(3,), (1,), (50, 2), (7, 4, 3)])
def test_lengths_are_those_of_numpy_to_the_last_bit(shape):
    vectors = np.random.default_rng(5).normal(size=shape) * 1e3
    np.testing.assert_array_equal(length(vectors), np.linalg.norm(vectors, axis=-1))


def test_bearing_runs_clockwise_from_the_bow_and_depression_downwards():
    assert direction(np.deg2rad(90), 0) == pytest.approx([0, 1, 0])  # starboard is +y
    assert direction(0, np.deg2rad(90)) == pytest.approx([0, 0, 1])  # down is +z


@given(bearing=angles, depression=slopes)
def test_direction_and_its_inverse(bearing, depression):
    found = bearing_and_depression(3.0 * direction(bearing, depression))
    assert found[0] == pytest.approx(bearing, abs=1e-9)
    assert found[1] == pytest.approx(depression, abs=1e-9)


@given(bearing=angles, depression=slopes)
def test_direction_jacobian_is_the_finite_difference(bearing, depression):
    step = 1e-6
    by_bearing = (direction(bearing + step, depression) - direction(bearing - step, depression)) / (2 * step)
    by_depression = (direction(bearing, depression + step) - direction(bearing, depression - step)) / (2 * step)
    assert direction_jacobian(bearing, depression) == pytest.approx(np.stack([by_bearing, by_depression], -1), abs=1e-8)


def test_a_heading_of_90_degrees_turns_the_bow_to_site_y():
    pose = Pose([1.0, 2.0, 3.0], heading=np.pi / 2)
    assert pose.to_site([[1.0, 0.0, 0.0]]) == pytest.approx(np.array([[1.0, 3.0, 3.0]]))


def test_angles_apply_in_the_order_heading_pitch_roll():
    pose = Pose(np.zeros(3), roll=0.3, pitch=-0.2, heading=1.1)
    expected = (
        Rotation.from_rotvec([0, 0, 1.1]) * Rotation.from_rotvec([0, -0.2, 0]) * Rotation.from_rotvec([0.3, 0, 0])
    ).as_matrix()
    assert pose.rotation == pytest.approx(expected)


@given(turn=st.tuples(angles, angles, angles), scale=st.sampled_from([0.0, 1e-12, 1e-5, 1.0]))
def test_rotations_by_vectors_are_those_of_scipy(turn, scale):
    vector = scale * np.array(turn)
    assert rotation_matrix(vector) == pytest.approx(Rotation.from_rotvec(vector).as_matrix(), abs=1e-14)


@given(point=st.tuples(metres, metres, metres), heading=angles, pitch=slopes, roll=angles)
def test_body_and_site_round_trip(point, heading, pitch, roll):
    pose = Pose(np.array([5.0, -3.0, 2.0]), roll, pitch, heading)
    assert pose.to_body(pose.to_site([point])) == pytest.approx(np.array([point]), abs=1e-9)


def test_poses_broadcast_over_batches():
    pose = Pose(np.zeros((4, 5, 3)), heading=np.linspace(0, 1, 5))
    assert pose.to_site(np.ones((6, 3))).shape == (4, 5, 6, 3)


def test_wrapped_angles_lie_above_minus_pi_and_up_to_pi():
    assert wrap_angle([-np.pi, np.pi, 3 * np.pi, 0.5]) == pytest.approx([np.pi, np.pi, np.pi, 0.5])
