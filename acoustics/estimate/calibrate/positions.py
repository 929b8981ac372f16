"""Where a calibration puts the hydrophones, offsets and rotation taken together."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats, rotation_matrix, rotation_vector_jacobian
from acoustics.estimate.calibrate.calibration import Calibration
from acoustics.estimate.calibrate.model import parts


def in_place(hydrophones_m: Floats, parameters: Floats) -> tuple[Floats, Floats]:
    """Calibration parameters with positions in the place of offsets, and the derivative of these by those.

    Rotation and offsets can be traded for each other along a curve; the positions that result hardly move on it. So
    it is for these that a normal region holds what it states.

    Parameters
    ----------
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Nominal positions [m].
    parameters : ndarray, shape (..., p)

    Returns
    -------
    placed : ndarray, shape (..., p)
        Positions in the body frame, offsets and rotation applied [m], then the other parameters as they were.
    derivative : ndarray, shape (..., p, p)
    """
    n, p = len(hydrophones_m), parameters.shape[-1]
    found = parts(parameters, n)
    turn = rotation_matrix(found.rotation)
    moved = (hydrophones_m + found.offsets_m) @ np.swapaxes(turn, -1, -2)
    placed = np.concatenate([moved.reshape(*moved.shape[:-2], 3 * n), parameters[..., 3 * n :]], axis=-1)
    # Column j of the rotation's part is (J e_j) x r, with the rotation vector's Jacobian J.
    small = np.swapaxes(rotation_vector_jacobian(found.rotation), -1, -2)[..., None, :, :]
    by_rotation = np.swapaxes(np.cross(small, moved[..., None, :]), -1, -2)
    derivative = np.zeros((*placed.shape, p))
    derivative[...] = np.eye(p)
    for i in range(n):
        derivative[..., 3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = turn
        derivative[..., 3 * i : 3 * i + 3, 4 * n + 1 :] = by_rotation[..., i, :, :]
    return placed, derivative


def corrected_positions(hydrophones_m: Floats, calibration: Calibration) -> tuple[Floats, Floats]:
    """Hydrophones where the run found them, and what is not known of them.

    Parameters
    ----------
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Nominal positions [m].
    calibration : Calibration
        Of one run, batch shape ().

    Returns
    -------
    positions : ndarray, shape (n_hydrophones, 3)
        Offsets and rotation applied [m].
    sd : ndarray, shape (n_hydrophones,)
        Root mean square over the axes of the standard deviations, a shift of all hydrophones alike left out [m]:
        no delay tells of it, and none suffers from it.
    """
    n = len(hydrophones_m)
    placed, derivative = in_place(hydrophones_m, calibration.parameters)
    jacobian = derivative[: 3 * n].reshape(n, 3, -1)
    jacobian = jacobian - jacobian.mean(axis=0)
    variance = np.einsum("nip,pq,niq->n", jacobian, calibration.covariance, jacobian) / 3
    return placed[: 3 * n].reshape(n, 3), np.sqrt(variance * n / (n - 1))
