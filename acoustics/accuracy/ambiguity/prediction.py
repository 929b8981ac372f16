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

from acoustics.accuracy.ambiguity.lattice import LARGEST_DIMENSION, coefficients
from acoustics.accuracy.ambiguity.mistakes import (
    IMPOSSIBLE_DISTANCE,
    beyond_the_surface,
    mistake_probability,
    winning_shares,
)
from acoustics.accuracy.ambiguity.model import CycleModel, bearing_change, cycle_model
from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, direction
from acoustics.physics.lattice_reduction import reduced_basis

_CHUNK = 60_000  # candidate directions looked at together: their tables stay in the cache
_OFTEN = 0.03  # from this probability on the competition of several wrong sets counts
_MOST_ALTERNATIVES = 64  # the likeliest wrong sets that then compete


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


def wrong_integer_probability_pair(coarse_delay_sd_s: ArrayLike, frequency_hz: ArrayLike) -> Floats:
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


def integer_ambiguity(
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
    carrier_variance_s2, envelope_variance_s2 : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Variances of each arrival time by the carrier's phase and by the envelope, not of differences [s^2].
        Errors common to both, such as a channel's skew, belong to the carrier's only. The envelope's is that of
        `cycle_choice_variance`: by its Cramer-Rao bound too few cycles of a burst that begins with a corner are
        wrong.
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
    that matter (at most one pair of opposites of each parity class) are combined as if independent,
    ``1 - prod(1 - p)``: within a tenth of the truth when errors are rare, and exact for two hydrophones. Above
    a probability of 0.03 the 64 likeliest compete on a fixed set of 2,048 samples of noise instead, which is
    good to 0.006.

    References
    ----------
    Hassibi & Boyd (1998), IEEE Trans. Signal Processing 46:2938-2952 (integer parameters in linear models: the
    probability of the right ones and its bounds).
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

    step = max(1, _CHUNK // coefficients(n - 1)[0].shape[0])
    parts = []
    for part in (slice(i, i + step) for i in range(0, len(b), step)):
        used, of_used = np.unique(of_array[part], return_inverse=True)
        parts.append(_weigh(model.of(used), of_used, b[part], d[part], visible_only))
    probability, cycles, jump, rms = (np.concatenate(column) for column in zip(*parts, strict=True))
    return CycleAmbiguity(
        probability.reshape(rows), cycles.reshape(*rows, n - 1), jump.reshape(rows), rms.reshape(rows)
    )


def mixture_bearing_rms(fine_sd: ArrayLike, wrong_probability: ArrayLike, jump_rms: ArrayLike) -> Floats:
    """Root mean square bearing error when the cycle is sometimes wrong.

    Parameters
    ----------
    fine_sd : array_like, shape (...)
        Standard deviation with the right cycle [rad, or any one unit].
    wrong_probability : array_like, shape (...)
        From `integer_ambiguity`.
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
    """Cycle errors worth a look, opposites one half after the other: shapes (n_arrays, n_candidates, ...)."""

    combinations: NDArray[np.int64]
    parity: NDArray[np.int64]
    basis: Floats
    vectors: Floats
    cosines: Floats


def _candidate_sets(model: CycleModel) -> _CandidateSets:
    combinations, parity = coefficients(model.metric.shape[-1])
    basis = reduced_basis(model.metric)
    vectors = combinations @ np.linalg.cholesky(np.swapaxes(basis, -1, -2) @ model.metric @ basis)
    near = np.linalg.norm(vectors, axis=-1).min(axis=0)
    keep = (near < IMPOSSIBLE_DISTANCE) | (near == near.min())
    vectors, combinations, parity = vectors[:, keep], combinations[keep], parity[keep]
    combinations = np.concatenate([combinations, -combinations])
    vectors = np.concatenate([vectors, -vectors], axis=1)
    cosines = combinations @ np.swapaxes(model.cosines_per_cycle @ basis, -1, -2)
    return _CandidateSets(combinations, parity, basis, vectors, cosines)


def _weigh(
    model: CycleModel, of_array: NDArray[np.int64], b: Floats, d: Floats, visible_only: bool
) -> tuple[Floats, NDArray[np.int64], Floats, Floats]:
    """Probability of any error, likeliest error, its jump and the rms jump for directions b, d of given arrays."""
    sets = _candidate_sets(model)
    unit, axes, covariance = direction(b, d), model.axes[of_array], model.cosine_covariance[of_array]
    true = np.einsum("bij,bj->bi", axes[:, : model.rank], unit)
    cosines = true[:, None, :] + sets.cosines[of_array]
    distance = np.linalg.norm(sets.vectors, axis=-1)[of_array]
    excess, slope = beyond_the_surface(cosines, covariance)
    own_slope = beyond_the_surface(true[:, None, :], covariance)[1][:, 0]
    p = mistake_probability(distance, excess, slope, own_slope) if visible_only else ndtr(-distance / 2)
    # No three points of a sphere are in line, so there no set is made needless by shorter ones.
    wrong, shares = (_combine_all if visible_only and model.rank == 3 else _combine_classes)(p, sets.parity)

    # The two neighbours of a pair exclude each other: exact as it is.
    often = np.flatnonzero((wrong > _OFTEN) & (sets.vectors.shape[-1] > 1))
    if len(often):
        alternatives = np.argsort(-p[often], axis=1)[:, :_MOST_ALTERNATIVES]
        at = often[:, None], alternatives
        vectors = sets.vectors[of_array[often, None], alternatives]
        won = winning_shares(vectors, excess[at] if visible_only else None, slope[at], own_slope[often])
        wrong[often] = won.sum(axis=1)
        shares[often] = 0.0
        shares[at] = won

    # Only sets that ever win change the bearing, and these are few.
    jump, (of_row, of_set) = np.zeros_like(shares), np.nonzero(shares)
    jump[of_row, of_set] = bearing_change(
        cosines[of_row, None, of_set], axes[of_row], b[of_row], d[of_row], unit[of_row]
    )[:, 0]
    total = shares.sum(axis=1)
    rms = np.sqrt(np.divide((shares * jump**2).sum(axis=1), total, out=np.zeros_like(total), where=total > 0))
    row, likeliest = np.arange(len(b)), shares.argmax(axis=1)
    cycles = np.einsum("bij,bj->bi", sets.basis[of_array], sets.combinations[likeliest])
    possible = shares[row, likeliest] > 0
    return (
        wrong,
        np.where(possible[:, None], np.rint(cycles), 0).astype(np.int64),
        np.where(possible, jump[row, likeliest], 0.0),
        rms,
    )


def _combine_all(p: Floats, parity: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Probability that any set wins, all counted, and each one's share."""
    return 1.0 - np.prod(1.0 - p, axis=1), p


def _combine_classes(p: Floats, parity: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """The same with the likeliest of each class and sign counted alone."""
    classes, starts, counts = np.unique(parity, return_index=True, return_counts=True)
    halves = p.reshape(len(p), 2, -1)
    worst = np.where(classes > 0, np.maximum.reduceat(halves, starts, axis=2), 0.0)
    shares = np.where(halves == np.repeat(worst, counts, axis=2), halves, 0.0).reshape(p.shape)
    # Opposite sets exclude each other, so their probabilities add.
    return 1.0 - np.prod(1.0 - worst.sum(axis=1), axis=1), shares
