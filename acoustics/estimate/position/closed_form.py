"""Closed-form position from delays: a start for the iterative fix, efficient by itself at small errors."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.batches import fill_gaps, flat, positive_flat
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.least_squares import apply, inverse_factor, normal_equations, solve_positive, trailing
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import difference_matrix


def chan_ho1994(delays: Tdoa, hydrophones_m: ArrayLike, sound_speed_m_s: ArrayLike) -> Floats:
    """Position by two weighted linear least-squares steps, in two or three dimensions.

    Parameters
    ----------
    delays : Tdoa
        Batch shape (...). Missing delays give NaN.
    hydrophones_m : array_like, shape (n_hydrophones, dimension) or (..., n_hydrophones, dimension)
        Positions [m] that span all of the 2 or 3 dimensions; at least ``dimension + 1`` of them.
    sound_speed_m_s : array_like, shape () or (...)
        Sound speed [m/s].

    Returns
    -------
    ndarray, shape (..., dimension)
        Positions [m]. With the least number of hydrophones two may fit; the more distant one is given.

    Raises
    ------
    ParameterError
        For shapes that do not fit or too few hydrophones.

    Notes
    -----
    Step one treats the distance to the reference as an unknown of its own, which makes the problem linear;
    step two uses that it is none. Good while the error of the position is small beside its distance. Arrays
    that are short for their distance break that: use `locate_source`.

    References
    ----------
    Chan and Ho (1994), IEEE Trans. Signal Processing 42(8), 1905-1915, section III.
    """
    hydrophones = np.asarray(hydrophones_m, dtype=float)
    n, batch = delays.n_hydrophones, delays.tdoa_s.shape[:-1]
    if hydrophones.ndim < 2 or hydrophones.shape[-2] != n or hydrophones.shape[-1] not in (2, 3):
        raise ParameterError(
            f"hydrophones_m has shape {hydrophones.shape}: expected (..., {n}, 2) or (..., {n}, 3) for {n - 1} delays"
        )
    dimension = hydrophones.shape[-1]
    if hydrophones.ndim > 2 and hydrophones.shape[:-2] != batch:
        raise ParameterError(f"hydrophones_m has shape {hydrophones.shape}: expected (..., {n}, {dimension})")
    if n < dimension + 1:
        raise ParameterError(f"hydrophones_m: {n} hydrophones, expected {dimension + 1} for {dimension} dimensions")
    speed = positive_flat("sound_speed_m_s", sound_speed_m_s, batch)
    delay, covariance, finite = fill_gaps(
        delays.tdoa_s.reshape(-1, n - 1), flat(delays.covariance_s2, batch, (n - 1, n - 1))
    )
    whitener = trailing(inverse_factor(covariance) / speed[:, None, None])
    arrays = flat(hydrophones, batch, (n, dimension))
    found = closed_form(delay.T * speed, whitener, arrays, delays.reference)[0].T
    return np.where(finite[:, None], found, np.nan).reshape(*batch, dimension)


def closed_form(range_difference: Floats, whitener: Floats, hydrophones: Floats, reference: int) -> Floats:
    """Positions, shape (1 or 2, dimension, m), from range differences (k, m), hydrophones (m or 1, n, dimension).

    The whiteners, shape (k, k) or (k, k, m), are those of the range differences. With as many delays as
    coordinates there are two positions, the more distant one first, which are equal where only one fits.
    """
    n, dimension = hydrophones.shape[-2:]
    baselines = difference_matrix(n, reference) @ hydrophones
    half_square = 0.5 * (range_difference**2 - np.einsum("mij,mij->im", baselines, baselines))
    if n == dimension + 1:
        relative = _exact(range_difference, half_square, baselines)
    else:
        relative = _two_steps(range_difference, half_square, np.moveaxis(baselines, 0, -1), whitener)[None]
    return relative + hydrophones[:, reference].T


def _two_steps(range_difference: Floats, half_square: Floats, baselines: Floats, whitener: Floats) -> Floats:
    """Position relative to the reference: equations (14b), (17) and (24) of the paper."""
    k, dimension = baselines.shape[:2]
    known = np.empty((k, dimension + 2, range_difference.shape[-1]))
    known[:, :dimension] = -baselines
    known[:, dimension] = -range_difference
    known[:, dimension + 1] = half_square
    scale: Floats | float = 1.0
    for _ in range(2):  # first as for a distant source, then with the distances found
        weighted = apply(whitener, known * scale)
        normal, right = normal_equations(weighted[:, -1], weighted[:, :-1])
        first = solve_positive(normal, right)
        separation = first[:dimension] - baselines
        scale = 1.0 / np.sqrt(np.einsum("kdm,kdm->km", separation, separation) + 1e-12)[:, None]

    # Step two, in squared coordinates. A coordinate of zero has no first-order square: keep it off zero.
    size = np.sqrt(np.einsum("dm,dm->m", first[:dimension], first[:dimension])) + 1e-9
    lever = np.where(np.abs(first) < 1e-6 * size, 1e-6 * size, first)
    weight = normal / (lever[:, None] * lever)
    weighted_square = np.einsum("ijm,jm->im", weight, first**2)
    last = weight[dimension, :dimension]
    matrix = weight[:dimension, :dimension] + last + last[:, None] + weight[dimension, dimension]
    square = solve_positive(matrix, weighted_square[:dimension] + weighted_square[dimension])
    signed = np.copysign(np.sqrt(np.maximum(square, 0.0)), first[:dimension])
    return np.where(square > 0.0, signed, first[:dimension])


def _exact(range_difference: Floats, half_square: Floats, baselines: Floats) -> Floats:
    """Both positions (2, d, m) relative to the reference for as many delays as unknowns: equation (10)."""
    inverse = trailing(np.linalg.pinv(baselines).astype(float, copy=False))
    start, slope = -apply(inverse, half_square), -apply(inverse, range_difference)
    a = np.einsum("dm,dm->m", slope, slope) - 1.0
    b = np.einsum("dm,dm->m", start, slope)
    c = np.einsum("dm,dm->m", start, start)
    root = np.sqrt(np.maximum(b**2 - a * c, 0.0))
    # Two forms of the quadratic's roots, each without a difference of nearly equal numbers.
    q = -(b + np.where(b < 0.0, -root, root))
    roots = np.stack([q / np.where(a == 0.0, 1e-300, a), c / np.where(q == 0.0, 1e-300, q)])
    shortest = np.maximum(-range_difference.min(axis=0), 0.0)  # no distance may be negative
    allowed = roots >= shortest
    fallback = np.maximum(-b / np.where(a == 0.0, 1.0, a), shortest)  # where noise has left no real root
    far = np.where(allowed.any(axis=0), np.where(allowed, roots, -np.inf).max(axis=0), fallback)
    near = np.where(allowed.all(axis=0), roots.min(axis=0), far)
    return start + slope * np.minimum(np.stack([far, near]), 1e6)[:, None]
