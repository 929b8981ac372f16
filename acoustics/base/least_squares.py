"""Weighted non-linear least squares on many small problems at once, and the covariance behind the weights."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record

Indices = NDArray[np.intp]


class Batch(Protocol):
    """Trials of which some can be picked by their indices."""

    def subset(self, rows: Indices) -> Self: ...


Problem = TypeVar("Problem", bound=Batch)


_TINY = 6
_FEW_TRIALS = 1000  # up to which the calls of `normal_equations` take longer than its sums; measured
_HOPELESS = 1e8  # damping under which no step lowers the cost
NEAR_MINIMUM = 0.01  # fall of chi-square that is left so near a minimum that Newton's method is quick
# Share of trials at rest from which on they are dropped: of tiny ones picking the others takes as long as a step.
_DROPPED_TINY = 0.3
# A covariance of zero cannot be inverted. One picosecond, or 1.5 nm of water, is far below any measurement.
NEGLIGIBLE_DELAY_S = 1e-12


def transposed(matrix: Floats) -> Floats:
    """Transpose of matrices of shape (..., p, q)."""
    return np.swapaxes(matrix, -1, -2)


def pick(values: Floats, rows: Indices) -> Floats:
    """Some of the trials of values (..., m), laid out as long rows again: `values[..., rows]` puts trials first in
    memory, and work along them then takes twice as long."""
    return np.take(values, rows, axis=-1)


def pick_of_each(values: Floats, rows: Indices) -> Floats:
    """`pick` of values (..., m), and where one serves all trials, (..., 1), that one."""
    return values if values.shape[-1] == 1 else pick(values, rows)


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
    if m <= _FEW_TRIALS:  # calls take longer than sums: all at once, though half of them twice
        return np.einsum("kim,kjm->ijm", jacobian, jacobian), np.einsum("kim,km->im", jacobian, residual)
    normal, gradient = np.empty((p, p, m)), np.empty((p, m))
    for i in range(p):
        gradient[i] = np.einsum("km,km->m", jacobian[:, i], residual)
        for j in range(i + 1):
            normal[i, j] = normal[j, i] = np.einsum("km,km->m", jacobian[:, i], jacobian[:, j])
    return normal, gradient


def solve_positive(matrix: Floats, vector: Floats) -> Floats:
    """Solve ``A x = b`` for positive definite A, (p, p, m), and b, (p, m) or (p, q, m).

    Tiny matrices by Cholesky factors in a loop over p, so that numpy works along m: many times faster than one call of
    LAPACK for each, which larger ones get.
    """
    p = len(matrix)
    if p > _TINY:
        right = np.moveaxis(vector.reshape(p, -1, vector.shape[-1]), -1, 0)
        solved = np.linalg.solve(np.moveaxis(matrix, -1, 0), right)
        return np.asarray(np.moveaxis(solved, 0, -1).reshape(vector.shape), dtype=float)
    factor: dict[tuple[int, int], Floats] = {}
    inverse: list[Floats] = []
    for i in range(p):
        for j in range(i + 1):
            rest = matrix[i, j]
            for k in range(j):
                rest = rest - factor[i, k] * factor[j, k]
            if i == j:
                # Of what has no influence rounding may leave less than nothing.
                inverse.append(1.0 / np.sqrt(np.maximum(rest, 1e-15 * np.abs(matrix[i, i])) + 1e-300))
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


def positive_inverse(matrix: NDArray[Any]) -> NDArray[Any]:
    """Inverses of positive definite matrices, (..., p, p), real or complex: of large ones in half the time of `inv`.

    One that rounding has left indefinite is inverted as any other.
    """
    from scipy.linalg import lapack  # here, for it takes long to load and a short command has no use for it

    flat, out = matrix.reshape(-1, *matrix.shape[-2:]), np.empty_like(matrix)
    factor, invert = lapack.get_lapack_funcs(("potrf", "potri"), (matrix,))
    upper = np.triu(np.ones(matrix.shape[-2:], dtype=bool), 1)
    for one, inverse in zip(flat, out.reshape(flat.shape), strict=True):
        lower, failed = factor(one, lower=True)
        if failed:
            inverse[:] = np.linalg.inv(one)
        else:
            whole = invert(lower, lower=True, overwrite_c=True)[0]
            inverse[:] = np.where(upper, whole.conj().T, whole)
    return out


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


@record
class Descent:
    """How `levenberg` goes about a kind of problem.

    Parameters
    ----------
    damping : float
        Of the first step, as a share of the information.
    floor : float
        Share of the trace of the information by which every parameter is damped: it holds one without influence, such
        as the angle out of the array's plane. None is needed where every parameter has a prior.
    settled : float
        A trial stops when its next step promises a smaller fall of the cost than this.
    most_steps : int
        Of a trial.
    """

    damping: float = 1e-9
    floor: float = 1e-6
    settled: float = 1e-12
    most_steps: int = 60


def levenberg(
    problem: Problem,
    state: Floats,
    evaluate: Callable[[Problem, Floats], tuple[Floats, Floats, Floats]],
    move: Callable[[Problem, Floats, Floats], Floats],
    *,
    give_up: Callable[[Problem, Floats, Floats, Floats, Floats], NDArray[np.bool_]] | None = None,
    find_step: Callable[[Problem, Floats, Floats, Floats, Floats], Floats] | None = None,
    descent: Descent = Descent(),
) -> Floats:
    """Minimise the costs, such as sums of squared residuals, of many trials, each from its own start.

    Trials run along the last axis throughout, so that every operation is on long contiguous rows. Each has a damping
    of its own and rests when it has settled, whatever the others do.

    Parameters
    ----------
    problem : object with ``subset(indices)``
        What is known of the m trials. Trials that have settled are dropped from it.
    state : ndarray, shape (d, m)
        Starts.
    evaluate : callable
        ``(problem, state (d, m)) -> cost (m,), information (p, p, m), gradient (p, m)``: half the second and half the
        first derivative of the cost, as `normal_equations` makes them of residuals.
    move : callable
        ``(problem, state (d, m), step (p, m)) -> state (d, m)``. Lets the state live on a curved surface, and a step
        be shortened.
    give_up : callable, optional
        ``(problem, state (d, m), information (p, p, m), step (p, m), gain (m,)) -> bool (m,)``: trials that need go no
        further, because wherever they end will not be used. The gain is the fall of the cost that a step promises.
    find_step : callable, optional
        ``(problem, state (d, m), information, gradient (p, m), damping (m,)) -> step (p, m)``; the information is then
        whatever `evaluate` gives, trials last. By default its matrix is solved, each parameter damped by its own
        (Marquardt). That holds back a combination of parameters of which the observations tell little though each of
        them alone is sharp, as it is in a long narrow valley of the cost: there damp all by one unit (Levenberg).
    descent : Descent
        Where to begin and when to stop.

    Returns
    -------
    ndarray, shape (d, m)
        Minima.

    References
    ----------
    Levenberg (1944), Quarterly of Applied Mathematics 2, 164-168; Marquardt (1963), J. SIAM 11, 431-441.
    """
    state = np.ascontiguousarray(state)
    result = state.copy()
    rows = np.arange(state.shape[-1])
    damping, resting = np.full(rows.size, descent.damping), np.zeros(rows.size, dtype=bool)
    cost, normal, gradient = evaluate(problem, state)
    kept_share = _DROPPED_TINY if len(gradient) <= _TINY else 0.0
    for _ in range(descent.most_steps if rows.size else 0):
        if find_step is None:
            step = _marquardt_step(normal, gradient, damping, descent.floor)
        else:
            step = find_step(problem, state, normal, gradient, damping)
        gain = -np.einsum("pm,pm->m", gradient, step)
        settled = ~resting & (np.abs(gain) < descent.settled)
        done = resting | settled
        if give_up is not None:
            done |= give_up(problem, state, normal, step, gain)
        trial = move(problem, state, step)
        # What the last step of a trial comes to need not be known.
        if np.count_nonzero(done) > kept_share * done.size:
            result[:, rows] = np.where(settled, trial, state)
            left = np.flatnonzero(~done)
            rows, damping, cost, problem = rows[left], damping[left], cost[left], problem.subset(left)
            state, trial, gradient = pick(state, left), pick(trial, left), pick(gradient, left)
            gain, done, resting = gain[left], done[left], resting[left]
            # Larger matrices go to LAPACK one by one.
            normal = pick(normal, left) if len(gradient) <= _TINY else normal[..., left]
            if rows.size == 0:
                break
        trial_cost, trial_normal, trial_gradient = evaluate(problem, trial)
        better = (trial_cost <= cost) & ~resting
        share = (cost - trial_cost) / np.maximum(gain, 1e-300)
        damping = _next_damping(damping, share, better)
        if better.all():
            state, cost, normal, gradient = trial, trial_cost, trial_normal, trial_gradient
        else:
            state = np.where(better, trial, state)
            cost = np.where(better, trial_cost, cost)
            normal = np.where(better, trial_normal, normal)
            gradient = np.where(better, trial_gradient, gradient)
        resting = done | (damping > _HOPELESS)
    result[:, rows] = state
    return result


def _marquardt_step(normal: Floats, gradient: Floats, damping: Floats, floor: float) -> Floats:
    """The step (p, m) of an information (p, p, m) that is damped, (m,), by its own diagonal, and by a share of all."""
    damped, least = normal.copy(order="K"), floor * np.einsum("iim->m", normal)
    for i in range(len(normal)):
        damped[i, i] += damping * (normal[i, i] + least) + 1e-300
    return -solve_positive(damped, gradient)


def _next_damping(damping: Floats, share: Floats, better: NDArray[np.bool_]) -> Floats:
    """The next damping, (m,), by what share of its promise a step kept.

    Along a curved valley full steps overshoot: each falls short of its promise and the next goes back. More damping
    there, not only after a step that was no gain, saves most of the steps.
    """
    more = np.maximum(4.0 * damping, 0.02)
    less = np.where(share > 0.75, np.maximum(0.1 * damping, 1e-12), damping)
    return np.where(better & (share > 0.25), less, more)
