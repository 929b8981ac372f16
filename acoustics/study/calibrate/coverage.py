"""Does a calibration know how good it is? Its errors over many runs against the covariance that it states."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.record import record
from acoustics.base.regions import mahalanobis_squared
from acoustics.estimate.calibrate import Integers


@record
class SessionErrors:
    """Of all runs, (n_runs, p): errors, and those with positions in place of offsets; each with covariances.

    Beside them, (n_runs,): whether the calibration may be used, and how many pings were a cycle off, have the right
    cycles, and are left out.
    """

    error: Floats
    covariance: Floats
    placed_error: Floats
    placed_covariance: Floats
    ok: NDArray[np.bool_]
    wrong_integers: Integers
    pings_right: Integers
    left_out: Integers


def coverage_of(outcome: SessionErrors, prior_sd: Floats, n: int) -> dict[str, Interval]:
    """Share of usable runs whose stated 95 % region holds the truth, by kind of parameter, n hydrophones.

    Positions count with the rotation applied: offsets and rotation can be traded for each other along a curve, on
    which the positions hardly move.
    """
    p = np.arange(len(prior_sd))
    placed = (outcome.placed_error, outcome.placed_covariance)
    given = (outcome.error, outcome.covariance)
    kinds = {
        "positions, rotation applied": (p[: 3 * n], placed),
        "channel delays": (p[3 * n : 4 * n], given),
        "sound speed": (p[4 * n : 4 * n + 1], given),
        "rotation": (p[4 * n + 1 :], given),
        "all parameters at once": (p, given),
    }
    answer = {}
    for name, (which, errors) in kinds.items():
        which = which[prior_sd[which] > 0]
        square = _squares(*errors, outcome.ok, which, prior_sd)
        if which.size and square.size:
            answer[name] = rate_interval(int(np.sum(square <= chdtri(which.size, 0.05))), square.size)
    return answer


def _squares(error: Floats, covariance: Floats, ok: NDArray[np.bool_], which: Integers, prior_sd: Floats) -> Floats:
    """Squared errors in units of their covariance, shape (n_ok,), of some of the parameters."""
    scale = prior_sd[which]
    scaled = covariance[ok][:, which[:, None], which] / scale[:, None] / scale
    return mahalanobis_squared(error[ok][:, which] / scale, scaled)


def normalised_square(outcome: SessionErrors, prior_sd: Floats) -> Interval:
    """Mean squared error of all parameters in units of its stated covariance, over its expectation, with 95 %."""
    which = np.flatnonzero(prior_sd > 0)
    square = _squares(outcome.error, outcome.covariance, outcome.ok, which, prior_sd) / max(which.size, 1)
    if square.size < 2:
        return Interval(np.nan, np.nan, np.nan)
    reach = float(ndtri(0.975)) * float(square.std(ddof=1)) / np.sqrt(square.size)
    return Interval(float(square.mean()), float(square.mean() - reach), float(square.mean() + reach))
