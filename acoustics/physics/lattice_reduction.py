"""Short bases and near points of the lattice of whole cycles: what bounds and estimators of carrier phase search in."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats

# Lovasz's constant; nearer to 1 is a shorter basis for more swaps. Swaps grow with the logarithm of the
# condition.
_LOVASZ, _MOST_SWAPS = 0.99, 1000


def reduced_basis(metric: Floats) -> Floats:
    """Basis of the integer lattice whose vectors are short in a metric (Lenstra, Lenstra & Lovasz 1982),
    batched.

    Parameters
    ----------
    metric : ndarray, shape (n_batch, m, m)
        Positive definite, in any unit [1]; the squared length of an integer vector k is ``k^T metric k``.

    Returns
    -------
    ndarray, shape (n_batch, m, m)
        Unimodular, whole numbers held as floats; the columns are the vectors.

    References
    ----------
    Lenstra, Lenstra & Lovasz (1982), Mathematische Annalen 261:515-534. Its use for the cycles of carrier
    phases: Teunissen (1995), Journal of Geodesy 70:65-82.
    """
    n_batch, m, _ = metric.shape
    basis = np.broadcast_to(np.eye(m), metric.shape).copy()
    active = np.arange(n_batch)
    for _ in range(_MOST_SWAPS):
        z = basis[active]
        r = np.swapaxes(np.linalg.cholesky(np.swapaxes(z, -1, -2) @ metric[active] @ z), -1, -2).copy()
        for j in range(1, m):
            for i in range(j - 1, -1, -1):
                q = np.rint(r[:, i, j] / r[:, i, i])[:, None]
                r[:, :, j] -= q * r[:, :, i]
                z[:, :, j] -= q * z[:, :, i]
        basis[active] = z
        diagonal = np.diagonal(r, axis1=-2, axis2=-1) ** 2
        above = np.diagonal(r, offset=1, axis1=-2, axis2=-1) ** 2
        swap = _LOVASZ * diagonal[:, :-1] > above + diagonal[:, 1:]
        todo = swap.any(axis=-1)
        if not todo.any():
            break
        active, first = active[todo], swap[todo].argmax(axis=-1)
        left, right = basis[active, :, first], basis[active, :, first + 1]
        basis[active, :, first], basis[active, :, first + 1] = right, left
    return basis


def nearest_points(basis: Floats, metric: Floats, target: Floats, count: int, *, within: float = np.inf) -> Floats:
    """Points of the integer lattice near real vectors in a metric, the nearest first, batched.

    Parameters
    ----------
    basis, metric : ndarray, shape (n_batch or 1, m, m)
        A reduced basis, from `reduced_basis`, and the metric in which it is.
    target : ndarray, shape (n_batch, m)
        The real vectors [1].
    count : int
        How many points are kept at each step of the search, and at most returned.
    within : float
        Squared distance beyond that of the nearest up to which points are wanted, in the metric. The fewer there are,
        the less there is to search; further ones may be returned too.

    Returns
    -------
    ndarray, shape (n_batch, at most count, m)
        Whole numbers held as floats. With a reduced basis hardly one of the nearest is missed.

    References
    ----------
    Guo & Nilsson (2006), IEEE J. Selected Areas in Communications 24:491-503 (the K best of each step; from memory).
    """
    factor = np.swapaxes(np.linalg.cholesky(np.swapaxes(basis, -1, -2) @ metric @ basis), -1, -2)
    real: Floats = np.linalg.solve(basis, target[..., None])[..., 0].astype(float, copy=False)
    limit = np.full(len(real), np.inf)
    if within < np.inf:  # no point is nearer than the nearest, which the first that comes to hand is not far from
        limit = _near_first(factor, real, 1, limit)[1][:, 0] + within
    points, _ = _near_first(factor, real, count, limit)
    return np.rint(points @ np.swapaxes(basis, -1, -2))


def _near_first(factor: Floats, real: Floats, count: int, limit: Floats) -> tuple[Floats, Floats]:
    """Coordinates (n_batch, k, m) of points near real ones (n_batch, m), and their squared distances, rising.

    No more than `count`, and than any of the batch has within its limit (n_batch,).
    """
    n_batch, m = real.shape
    points, distance = np.zeros((n_batch, 1, m)), np.zeros((n_batch, 1))
    # In one dimension all that is wanted comes from a single step; in many a few about each centre are enough.
    reach = max(int(np.ceil(count ** (1.0 / m) / 2.0)) + 1, 2)
    steps = np.arange(-reach, reach + 1.0)
    for row in range(m - 1, -1, -1):
        beyond = np.einsum("bki,bi->bk", points[..., row + 1 :] - real[:, None, row + 1 :], factor[:, row, row + 1 :])
        centre = real[:, None, row] - beyond / factor[:, row, row, None]
        tried = np.rint(centre)[..., None] + steps
        total = distance[..., None] + (factor[:, row, row, None, None] * (tried - centre[..., None])) ** 2
        flat = total.reshape(n_batch, -1)
        kept = min(count, max(int(np.sum(flat <= limit[:, None], axis=-1).max(initial=0)), 1))
        if kept == 1:
            best = np.argmin(flat, axis=-1)[:, None]
        elif flat.shape[-1] > kept:
            best = np.argpartition(flat, kept - 1, axis=-1)[:, :kept]
        else:
            best = np.broadcast_to(np.arange(flat.shape[-1]), flat.shape)
        if row == 0:  # before, their order does not matter
            order = np.argsort(np.take_along_axis(flat, best, axis=-1), axis=-1, kind="stable")
            best = np.take_along_axis(best, order, axis=-1)
        parent = best // len(steps)
        points = np.take_along_axis(points, parent[..., None], axis=1)
        points[..., row] = np.take_along_axis(tried.reshape(n_batch, -1), best, axis=-1)
        distance = np.take_along_axis(flat, best, axis=-1)
    return points, distance
