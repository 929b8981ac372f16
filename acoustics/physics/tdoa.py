"""Time differences between hydrophones and their derivatives: the one model that bounds and estimators share.

Delay of hydrophone i against the reference j: ``tau_ij = t_i - t_j``, positive when i hears later.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, length


def plane_wave_time(hydrophones_m: ArrayLike, unit_vector: ArrayLike, sound_speed_m_s: ArrayLike) -> Floats:
    """Arrival time of a plane wave at each hydrophone, relative to the origin of the frame.

    Parameters
    ----------
    hydrophones_m : array_like, shape (..., n_hydrophones, 3)
        Positions [m].
    unit_vector : array_like, shape (..., 3)
        Points to the source, same frame.
    sound_speed_m_s : array_like, shape (...)
        Sound speed [m/s].

    Returns
    -------
    ndarray, shape (..., n_hydrophones)
        ``-r . u / c`` [s].
    """
    projection = np.einsum("...ij,...j->...i", np.asarray(hydrophones_m, float), np.asarray(unit_vector, float))
    return -projection / np.asarray(sound_speed_m_s, float)[..., None]


def spherical_time(hydrophones_m: ArrayLike, source_m: ArrayLike, sound_speed_m_s: ArrayLike) -> Floats:
    """Travel time along the straight path from a source to each hydrophone.

    Parameters
    ----------
    hydrophones_m : array_like, shape (..., n_hydrophones, 3)
        Positions [m].
    source_m : array_like, shape (..., 3)
        Position of the source, same frame [m].
    sound_speed_m_s : array_like, shape (...)
        Sound speed [m/s].

    Returns
    -------
    ndarray, shape (..., n_hydrophones)
        ``|source - r| / c`` [s].
    """
    separation = np.asarray(source_m, float)[..., None, :] - np.asarray(hydrophones_m, float)
    return length(separation) / np.asarray(sound_speed_m_s, float)[..., None]


def unit_vectors_to_source(hydrophones_m: ArrayLike, source_m: ArrayLike) -> Floats:
    """Unit vectors from each hydrophone to the source, shape (..., n_hydrophones, 3).

    Divided by the sound speed it is the derivative of `spherical_time` by the source's position; its negative,
    that by the hydrophone's own position. At zero distance the vector is zero.
    """
    return spherical_wave(hydrophones_m, source_m, 1.0)[1]


def spherical_wave(hydrophones_m: ArrayLike, source_m: ArrayLike, sound_speed_m_s: ArrayLike) -> tuple[Floats, Floats]:
    """`spherical_time` and `unit_vectors_to_source`, of whose distances either is made."""
    separation = np.asarray(source_m, float)[..., None, :] - np.asarray(hydrophones_m, float)
    distance = length(separation)
    unit = np.divide(separation, distance[..., None], out=np.zeros_like(separation), where=distance[..., None] > 0)
    return distance / np.asarray(sound_speed_m_s, float)[..., None], unit


def difference_matrix(n_hydrophones: int, reference: int = 0) -> Floats:
    """Matrix D, shape (n_hydrophones - 1, n_hydrophones), that turns arrival times into delays.

    Row order: hydrophones in their own order with the reference left out. With independent arrival errors of
    variances v the covariance of the delays is ``D diag(v) D^T``: the reference's error is common to all.
    """
    matrix = np.eye(n_hydrophones)
    matrix[:, reference] -= 1.0
    return np.delete(matrix, reference, axis=0)


def element_covariance(element_sd_m: ArrayLike, n_hydrophones: int, reference: int) -> Floats:
    """Covariance of range differences, shape (n - 1, n - 1) [m^2], from errors of the hydrophones' positions.

    Parameters
    ----------
    element_sd_m : array_like, shape () or (n_hydrophones,)
        Standard deviation of each position along every axis [m]. Only the component along the path counts.
    n_hydrophones, reference : int
        Number of hydrophones and index of the reference.
    """
    sd = np.asarray(element_sd_m, dtype=float)
    if sd.shape not in ((), (n_hydrophones,)) or np.any(sd < 0):
        raise ParameterError(f"element_sd_m={sd.tolist()}: expected one value or {n_hydrophones}, none negative")
    differences = difference_matrix(n_hydrophones, reference) * sd
    return differences @ differences.T


def curvature_covariance(hydrophones_m: Floats, sound_speed_m_s: float, nearest_m: float) -> Floats:
    """Covariance of arrival times, (n, n) [s^2], by which a spherical wave from anywhere differs from a plane one.

    Parameters
    ----------
    hydrophones_m : ndarray, shape (n, 3)
        Positions [m]; the wave is told by its distance from their centre.
    sound_speed_m_s : float
        Sound speed [m/s].
    nearest_m : float
        Its curvature, one over the distance, is up to one over this [m], with half of that as standard deviation; the
        direction is any. Infinity: a plane wave.

    Notes
    -----
    To second order the difference is ``(r^2 - (r . u)^2) / (2 c R)``; the mean over directions u is taken over the
    corners of a cube, the middles of its edges and of its faces, with the weights that make it exact for polynomials
    of degree seven (McLaren 1963, Math. Comp. 17:361-383; from memory).
    """
    points = np.asarray(hydrophones_m, dtype=float)
    points = points - points.mean(axis=0)
    units = np.array([u for u in product((-1.0, 0.0, 1.0), repeat=3) if any(u)])
    of_kind = np.array([np.nan, 1.0 / 21.0, 4.0 / 105.0, 9.0 / 280.0])
    kind = np.sum(units != 0, axis=-1)
    units /= np.linalg.norm(units, axis=-1, keepdims=True)
    bent = (np.sum(points**2, axis=-1) - (units @ points.T) ** 2) * (0.25 / (sound_speed_m_s * nearest_m))
    return np.asarray((bent.T * of_kind[kind]) @ bent)
