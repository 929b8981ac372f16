"""Frames, poses and directions.

Body frame: x forward, y starboard, z down. Site frame: x along the length of the pool, y to the right of x,
z down from the surface, so z is depth. Both are right-handed. Metres and radians.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.record import record

Floats = NDArray[np.float64]


def length(vectors: ArrayLike) -> Floats:
    """Euclidean length (...) of vectors (..., k) of a few components.

    What numpy's own norm gives, to the last bit; that one sums along the short axis and takes four times as long.
    """
    v = np.asarray(vectors, dtype=float)
    square = v[..., 0] * v[..., 0]
    for i in range(1, v.shape[-1]):
        square = square + v[..., i] * v[..., i]
    return np.sqrt(square)


def wrap_angle(angle: ArrayLike) -> Floats:
    """Wrap an angle [rad], any shape, into (-pi, pi]."""
    return np.pi - np.mod(np.pi - np.asarray(angle, dtype=float), 2 * np.pi)


def direction(bearing: ArrayLike, depression: ArrayLike) -> Floats:
    """Unit vector that points from the array to the pinger.

    Parameters
    ----------
    bearing : array_like, shape (...)
        Clockwise from the bow (body frame) or from +x (site frame), seen from above [rad].
    depression : array_like, shape (...)
        Positive downwards [rad].

    Returns
    -------
    ndarray, shape (..., 3)
        ``(cos d cos b, cos d sin b, sin d)``.
    """
    b, d = np.broadcast_arrays(np.asarray(bearing, dtype=float), np.asarray(depression, dtype=float))
    return np.stack([np.cos(d) * np.cos(b), np.cos(d) * np.sin(b), np.sin(d)], axis=-1)


def bearing_and_depression(vector: ArrayLike) -> tuple[Floats, Floats]:
    """Bearing in (-pi, pi] and depression in [-pi/2, pi/2] [rad] of vectors of shape (..., 3), any length.

    The inverse of `direction`. Straight up or down the bearing is undefined and 0 is returned.
    """
    v = np.asarray(vector, dtype=float)
    horizontal = np.hypot(v[..., 0], v[..., 1])
    return wrap_angle(np.arctan2(v[..., 1], v[..., 0])), np.arctan2(v[..., 2], horizontal)


def direction_jacobian(bearing: ArrayLike, depression: ArrayLike) -> Floats:
    """Derivative of `direction` by (bearing, depression), shape (..., 3, 2) [1/rad]."""
    b, d = np.broadcast_arrays(np.asarray(bearing, dtype=float), np.asarray(depression, dtype=float))
    sin_b, cos_b, sin_d, cos_d = np.sin(b), np.cos(b), np.sin(d), np.cos(d)
    jacobian = np.empty((*b.shape, 3, 2))
    jacobian[..., 0, 0], jacobian[..., 1, 0], jacobian[..., 2, 0] = -cos_d * sin_b, cos_d * cos_b, 0.0
    jacobian[..., 0, 1], jacobian[..., 1, 1], jacobian[..., 2, 1] = -sin_d * cos_b, -sin_d * sin_b, cos_d
    return jacobian


@record
class Pose:
    """Where the vehicle is and how it is turned; leading batch dimensions broadcast.

    Parameters
    ----------
    position_m : array_like, shape (..., 3)
        Origin of the body frame in the site frame [m].
    roll, pitch, heading : array_like, shape (...)
        Applied in the order z-y'-x'': heading first, then pitch, then roll [rad].
    """

    position_m: ArrayLike
    roll: ArrayLike = 0.0
    pitch: ArrayLike = 0.0
    heading: ArrayLike = 0.0

    @cached_property
    def rotation(self) -> Floats:
        """Matrices, shape (..., 3, 3), that turn body-frame vectors into site-frame vectors.

        Fossen (2011), Handbook of Marine Craft Hydrodynamics and Motion Control, eq. 2.18. Written out: scipy's
        rotations, which the tests compare it with, take a fifth of a second to load.
        """
        roll, pitch, heading = (np.asarray(a, dtype=float) for a in (self.roll, self.pitch, self.heading))
        (sr, sp, sh), (cr, cp, ch) = ([f(a) for a in (roll, pitch, heading)] for f in (np.sin, np.cos))
        turn = np.empty((*np.broadcast(roll, pitch, heading).shape, 3, 3))
        turn[..., 0, 0], turn[..., 0, 1], turn[..., 0, 2] = ch * cp, ch * sp * sr - sh * cr, ch * sp * cr + sh * sr
        turn[..., 1, 0], turn[..., 1, 1], turn[..., 1, 2] = sh * cp, sh * sp * sr + ch * cr, sh * sp * cr - ch * sr
        turn[..., 2, 0], turn[..., 2, 1], turn[..., 2, 2] = -sp, cp * sr, cp * cr
        return turn

    def some(self, rows: NDArray[np.intp]) -> Pose:
        """Some of a batch of shape (m,)."""
        place, *angles = np.asarray(self.position_m), self.roll, self.pitch, self.heading
        m = len(self.rotation)
        return Pose(np.broadcast_to(place, (m, 3))[rows], *(np.broadcast_to(a, m)[rows] for a in angles))

    def to_site(self, points_m: ArrayLike) -> Floats:
        """Points fixed to the body, shape (n, 3) or (..., n, 3) [m], in the site frame, shape (..., n, 3) [m]."""
        turned = np.asarray(points_m, dtype=float) @ np.swapaxes(self.rotation, -1, -2)
        return turned + np.asarray(self.position_m, dtype=float)[..., None, :]

    def to_body(self, points_m: ArrayLike) -> Floats:
        """Site-frame points, shape (n, 3) or (..., n, 3) [m], in the body frame, shape (..., n, 3) [m]."""
        relative = np.asarray(points_m, dtype=float) - np.asarray(self.position_m, dtype=float)[..., None, :]
        return relative @ self.rotation


def array_rank(points_m: ArrayLike, tolerance: float = 1e-3) -> int:
    """Dimension that points of shape (n, 3) [m] span: 0 one place, 1 a line, 2 a plane, 3 a volume.

    A spread below `tolerance` times the largest one does not count: it is too small to observe anything with.
    """
    points = np.asarray(points_m, dtype=float)
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return 0 if spread[0] == 0 else int(np.sum(spread > tolerance * spread[0]))


def principal_axes(points_m: ArrayLike) -> Floats:
    """Orthonormal axes, rows of shape (3, 3), of points of shape (n, 3), the widest spread first."""
    points = np.asarray(points_m, dtype=float)
    return np.linalg.svd(points - points.mean(axis=0), full_matrices=True)[2]


def rotation_matrix(vector: ArrayLike) -> Floats:
    """Rotations by vectors of shape (..., 3) [rad], shape (..., 3, 3).

    ``1 + sin a / a [v] + (1 - cos a) / a^2 [v]^2`` with the angle a and the cross-product matrix [v]: Rodrigues'
    formula (Chirikjian 2011, Stochastic Models, Information Theory, and Lie Groups 2, section 10.6).
    """
    v = np.asarray(vector, dtype=float)
    square = np.sum(v**2, axis=-1)[..., None, None]
    # np.sinc(x) is sin(pi x) / (pi x); 1 - cos a = 2 sin(a / 2)^2.
    first = np.sinc(np.sqrt(square) / np.pi)
    second = np.sinc(np.sqrt(square) / (2 * np.pi)) ** 2 / 2
    cross = _cross_matrix(v)
    return np.eye(3) + first * cross + second * cross @ cross


def rotation_vector_jacobian(vector: Floats) -> Floats:
    """Matrix J, shape (..., 3, 3): a change d of the rotation vector is a further rotation by the small vector J d.

    ``J = 1 + (1 - cos a) / a^2 [v] + (a - sin a) / a^3 [v]^2``, the left Jacobian of the rotation group (the same
    section). By its series below 0.01 rad, where the closed form loses figures.
    """
    square = np.sum(vector**2, axis=-1)[..., None, None]
    angle = np.sqrt(np.maximum(square, 1e-4))
    small = square < 1e-4
    first = np.where(small, 1 / 2 - square / 24, (1 - np.cos(angle)) / angle**2)
    second = np.where(small, 1 / 6 - square / 120, (angle - np.sin(angle)) / angle**3)
    cross = _cross_matrix(vector)
    return np.eye(3) + first * cross + second * cross @ cross


def _cross_matrix(vector: Floats) -> Floats:
    """Matrices that take the cross product with vectors of shape (..., 3): their columns are v x e_j."""
    return np.swapaxes(np.cross(vector[..., None, :], np.eye(3)), -1, -2)
