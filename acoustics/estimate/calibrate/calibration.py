"""Calibration of an array from pings of a known source: positions, channel delays, sound speed and rotation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.calibrate.fit import (
    State,
    descend,
    normal_equations,
    robust_start,
    whitened_residuals,
)
from acoustics.estimate.calibrate.model import (
    CalibrationPrior,
    CalibrationRun,
    model_times,
    whitened_derivatives,
)

_OUTLIER = 1e-4  # probability of a ping at least so far off, below which it is left out
_ROUNDS = 6  # of leaving out and taking in; it settles in two or three
_INCONSISTENT = 1e-3  # p-value of the whole fit, below which the calibration is refused: one healthy run in a thousand
_LEAST_KEPT = 0.6  # of the pings: a majority, with some to spare, must agree on one array
# A place known no better than this may start in the wrong half of its line, so the whole line is tried first.
_COARSE_M = 0.5
_TRIED = np.linspace(-1.7, 1.7, 18)  # in standard deviations: a uniform line ends at 1.73

NOT_SETTLED = "the search did not settle"
MANY_REJECTED = "over two in five of the pings fit no calibration within the stated errors"
TOO_FAR = "the residuals are larger than the stated errors allow"


@record
class Calibration:
    """Most probable parameters of an array after a run.

    Calibration parameters stand in the order: offsets of the hydrophones (x, y, z of the first, then the second,
    ...) [m], channel delays [s], error of the sound speed [m/s], rotation vector [rad]; p = 4 n_hydrophones + 4.

    Attributes
    ----------
    parameters : ndarray, shape (..., p)
    covariance : ndarray, shape (..., p, p)
        Of the parameters, errors of sources and poses integrated out, the prior included.
    prior_sd : ndarray, shape (p,)
    information : ndarray, shape (..., p, p)
        What the data alone tell, sources and poses integrated out, in units of the prior's standard deviations:
        1 means as much as was known before.
    source_error_m, source_sd_m : ndarray, shape (..., n_sources, 3)
        Error found of each source's stated place, and its standard deviation [m].
    cycles : ndarray of int, shape (..., n_pings, n_hydrophones)
        Whole cycles taken off each arrival time.
    kept : ndarray of bool, shape (..., n_pings)
        False for pings left out as outliers.
    rms_before_s, rms_after_s : ndarray, shape (..., n_pings)
        Root mean square residual of each ping's delays, cycles corrected, by the nominal and by the found
        parameters [s].
    chi2, p_value : ndarray, shape (...)
        Sum of squares at the minimum, priors included, and the probability of one at least as large.
    dof : ndarray of int, shape (...)
        Number of delays kept: as many priors as parameters cancel each other.
    ok : ndarray of bool, shape (...)
    reason : ndarray of str, shape (...)
        Why not ok.
    """

    parameters: Floats
    covariance: Floats
    prior_sd: Floats
    information: Floats
    source_error_m: Floats
    source_sd_m: Floats
    cycles: NDArray[np.intp]
    kept: NDArray[np.bool_]
    rms_before_s: Floats
    rms_after_s: Floats
    chi2: Floats
    dof: NDArray[np.intp]
    p_value: Floats
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]


def calibrate_array(run: CalibrationRun, prior: CalibrationPrior) -> Calibration:
    """Maximum a posteriori calibration, robust to wrong cycles and to pings that fit nothing.

    Parameters
    ----------
    run : CalibrationRun
        Batch shape (...), of simulated runs; () for a real one.
    prior : CalibrationPrior
        Nominal values and how well they are known.

    Returns
    -------
    Calibration
        Batch shape (...).

    Raises
    ------
    ParameterError
        For a shape or a value that is not accepted, by the two arguments themselves.

    Notes
    -----
    Every parameter, and every error of source and pose, has a normal prior, so nothing is singular: what the data
    do not see keeps its prior. A robust start comes first; from there each measured time is put in the cycle
    nearest to its prediction, pings that are still improbable are left out, and the fit is repeated until
    neither changes.
    """
    batch = run.times_s.shape[:-2]
    state = _first_state(run, prior)
    measured = np.broadcast_to(run.delays_measured > 0, (*batch, len(run.used)))
    state = robust_start(run, prior, state, measured.astype(float))
    cycles = np.zeros(run.times_s.shape, dtype=np.intp)
    kept = measured
    original = run.times_s
    settled = np.zeros(batch, dtype=bool)
    for _ in range(_ROUNDS):
        further = _cycles_off(run, prior, state)
        cycles = cycles + further
        run = run.with_times(original - cycles * _period(run))
        weight = (kept := _consistent(run, prior, state) & measured).astype(float)
        state, settled = descend(run, prior, state, weight)
        unchanged = not _cycles_off(run, prior, state).any()
        if unchanged and np.array_equal(_consistent(run, prior, state) & measured, kept):
            break
    return _answer(run, prior, state, cycles, kept, settled)


def predicted_information(run: CalibrationRun, prior: CalibrationPrior) -> Floats:
    """Information that pings of this geometry bring about the calibration parameters, whatever they will say.

    Returns
    -------
    ndarray, shape (p, p)
        As `Calibration.information`, at the nominal parameters: a prediction before any ping is heard.
    """
    geometry = run.with_times(np.zeros(run.used.shape))
    state = _nominal(geometry, prior)
    weight = np.ones(len(run.used))
    return _without_sources(normal_equations(geometry, prior, state, weight).information, prior)


def posterior_covariance(information: Floats, prior_sd: Floats) -> Floats:
    """Covariance, shape (..., p, p), from information in units of the prior: ``S (1 + I)^-1 S``."""
    inverse = np.linalg.inv(np.eye(len(prior_sd)) + information)
    inverse = 0.5 * (inverse + np.swapaxes(inverse, -1, -2))
    return inverse * prior_sd[:, None] * prior_sd


def _nominal(run: CalibrationRun, prior: CalibrationPrior) -> State:
    batch = run.times_s.shape[:-2]
    return State(np.zeros((*batch, len(prior.shared_sd))), np.zeros((*batch, run.pose_index[-1] + 1, 6)))


def _first_state(run: CalibrationRun, prior: CalibrationPrior) -> State:
    """Nominal values, but a source of which little is known where its own pings fit best on its line."""
    state = _nominal(run, prior)
    coarse = prior.source_sd_m.max(axis=-1) > _COARSE_M
    if not coarse.any():
        return state
    sources, n_calibration = len(coarse), len(prior.calibration_sd)
    axis = np.argmax(prior.source_sd_m, axis=-1)
    where = n_calibration + 3 * np.arange(sources)[coarse] + axis[coarse]
    misfit = []
    for value in _TRIED:
        state.shared[..., where] = value
        misfit.append(_misfit_by_source(run, prior, state, sources))
    best = _TRIED[np.argmin(misfit, axis=0)]
    state.shared[..., where] = best[..., coarse]
    return state


def _misfit_by_source(run: CalibrationRun, prior: CalibrationPrior, state: State, sources: int) -> Floats:
    """How badly each source's pings fit, shape (..., n_sources), with all calibration errors still allowed for."""
    times, by_shared, by_pose = whitened_derivatives(run, prior, state.shared, state.pose)
    residual = np.einsum("kdn,...kn->...kd", run.whitening, run.times_s - times)
    columns = np.concatenate([by_shared[..., : len(prior.calibration_sd)], by_pose], axis=-1)
    spread = columns @ np.swapaxes(columns, -1, -2) + np.eye(residual.shape[-1])
    squares = np.sum(residual * np.linalg.solve(spread, residual[..., None])[..., 0], axis=-1)
    bounded = squares / (1 + squares / (10.0 * np.maximum(run.delays_measured, 1)))  # one bad ping decides nothing
    member = run.source_index[:, None] == np.arange(sources)
    return bounded @ member.astype(float)


def _period(run: CalibrationRun) -> Floats:
    """Period of the carrier, shape (n_pings, 1) [s]; 0 where there is no cycle to take off."""
    return np.where(np.isfinite(run.cycle_s), run.cycle_s, 0.0)[:, None]


def _delay_residuals(run: CalibrationRun, prior: CalibrationPrior, state: State) -> Floats:
    """Measured less predicted delays against each ping's reference, shape (..., n_pings, n_hydrophones) [s]."""
    off = run.times_s - model_times(run, prior, state.shared, state.pose)
    against = np.take_along_axis(off, np.broadcast_to(run.reference[:, None], (*off.shape[:-1], 1)), axis=-1)
    return np.where(run.used, off - against, 0.0)


def _cycles_off(run: CalibrationRun, prior: CalibrationPrior, state: State) -> NDArray[np.intp]:
    off = _delay_residuals(run, prior, state)
    return np.rint(off / run.cycle_s[:, None]).astype(np.intp)


def _consistent(run: CalibrationRun, prior: CalibrationPrior, state: State) -> NDArray[np.bool_]:
    squares = np.sum(whitened_residuals(run, prior, state) ** 2, axis=-1)
    return chdtrc(np.maximum(run.delays_measured, 1).astype(float), squares) > _OUTLIER


def _without_sources(information: Floats, prior: CalibrationPrior) -> Floats:
    """Information (..., q, q) about all that is shared, with the sources' errors integrated out."""
    p = len(prior.calibration_sd)
    cross, own = information[..., :p, p:], information[..., p:, p:]
    solved = np.linalg.solve(own + np.eye(own.shape[-1]), np.swapaxes(cross, -1, -2))
    left = information[..., :p, :p] - cross @ solved
    return 0.5 * (left + np.swapaxes(left, -1, -2))


def _answer(
    run: CalibrationRun,
    prior: CalibrationPrior,
    state: State,
    cycles: NDArray[np.intp],
    kept: NDArray[np.bool_],
    settled: NDArray[np.bool_],
) -> Calibration:
    sd, p = prior.shared_sd, len(prior.calibration_sd)
    whole = normal_equations(run, prior, state, kept.astype(float)).information
    covariance = posterior_covariance(whole, sd)
    batch = state.shared.shape[:-1]
    squares = np.sum(whitened_residuals(run, prior, state) ** 2, axis=-1)
    chi2 = np.sum(kept * squares, axis=-1) + np.sum(state.shared**2, -1) + np.sum(state.pose**2, axis=(-1, -2))
    dof = np.sum(kept * run.delays_measured, axis=-1)
    p_value = np.where(dof > 0, chdtrc(np.maximum(dof, 1).astype(float), chi2), 1.0)
    count = np.maximum(run.delays_measured, 1)
    before, after = (
        np.sqrt(np.sum(_delay_residuals(run, prior, s) ** 2, axis=-1) / count) for s in (_nominal(run, prior), state)
    )
    few = kept.sum(axis=-1) < _LEAST_KEPT * np.sum(run.delays_measured > 0)
    poor = p_value < _INCONSISTENT
    return Calibration(
        parameters=state.shared[..., :p] * sd[:p],
        covariance=covariance[..., :p, :p],
        prior_sd=sd[:p],
        information=_without_sources(whole, prior),
        source_error_m=(state.shared * sd)[..., p:].reshape(*batch, -1, 3),
        source_sd_m=np.sqrt(np.diagonal(covariance, axis1=-2, axis2=-1)[..., p:]).reshape(*batch, -1, 3),
        cycles=cycles,
        kept=kept,
        rms_before_s=before,
        rms_after_s=after,
        chi2=chi2,
        dof=dof,
        p_value=p_value,
        ok=settled & ~few & ~poor,
        reason=np.select([~settled, few, poor], [NOT_SETTLED, MANY_REJECTED, TOO_FAR], default=""),
    )
