"""How often the carrier's phase is taken for the wrong cycle, and what that does to the bearing.

A delay measured by the carrier's phase is fine but known modulo one period; the envelope's delay is coarse
but not ambiguous. An estimator that weighs both for all hydrophones together picks the cycles whose direction
fits best. It errs when noise brings the measurements nearer to another set of cycles than to the true one:
half the distance between the two, in standard deviations. This threshold is why the Cramer-Rao bound alone is
too small at a low signal-to-noise ratio.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc, ndtr

from acoustics.accuracy.ambiguity.candidates import CandidateSets, Rows, Towards
from acoustics.accuracy.ambiguity.lattice import LARGEST_DIMENSION, coefficients
from acoustics.accuracy.ambiguity.mistakes import Wins, mistake_probability, winning_shares
from acoustics.accuracy.ambiguity.model import CycleModel, cycle_model
from acoustics.accuracy.ambiguity.wrong_bearings import error_by_row, error_of_sets, jump
from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.tdoa import difference_matrix

_CHUNK = 60_000  # candidate directions looked at together: their tables stay in the cache
_OFTEN = 0.03  # from this probability on the competition of several wrong sets counts
_MOST_ALTERNATIVES = 64  # the likeliest wrong sets that then compete
_LIKELY = 1e-5  # of these, such as win by themselves in so much of the noise: a fiftieth of a point of the fixed set
# From this part of a row's mistakes on a set counts in the error, as the widest jump is 100 short ones, and from this
# share of the pings on, which moves no error by a hundredth of a degree.
_COUNTS, _NEVER = 1e-6, 1e-10


@record
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
        Change of the bearing by that set, without noise [rad].
    wrong_bearing_rms : ndarray, shape (...)
        Root mean square bearing error with wrong cycles, of any set, with the noise that goes with a mistake [rad].
    """

    wrong_probability: Floats
    cycles: NDArray[np.int64]
    bearing_jump: Floats
    wrong_bearing_rms: Floats


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
    common_variance_s2: ArrayLike = 0.0,
    carrier_shift_s: ArrayLike | None = None,
    envelope_shift_s: ArrayLike | None = None,
    visible_only: bool = True,
    with_errors: bool = True,
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
        Variances of each arrival time by the carrier's phase and by the envelope, not of differences [s^2]. The
        envelope's is that of `cycle_choice_variance`: by its Cramer-Rao bound too few cycles of a burst that begins
        with a corner are wrong.
    common_variance_s2 : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Of what moves both alike, such as a channel's skew and its hydrophone's place [s^2].
    carrier_shift_s, envelope_shift_s : array_like, shape (..., n_hydrophones), optional
        What moves the arrival times by the carrier and by the envelope, alike in every ping and not known to the
        estimator, such as echoes [s].
    visible_only : bool
        Whether the estimator admits only directions that exist, as it should. Then a spacing of up to half a
        wavelength is free of ambiguity. If False any delays of a plane wave's form compete.
    with_errors : bool
        Whether bearing errors are wanted, which take some third of the time; else `wrong_bearing_rms` is NaN.

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
    good to 0.006. The bearing error with a wrong set is that of its jump and of the noise with which it wins; of
    both, directions that do not exist are put back on the surface of those that do at its tangent.

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
    common = np.atleast_1d(checked("common_variance_s2", common_variance_s2, minimum=0.0, allow_infinite=True))
    b, d = checked("bearing", bearing), checked("depression", depression)

    # The lattice does not depend on the direction, so it is worked out once for each array.
    variances = np.broadcast_shapes(*(one.shape[:-1] for one in (fine, coarse, common)))
    arrays = np.broadcast_shapes(points.shape[:-2], speed.shape, period.shape, variances)
    model = cycle_model(
        np.broadcast_to(points, (*arrays, n, 3)).reshape(-1, n, 3),
        np.broadcast_to(speed, arrays).ravel(),
        np.broadcast_to(period, arrays).ravel(),
        *(np.broadcast_to(one, (*arrays, n)).reshape(-1, n) for one in (fine, coarse, common)),
    )
    shifts = {
        name: checked(name, shift)
        for name, shift in [("carrier_shift_s", carrier_shift_s), ("envelope_shift_s", envelope_shift_s)]
        if shift is not None
    }
    rows = np.broadcast_shapes(arrays, b.shape, d.shape, *(shift.shape[:-1] for shift in shifts.values()))
    towards = Towards(
        np.broadcast_to(np.arange(model.metric.shape[0]).reshape(arrays), rows).ravel(),
        np.broadcast_to(b, rows).ravel(),
        np.broadcast_to(d, rows).ravel(),
        {name: _in_cycles(shift / period[..., None], rows, n) for name, shift in shifts.items()},
    )
    step = max(1, _CHUNK // coefficients(n - 1)[0].shape[0])
    parts = []
    for i in range(0, len(towards.bearing), step):
        used, part = towards.part(slice(i, i + step))
        parts.append(_weigh(model.of(used), part, visible_only, with_errors))
    probability, cycles, jump, rms = (np.concatenate(column) for column in zip(*parts, strict=True))
    return CycleAmbiguity(
        probability.reshape(rows), cycles.reshape(*rows, n - 1), jump.reshape(rows), rms.reshape(rows)
    )


def _in_cycles(shift: Floats, rows: tuple[int, ...], n: int) -> Floats:
    """Of delays against hydrophone 0, (n_rows, n - 1), of those of n arrival times."""
    return (np.broadcast_to(shift, (*rows, n)) @ difference_matrix(n).T).reshape(-1, n - 1)


def mixture_bearing_rms(right_rms: ArrayLike, wrong_probability: ArrayLike, wrong_rms: ArrayLike) -> Floats:
    """Root mean square bearing error when the cycle is sometimes wrong.

    Parameters
    ----------
    right_rms : array_like, shape (...)
        Root mean square error with the right cycle [rad, or any one unit].
    wrong_probability : array_like, shape (...)
        From `integer_ambiguity`.
    wrong_rms : array_like, shape (...)
        Root mean square error with a wrong cycle, from there too [as `right_rms`].

    Returns
    -------
    ndarray, shape (...)
        ``sqrt((1 - p) right^2 + p wrong^2)``.
    """
    right = checked("right_rms", right_rms, minimum=0.0)
    p = checked("wrong_probability", wrong_probability, minimum=0.0, maximum=1.0)
    return np.sqrt((1.0 - p) * right**2 + p * np.asarray(wrong_rms, dtype=float) ** 2)


def _weigh(
    model: CycleModel, towards: Towards, visible_only: bool, with_errors: bool
) -> tuple[Floats, NDArray[np.int64], Floats, Floats]:
    """Probability of any error, likeliest error, its jump and the rms error with one, for directions of arrays."""
    sets = CandidateSets.of(model, towards)
    rivals = sets.rivals
    p = mistake_probability(rivals) if visible_only else ndtr(-(rivals.distance / 2 + rivals.drift))
    # No three points of a sphere are in line, so there no set is made needless by shorter ones.
    wrong, shares = (_combine_all if visible_only and model.rank == 3 else _combine_classes)(p, sets.parity)
    # The two neighbours of a pair exclude each other: exact as it is.
    often = np.flatnonzero((wrong > _OFTEN) & (sets.vectors.shape[-1] > 1))
    square = np.full(len(wrong), np.nan)
    if with_errors:
        seldom = np.delete(np.arange(len(wrong)), often)
        square = _square_of_all(model, towards, sets, wrong, seldom, shares)
    if len(often):
        wrong[often], shares[often], wins = _by_noise(towards, sets, often, p[often], visible_only)
        if with_errors:
            square[often] = error_by_row(model, towards, sets, often, wins)
    row, likeliest = np.arange(len(wrong)), shares.argmax(axis=1)
    cycles = np.einsum("bij,bj->bi", sets.basis[towards.of_array], sets.combinations[likeliest])
    possible = shares[row, likeliest] > 0
    return (
        wrong,
        np.where(possible[:, None], np.rint(cycles), 0).astype(np.int64),
        np.where(possible, jump(model, towards, sets, row, likeliest), 0.0),
        np.sqrt(square),
    )


def _square_of_all(
    model: CycleModel, towards: Towards, sets: CandidateSets, wrong: Floats, rows: Rows, shares: Floats
) -> Floats:
    """Mean square bearing error with wrong cycles, (n_rows,) [rad^2], over sets by their shares; of some rows, else 0.

    Sets that hardly ever win do not count; most of all are such.
    """
    of_row, of_set = np.nonzero(shares[rows] > np.maximum(_COUNTS * wrong[rows], _NEVER)[:, None])
    of_row = rows[of_row]
    share = shares[of_row, of_set]
    error = share * error_of_sets(model, towards, sets, of_row, of_set)
    total, square = (np.bincount(of_row, weights=part, minlength=len(wrong)) for part in (share, error))
    return np.divide(square, total, out=np.zeros(len(wrong)), where=total > 0)


def _by_noise(
    towards: Towards, sets: CandidateSets, rows: Rows, p: Floats, visible_only: bool
) -> tuple[Floats, Floats, Wins]:
    """Of rows in which many sets compete: probability of any error and shares of all sets on a fixed set of noise, and
    where they win; p, (n_rows, n_candidates), is each set's probability apart from the others."""
    alternatives = np.argsort(-p, axis=1)[:, :_MOST_ALTERNATIVES]
    rivals = sets.rivals.some(rows, alternatives)
    vectors = sets.vectors[towards.of_array[rows, None], alternatives]
    likely = np.take_along_axis(p, alternatives, axis=1) > _LIKELY
    won, wins = winning_shares(vectors, rivals, likely, towards.of_noise[rows], visible_only=visible_only)
    shares = np.zeros_like(p)
    np.put_along_axis(shares, alternatives, won, axis=1)
    return won.sum(axis=1), shares, replace(wins, candidate=alternatives[wins.row, wins.candidate])


def _combine_all(p: Floats, parity: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Probability that any set wins, all counted, and each one's share."""
    return 1.0 - np.prod(1.0 - p, axis=1), p


def _combine_classes(p: Floats, parity: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """The same with the likeliest of each class and sign counted alone."""
    classes, starts, counts = np.unique(parity, return_index=True, return_counts=True)
    halves = p.reshape(len(p), 2, -1)
    worst = np.where(classes > 0, np.maximum.reduceat(halves, starts, axis=2), 0.0)
    shares = np.where(halves == np.repeat(worst, counts, axis=2), halves, 0.0).reshape(p.shape)
    # Opposite sets exclude each other, so their probabilities add; not quite where the right one is off what exists.
    return 1.0 - np.prod(1.0 - np.minimum(worst.sum(axis=1), 1.0), axis=1), shares
