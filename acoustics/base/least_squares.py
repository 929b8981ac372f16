"""Weighted non-linear least squares on many small problems at once, and the covariance behind the weights."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats

Indices = NDArray[np.intp]


class Batch(Protocol):
    """Trials of which some can be picked by their indices."""

    def subset(self, rows: Indices) -> Self: ...


Problem = TypeVar("Problem", bound=Batch)


# A covariance of zero cannot be inverted. One picosecond, or 1.5 nm of water, is far below any measurement.
NEGLIGIBLE_DELAY_S = 1e-12


def transposed(matrix: Floats) -> Floats:
    """Transpose of matrices of shape (..., p, q)."""
    return np.swapaxes(matrix, -1, -2)


def apply(matrix: Floats, values: Floats) -> Floats:
    """Product along the first axis of values (n, ..., m) and a matrix, (k, n) for all trials or (k, n, m)."""
    if matrix.ndim == 2:
        # Not by BLAS: its threads cost more than such a product, and the numbers would depend on their count.
        product = np.einsum("kn,nm->km", matrix, values.reshape(len(values), -1))
        return product.reshape(len(matrix), *values.shape[1:])
    return np.einsum("knm,n...m->k...m", matrix, values)


def trailing(matrix: Floats) -> Floats:
    """Matrices (m or 1, k, n) in the layout that `apply` takes: (k, n, m), or (k, n) for a single one."""
    return matrix[0] if len(matrix) == 1 else np.ascontiguousarray(np.moveaxis(matrix, 0, -1))


def normal_equations(residual: Floats, jacobian: Floats) -> tuple[Floats, Floats]:
    """``J^T J``, (p, p, m), and ``J^T r``, (p, m), of residuals (k, m) and their derivatives (k, p, m)."""
    p, m = jacobian.shape[1:]
    normal, gradient = np.empty((p, p, m)), np.empty((p, m))
    for i in range(p):
        gradient[i] = np.einsum("km,km->m", jacobian[:, i], residual)
        for j in range(i + 1):
            normal[i, j] = normal[j, i] = np.einsum("km,km->m", jacobian[:, i], jacobian[:, j])
    return normal, gradient


def solve_positive(matrix: Floats, vector: Floats) -> Floats:
    """Solve ``A x = b`` for positive definite A, (p, p, m), and b, (p, m) or (p, q, m), by Cholesky factors.

    Loops over p, which is 1 to 4 here, so that numpy works along m: many times faster than one LAPACK call
    for each tiny matrix.
    """
    p = len(matrix)
    factor: dict[tuple[int, int], Floats] = {}
    inverse: list[Floats] = []
    for i in range(p):
        for j in range(i + 1):
            rest = matrix[i, j]
            for k in range(j):
                rest = rest - factor[i, k] * factor[j, k]
            if i == j:
                inverse.append(1.0 / np.sqrt(np.maximum(rest, 1e-15 * matrix[i, i]) + 1e-300))
            else:
                factor[i, j] = rest * inverse[j]
    x: list[Floats] = list(vector)
    for i in range(p):
        for k in range(i):
            x[i] = x[i] - factor[i, k] * x[k]
        x[i] = x[i] * inverse[i]
    for i in reversed(range(p)):
        for k in range(i + 1, p):
            x[i] = x[i] - factor[k, i] * x[k]
        x[i] = x[i] * inverse[i]
    return np.array(x)


def inverse_factor(covariance: Floats) -> Floats:
    """Matrices W, shape (..., k, k), with ``W^T W = covariance^-1``: they turn errors into unit white noise.

    Raises
    ------
    ParameterError
        If a covariance is not positive semi-definite.
    """
    k = covariance.shape[-1]
    floor = NEGLIGIBLE_DELAY_S**2 * (np.eye(k) + 1.0)  # as if each arrival time had this error
    # Matrices first, so that numpy works along the batch: several times faster than LAPACK on each small one.
    rest = np.ascontiguousarray(np.moveaxis(covariance + floor, (-2, -1), (0, 1)))
    inverse = np.zeros_like(rest)
    for j in range(k):
        pivot = rest[j, j]
        if not np.all(pivot > 0):
            raise ParameterError(f"covariance_s2 of shape {covariance.shape} is not positive semi-definite")
        scale = 1.0 / np.sqrt(pivot)
        column = rest[j:, j] * scale
        inverse[j, j] = 1.0
        inverse[j, : j + 1] *= scale
        for i in range(j + 1, k):
            inverse[i, : j + 1] -= column[i - j] * inverse[j, : j + 1]
            rest[i, j + 1 : i + 1] -= column[i - j] * column[1 : i - j + 1]
    return np.moveaxis(inverse, (0, 1), (-2, -1))


def with_nuisance(covariance: Floats, jacobian: Floats, sd: ArrayLike) -> Floats:
    """Covariance of shape (..., k, k) after nuisance parameters, normal with these sd, are integrated out.

    ``C + J diag(sd^2) J^T`` with the derivative J, shape (..., k, q), of the delays by the parameters.
    """
    scaled = jacobian * np.asarray(sd, dtype=float)
    return covariance + scaled @ transposed(scaled)


def levenberg(
    problem: Problem,
    state: Floats,
    evaluate: Callable[[Problem, Floats], tuple[Floats, Floats]],
    move: Callable[[Problem, Floats, Floats], Floats],
    *,
    give_up: Callable[[Problem, Floats, Floats, Floats, Floats], NDArray[np.bool_]] | None = None,
    max_iterations: int = 60,
) -> Floats:
    """Minimise the sums of squared residuals of many trials, each from its own start.

    Trials run along the last axis throughout, so that every operation is on long contiguous rows.

    Parameters
    ----------
    problem : object with ``subset(indices)``
        What is known of the m trials. Trials that have converged are dropped from it.
    state : ndarray, shape (d, m)
        Starts.
    evaluate : callable
        ``(problem, state (d, m)) -> residual (k, m), derivative (k, p, m)``, residuals in units of their
        standard deviation.
    move : callable
        ``(problem, state (d, m), step (p, m)) -> state (d, m)``. Lets the state live on a curved surface.
    give_up : callable, optional
        ``(problem, state (d, m), normal (p, p, m), step (p, m), gain (m,)) -> bool (m,)``: trials that need go no
        further, because wherever they end will not be used. The gain is the fall of the sum that a step promises.
    max_iterations : int
        A trial also stops when its next step is below 1e-6 standard deviations or no step lowers the sum.

    Returns
    -------
    ndarray, shape (d, m)
        Minima.

    References
    ----------
    Levenberg (1944), Quarterly of Applied Mathematics 2, 164-168; Marquardt (1963), J. SIAM 11, 431-441.
    """
    result = state.copy()
    rows = np.arange(state.shape[-1])
    damping = np.full(rows.size, 1e-9)
    residual, jacobian = evaluate(problem, state)
    cost = np.einsum("km,km->m", residual, residual)
    normal, gradient = normal_equations(residual, jacobian)
    for _ in range(max_iterations):
        if rows.size == 0:
            break
        damped = normal.copy()
        trace = np.einsum("iim->m", normal)
        for i in range(len(normal)):
            # A parameter without influence, such as the angle out of the array's plane, keeps a small share.
            damped[i, i] += damping * (normal[i, i] + 1e-6 * trace) + 1e-300
        step = -solve_positive(damped, gradient)
        gain = -np.einsum("pm,pm->m", gradient, step)
        done = np.abs(gain) < 1e-12
        if give_up is not None:
            done |= give_up(problem, state, normal, step, gain)
        trial = move(problem, state, step)
        residual, jacobian = evaluate(problem, trial)
        trial_cost = np.einsum("km,km->m", residual, residual)
        better = trial_cost <= cost
        done |= ~better & (damping > 1e8)
        damping = np.where(better, np.maximum(damping * 0.1, 1e-12), np.maximum(damping * 10.0, 1e-5))
        state = trial if better.all() else np.where(better, trial, state)
        if done.all():
            break
        trial_normal, trial_gradient = normal_equations(residual, jacobian)
        if better.all():
            cost, normal, gradient = trial_cost, trial_normal, trial_gradient
        else:
            cost = np.where(better, trial_cost, cost)
            normal = np.where(better, trial_normal, normal)
            gradient = np.where(better, trial_gradient, gradient)
        if np.count_nonzero(done) > 0.3 * done.size:
            result[:, rows] = state
            left = np.flatnonzero(~done)
            rows, damping, cost, problem = rows[left], damping[left], cost[left], problem.subset(left)
            state, normal, gradient = state[:, left], normal[..., left], gradient[:, left]
    result[:, rows] = state
    return result
