"""Most probable parameters of a calibration run: Gauss-Newton steps in which each pose is eliminated first."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.calibrate.model import (
    POSE_PARAMETERS,
    CalibrationPrior,
    CalibrationRun,
    model_times,
    whitened_derivatives,
)

_SMALLEST_STEP = 1e-6  # in standard deviations of the prior
_FORGOTTEN = 4.0  # a ping this many times as far off as expected has half its weight in the robust rounds
_ROBUST_ROUNDS = 4  # of new weights: only a start is sought, which the fit with final weights takes on
_ROBUST_STEPS = 6  # enough for the damping to find a step that helps


@record
class State:
    """Parameters in units of their prior sd: shared, shape (..., p), and of the poses, shape (..., n_poses, 6)."""

    shared: Floats
    pose: Floats


@record
class Normal:
    """Normal equations with the poses eliminated.

    `information` (..., p, p) is that of the data about the shared parameters, without their own priors but with
    the poses' priors used; `gradient` (..., p) that of half the cost, the prior included, downhill.
    """

    information: Floats
    gradient: Floats
    pose_solve: Floats
    pose_coupling: Floats


def whitened_residuals(run: CalibrationRun, prior: CalibrationPrior, state: State) -> Floats:
    """Measured less predicted, of unit variance, shape (..., n_pings, n_hydrophones - 1)."""
    difference = run.times_s - model_times(run, prior, state.shared, state.pose)
    return np.einsum("kdn,...kn->...kd", run.whitening, difference)


def cost(run: CalibrationRun, prior: CalibrationPrior, state: State, weight: Floats) -> Floats:
    """Twice the negative logarithm of the posterior density, up to a constant, shape (...)."""
    squares = np.sum(whitened_residuals(run, prior, state) ** 2, axis=-1)
    priors = np.sum(state.shared**2, axis=-1) + np.sum(state.pose**2, axis=(-1, -2))
    return np.sum(weight * squares, axis=-1) + priors


def normal_equations(
    run: CalibrationRun, prior: CalibrationPrior, state: State, weight: Floats, damping: Floats | float = 0.0
) -> Normal:
    """Normal equations at a state, pings weighted by `weight` (..., n_pings); `damping` (...) holds the poses."""
    times, by_shared, by_pose = whitened_derivatives(run, prior, state.shared, state.pose)
    residual = np.einsum("kdn,...kn->...kd", run.whitening, run.times_s - times)
    root = np.sqrt(weight)[..., None]
    residual, by_shared, by_pose = residual * root, by_shared * root[..., None], by_pose * root[..., None]
    batch, p = residual.shape[:-2], by_shared.shape[-1]
    tall = by_shared.reshape(*batch, -1, p)
    information = np.swapaxes(tall, -1, -2) @ tall
    gradient = np.einsum("...kdp,...kd->...p", by_shared, residual) - state.shared
    starts = np.flatnonzero(np.diff(run.pose_index, prepend=-1))
    across = np.swapaxes(by_pose, -1, -2)
    own = np.add.reduceat(across @ by_pose, starts, axis=-3)
    coupling = np.add.reduceat(across @ by_shared, starts, axis=-3)
    pull = np.add.reduceat((across @ residual[..., None])[..., 0], starts, axis=-2) - state.pose
    own = own + np.eye(POSE_PARAMETERS) * (1.0 + np.asarray(damping)[..., None, None, None])
    solved = np.linalg.solve(own, np.concatenate([pull[..., None], coupling], axis=-1))
    flat = coupling.reshape(*batch, -1, p)
    return Normal(
        information - np.swapaxes(flat, -1, -2) @ solved[..., 1:].reshape(*batch, -1, p),
        gradient - np.einsum("...hqp,...hq->...p", coupling, solved[..., 0]),
        solved[..., 0],
        solved[..., 1:],
    )


def descend(
    run: CalibrationRun, prior: CalibrationPrior, state: State, weight: Floats, *, max_iterations: int = 40
) -> tuple[State, NDArray[np.bool_]]:
    """Minimise `cost` from a start, each run of the batch with its own damping; and whether each has settled.

    Not by `base.least_squares.levenberg`, which solves one dense system a trial: here the poses, six unknowns each,
    are eliminated first.

    References
    ----------
    Levenberg (1944), Quarterly of Applied Mathematics 2, 164-168. The elimination of the poses is that of bundle
    adjustment: Triggs et al. (2000), Vision Algorithms: Theory and Practice, section 6.
    """
    now = cost(run, prior, state, weight)
    damping = np.zeros_like(now)
    settled = np.zeros(now.shape, dtype=bool)
    unit = np.eye(state.shared.shape[-1])
    for _ in range(max_iterations):
        normal = normal_equations(run, prior, state, weight, damping)
        whole = normal.information + unit * (1.0 + damping[..., None, None])
        step = np.linalg.solve(whole, normal.gradient[..., None])[..., 0]
        pose_step = normal.pose_solve - np.einsum("...hqp,...p->...hq", normal.pose_coupling, step)
        trial = State(state.shared + step, state.pose + pose_step)
        after = cost(run, prior, trial, weight)
        better = after <= now * (1 + 1e-12)
        keep = better & ~settled
        state = State(
            np.where(keep[..., None], trial.shared, state.shared),
            np.where(keep[..., None, None], trial.pose, state.pose),
        )
        now = np.where(keep, after, now)
        largest = np.maximum(np.abs(step).max(axis=-1), np.abs(pose_step).max(axis=(-1, -2)))
        settled |= better & (largest < _SMALLEST_STEP)
        damping = np.where(better, np.where(damping < 1e-3, 0.0, 0.1 * damping), np.maximum(10 * damping, 1e-2))
        if settled.all():
            break
    return state, settled


def robust_start(run: CalibrationRun, prior: CalibrationPrior, state: State, weight: Floats) -> State:
    """A state near the minimum that a minority of wrong pings cannot draw away.

    Weights ``1 / (1 + s / (4 m))`` for a ping whose squares sum to s where m is expected (Cauchy's, Holland and
    Welsch 1977), with the spread taken from the median ping and never under what is stated, recomputed for
    each of some rounds.
    """
    expected = np.maximum(run.delays_measured, 1)
    for _ in range(_ROBUST_ROUNDS):
        excess = np.sum(whitened_residuals(run, prior, state) ** 2, axis=-1) / expected
        spread = np.maximum(np.median(excess, axis=-1, keepdims=True), 1.0)
        state, _ = descend(
            run, prior, state, weight / (1 + excess / (_FORGOTTEN * spread)), max_iterations=_ROBUST_STEPS
        )
    return state
