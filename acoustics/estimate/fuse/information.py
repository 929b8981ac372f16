"""What the pings of runs tell of their unknowns, and the steps that follow from it.

A run of few pings has fewer delays than errors that these share, and of each error the size is known beforehand: the
errors eliminated, what is left to solve is as large as the number of delays.
"""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse.model import SOURCE, FusionProblem, Linearised


@record
class Information:
    """Of r runs: the cost (r,), the direction in which it falls (r, size), and of what the information consists: the
    derivatives of k residuals in standard deviations, (r, k, size), and what is known of the source, (3, 3) [1/m^2]."""

    cost: Floats
    downhill: Floats
    rows: Floats
    source: Floats

    @property
    def matrix(self) -> Floats:
        """The information (r, size, size)."""
        return _matrix(self.rows, self.source, np.ones(len(self.rows)))


def information(problem: FusionProblem, at: Linearised, state: Floats, weight: Floats) -> Information:
    """Of runs at states (r, size) with weights (r, p) of the pings."""
    r, size = state.shape
    root = np.sqrt(weight)[..., None]
    rows = (at.jacobian * root[..., None]).reshape(r, -1, size)
    residual = (at.residual * root).reshape(r, -1)
    downhill = np.einsum("rks,rk->rs", rows, residual)
    downhill[:, SOURCE:] -= state[:, SOURCE:]
    cost = np.sum(residual**2, axis=-1) + np.sum(state[:, SOURCE:] ** 2, axis=-1)
    if problem.area is not None:
        known, away = problem.area.information, problem.area.mean_m - state[:, :2]
        downhill[:, :2] += away @ known
        cost = cost + np.einsum("ri,ij,rj->r", away, known, away)
    if problem.depth is not None:
        off = (problem.depth - state[:, 2]) / problem.depth_sd
        downhill[:, 2] += off / problem.depth_sd
        cost = cost + off**2
    return Information(cost, downhill, rows, problem.source_information)


def solved(rows: Floats, source: Floats, shared: Floats, sides: Floats) -> Floats:
    """``(R^T R + P)^-1 S`` for rows R (r, k, size) and sides S (r, size, c), where P is `source`, (3, 3) or (r, 3, 3),
    and beyond it `shared`, (r,), times the identity.

    With R = [A, B] the errors beyond the source leave ``M = I + B B^T / shared`` for the covariance of the residuals
    (Woodbury 1950, Inverting Modified Matrices), and ``A^T M^-1 A`` for what these tell of the source.
    """
    if rows.shape[1] > rows.shape[2]:
        return np.asarray(np.linalg.solve(_matrix(rows, source, shared), sides))
    a, b = rows[..., :SOURCE], rows[..., SOURCE:]
    share = shared[:, None, None]
    carried = b @ (sides[:, SOURCE:] / share)
    inner = b @ transposed(b) / share + np.eye(rows.shape[1])
    weighed = np.linalg.solve(inner, np.concatenate([a, carried], axis=-1))
    by_source, by_sides = weighed[..., :SOURCE], weighed[..., SOURCE:]
    place = np.linalg.solve(source + transposed(a) @ by_source, sides[:, :SOURCE] - transposed(a) @ by_sides)
    errors = (sides[:, SOURCE:] - transposed(b) @ (by_sides + by_source @ place)) / share
    return np.concatenate([place, errors], axis=1)


def _matrix(rows: Floats, source: Floats, shared: Floats) -> Floats:
    """As `solved` has it."""
    matrix = transposed(rows) @ rows
    beyond = np.arange(SOURCE, rows.shape[2])
    matrix[:, beyond, beyond] += shared[:, None]
    matrix[:, :SOURCE, :SOURCE] += source
    return np.asarray(matrix)
