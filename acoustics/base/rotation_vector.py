"""Rotations by a vector along their axis, as long as their angle, and how they change with it."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from acoustics.base.frames import Floats


def rotation_matrix(vector: Floats) -> Floats:
    """Rotations by vectors of shape (..., 3) [rad], shape (..., 3, 3)."""
    return Rotation.from_rotvec(vector.reshape(-1, 3)).as_matrix().reshape(*vector.shape, 3)


def rotation_vector_jacobian(vector: Floats) -> Floats:
    """Matrix J, shape (..., 3, 3): a change d of the rotation vector is a further rotation by the small vector J d.

    ``J = 1 + (1 - cos a) / a^2 [v] + (a - sin a) / a^3 [v]^2`` with the angle a and the cross-product matrix [v];
    the left Jacobian of the rotation group (Chirikjian 2011, Stochastic Models, Information Theory, and Lie
    Groups 2, section 10.6). By its series below 0.01 rad, where the closed form loses figures.
    """
    square = np.sum(vector**2, axis=-1)[..., None, None]
    angle = np.sqrt(np.maximum(square, 1e-4))
    small = square < 1e-4
    first = np.where(small, 1 / 2 - square / 24, (1 - np.cos(angle)) / angle**2)
    second = np.where(small, 1 / 6 - square / 120, (angle - np.sin(angle)) / angle**3)
    # Columns v x e_j: the matrix that takes the cross product with v.
    cross = np.swapaxes(np.cross(vector[..., None, :], np.eye(3)), -1, -2)
    return np.eye(3) + first * cross + second * cross @ cross
