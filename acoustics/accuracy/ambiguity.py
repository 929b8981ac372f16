"""How often the carrier's phase is taken for the wrong cycle, and what that does to the bearing.

A delay measured by the carrier's phase is fine but known modulo one period; the envelope's delay is coarse
but not ambiguous. An estimator that weighs both for all hydrophones together picks the cycles whose direction
fits best. It errs when noise brings the measurements nearer to another set of cycles than to the true one:
half the distance between the two, in standard deviations. This threshold is why the Cramer-Rao bound alone is
too small at a low signal-to-noise ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc, ndtr

from acoustics.accuracy.cycle_lattice import LARGEST_DIMENSION, coefficients, reduced_basis
from acoustics.accuracy.cycle_model import (
    IMPOSSIBLE_DISTANCE,
    CycleModel,
    bearing_change,
    cycle_model,
    mistake_probability,
)
from acoustics.errors import ParameterError
from acoustics.geometry import Floats, direction
from acoustics.physics._checks import checked

_CHUNK = 1_000_000  # candidate directions looked at together, for the memory


@dataclass(frozen=True)
class CycleAmbiguity:
    """Chance and effect of wrong cycles.

    Attributes
    ----------
    wrong_probability : ndarray, shape (...)
        Probability that any hydrophone's cycle is wrong.
    cycles : ndarray of int, shape (..., n_hydrophones - 1)
        The likeliest wrong set: cycles added to the delays against hydrophone 0. All 0 where none is
        possible.
    bearing_jump : ndarray, shape (...)
        Change of the bearing by that set [rad].
    bearing_jump_rms : ndarray, shape (...)
        Root mean square over all wrong sets, weighted by their probabilities [rad].
    """

    wrong_probability: Floats
    cycles: NDArray[np.int64]
    bearing_jump: Floats
    bearing_jump_rms: Floats


def wrong_cycle_probability_pair(coarse_delay_sd_s: ArrayLike, frequency_hz: ArrayLike) -> Floats:
    """Probability that a coarse delay picks the wrong cycle of a carrier for one pair of hydrophones.

    Parameters
    ----------
    coarse_delay_sd_s : array_like, shape (...)
        Standard deviation of the coarse delay less the carrier's [s].
    frequency_hz : array_like, shape (...)
        Carrier frequency [Hz].

    Returns
    -------
    ndarray, shape (...)
        ``P(|error| > 1 / (2 f)) = erfc(1 / (2 f) / (sqrt(2) sd))``.

    Raises
    ------
    ParameterError
        A negative deviation or a frequency that is not positive.
    """
    sd = checked("coarse_delay_sd_s", coarse_delay_sd_s, minimum=0.0)
    half = 0.5 / checked("frequency_hz", frequency_hz, above=0.0)
    half, sd = np.broadcast_arrays(half, sd)
    return erfc(np.divide(half, np.sqrt(2.0) * sd, out=np.full(sd.shape, np.inf), where=sd > 0))


def cycle_ambiguity(
    hydrophones_m: ArrayLike,
    bearing: ArrayLike,
    depression: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    frequency_hz: ArrayLike,
    carrier_variance_s2: ArrayLike,
    envelope_variance_s2: ArrayLike,
    visible_only: bool = True,
) -> CycleAmbiguity:
    """Probability of wrong cycles for the joint search over all hydrophones.

    Parameters
    ----------
    hydrophones_m : array_like, shape (..., n_hydrophones, 3)
        Positions in the body frame [m], 2 to 8 of them. The arrays of a batch must be all lines, all planes
        or all volumes.
    bearing, depression : array_like, shape (...)
        Direction of the pinger [rad].
    sound_speed_m_s : array_like, shape (...)
        Sound speed [m/s].
    frequency_hz : array_like, shape (...)
        Carrier frequency [Hz].
    carrier_variance_s2, envelope_variance_s2 : array_like, shape (..., n_hydrophones) or ()
        Variances of each arrival time by the carrier's phase and by the envelope, not of differences [s^2].
        Errors common to both, such as a channel's skew, belong to the carrier's only.
    visible_only : bool
        Whether the estimator admits only directions that exist, as it should. Then a spacing of up to half a
        wavelength is free of ambiguity. If False any delays of a plane wave's form compete.

    Returns
    -------
    CycleAmbiguity

    Raises
    ------
    ParameterError
        More than 8 hydrophones, arrays of unlike rank in one batch, an argument out of its range.

    Notes
    -----
    With d the distance of a wrong set of cycles, it beats the right one with probability Q(d / 2). The sets
    that matter (at most one pair of opposites of each parity class) are combined as if independent, ``1 -
    prod(1 - p)``: an upper bound where every direction exists (the Gaussian correlation inequality), close to
    the truth when errors are rare, and exact for two hydrophones.

    References
    ----------
    Teunissen (1998), Journal of Geodesy 72:606-612 (success rates of integer least squares).
    """
    points = checked("hydrophones_m", hydrophones_m)
    if points.ndim < 2 or points.shape[-1] != 3 or not 2 <= points.shape[-2] <= LARGEST_DIMENSION + 1:
        raise ParameterError(f"hydrophones_m has shape {points.shape}: it must be (..., n, 3) with n from 2 to 8")
    n = points.shape[-2]
    speed = checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    period = 1.0 / checked("frequency_hz", frequency_hz, above=0.0)
    fine, coarse = (
        np.atleast_1d(checked(name, variance, above=0.0, allow_infinite=True))
        for name, variance in [
            ("carrier_variance_s2", carrier_variance_s2),
            ("envelope_variance_s2", envelope_variance_s2),
        ]
    )
    b, d = checked("bearing", bearing), checked("depression", depression)

    # The lattice does not depend on the direction, so it is worked out once for each array.
    variances = np.broadcast_shapes(fine.shape[:-1], coarse.shape[:-1])
    arrays = np.broadcast_shapes(points.shape[:-2], speed.shape, period.shape, variances)
    model = cycle_model(
        np.broadcast_to(points, (*arrays, n, 3)).reshape(-1, n, 3),
        np.broadcast_to(speed, arrays).ravel(),
        np.broadcast_to(period, arrays).ravel(),
        np.broadcast_to(fine, (*arrays, n)).reshape(-1, n),
        np.broadcast_to(coarse, (*arrays, n)).reshape(-1, n),
    )
    rows = np.broadcast_shapes(arrays, b.shape, d.shape)
    of_array = np.broadcast_to(np.arange(model.metric.shape[0]).reshape(arrays), rows).ravel()
    b, d = np.broadcast_to(b, rows).ravel(), np.broadcast_to(d, rows).ravel()

    sets = _candidate_sets(model)
    step = max(1, _CHUNK // sets.combinations.shape[0])
    parts = [
        _weigh(model, sets, of_array[i : i + step], b[i : i + step], d[i : i + step], visible_only)
        for i in range(0, len(b), step)
    ]
    probability, cycles, jump, rms = (np.concatenate(column) for column in zip(*parts, strict=True))
    return CycleAmbiguity(
        probability.reshape(rows), cycles.reshape(*rows, n - 1), jump.reshape(rows), rms.reshape(rows)
    )


def mixture_bearing_rms(fine_sd: ArrayLike, wrong_probability: ArrayLike, jump_rms: ArrayLike) -> Floats:
    """Root mean square bearing error when the cycle is sometimes wrong.

    Parameters
    ----------
    fine_sd : array_like, shape (...)
        Standard deviation with the right cycle [rad].
    wrong_probability : array_like, shape (...)
        From `cycle_ambiguity`.
    jump_rms : array_like, shape (...)
        Root mean square jump with a wrong cycle [rad].

    Returns
    -------
    ndarray, shape (...)
        ``sqrt(fine^2 + p jump^2)`` [rad].
    """
    fine = checked("fine_sd", fine_sd, minimum=0.0, allow_infinite=True)
    p = checked("wrong_probability", wrong_probability, minimum=0.0, maximum=1.0)
    return np.sqrt(fine**2 + p * np.asarray(jump_rms, dtype=float) ** 2)


@dataclass(frozen=True)
class _CandidateSets:
    """Cycle errors worth a look, one of each pair of opposites: shapes (n_arrays, n_candidates, ...)."""

    combinations: NDArray[np.int64]
    parity: NDArray[np.int64]
    basis: Floats
    distance: Floats
    cosines: Floats


def _candidate_sets(model: CycleModel) -> _CandidateSets:
    combinations, parity = coefficients(model.metric.shape[-1])
    basis = reduced_basis(model.metric)
    short = np.swapaxes(basis, -1, -2) @ model.metric @ basis
    # By the Cholesky factor: the sum of squares cannot come out negative.
    factor = np.linalg.cholesky(short)
    distance = np.linalg.norm(combinations @ factor, axis=-1)
    near = distance.min(axis=0)
    keep = (near < IMPOSSIBLE_DISTANCE) | (near == near.min())
    combinations, parity, distance = combinations[keep], parity[keep], distance[:, keep]
    cosines = combinations @ np.swapaxes(model.cosines_per_cycle @ basis, -1, -2)
    return _CandidateSets(combinations, parity, basis, distance, cosines)


def _weigh(
    model: CycleModel,
    sets: _CandidateSets,
    of_array: NDArray[np.int64],
    b: Floats,
    d: Floats,
    visible_only: bool,
) -> tuple[Floats, NDArray[np.int64], Floats, Floats]:
    """Probability of any error, likeliest error, its jump and the rms jump for directions b, d of given
    arrays."""
    unit, axes = direction(b, d), model.axes[of_array]
    true = np.einsum("bij,bj->bi", axes[:, : model.rank], unit)
    distance, change = sets.distance[of_array], sets.cosines[of_array]
    # No three points of a sphere are in line, so there no set of errors is made needless by shorter ones.
    keep_all = visible_only and model.rank == 3
    classes, starts, counts = np.unique(sets.parity, return_index=True, return_counts=True)
    probabilities, jumps, chances = [], [], []
    for sign in (1, -1):
        cosines = true[:, None, :] + sign * change
        if visible_only:
            p = mistake_probability(distance, cosines, true, model.cosine_covariance[of_array])
        else:
            p = ndtr(-distance / 2)
        if not keep_all:
            worst = np.where(classes > 0, np.maximum.reduceat(p, starts, axis=1), 0.0)
            p = np.where(p == np.repeat(worst, counts, axis=1), p, 0.0)
        chances.append(p if keep_all else worst)
        probabilities.append(p)
        jumps.append(bearing_change(cosines, axes, b, d, unit))
    wrong = 1.0 - np.prod(np.maximum(1.0 - chances[0] - chances[1], 0.0), axis=1)

    p, jump = np.concatenate(probabilities, axis=1), np.concatenate(jumps, axis=1)
    total = p.sum(axis=1)
    rms = np.sqrt(np.divide((p * jump**2).sum(axis=1), total, out=np.zeros_like(total), where=total > 0))
    row, likeliest = np.arange(len(b)), p.argmax(axis=1)
    combination = np.concatenate([sets.combinations, -sets.combinations])[likeliest]
    cycles = np.rint(np.einsum("bij,bj->bi", sets.basis[of_array], combination)).astype(np.int64)
    possible = p[row, likeliest] > 0
    return wrong, np.where(possible[:, None], cycles, 0), np.where(possible, jump[row, likeliest], 0.0), rms
