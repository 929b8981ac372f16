"""Do the residuals and the covariance of an estimate agree with each other, and with a known truth?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, erfc, gamma

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record


@record
class ErrorEllipse:
    """Semi-axes, in the unit of the errors, and the azimuth of the major one [rad], shape (...) each.

    The azimuth runs from the first coordinate towards the second, in (-pi/2, pi/2].
    """

    semi_major: Floats
    semi_minor: Floats
    azimuth: Floats


def chi_square_p_value(chi2: ArrayLike, dof: int) -> Floats:
    """Probability that residuals at least this large arise by chance, shape of `chi2`.

    With no degree of freedom left there is nothing to test and 1 is returned.
    """
    statistic = np.asarray(chi2, dtype=float)
    half = 0.5 * np.maximum(statistic, 0.0)
    if dof <= 0:
        return np.ones_like(statistic)
    if dof > 20:
        return chdtrc(float(dof), 2.0 * half)
    # The finite series for whole degrees of freedom, many times faster than the incomplete gamma function.
    total = np.zeros_like(half) if dof % 2 == 0 else erfc(np.sqrt(half))
    power = 0.0 if dof % 2 == 0 else 0.5
    term = np.exp(-half) * half**power / gamma(power + 1.0)
    while power < 0.5 * dof:
        total = total + term
        power += 1.0
        term = term * half / power
    return total


def error_ellipse(covariance: ArrayLike, *, probability: float = 0.95) -> ErrorEllipse:
    """Ellipse that holds the truth with a given probability, for a normal error with this covariance.

    Parameters
    ----------
    covariance : array_like, shape (..., 2, 2)
        Covariance of the two coordinates.
    probability : float
        In (0, 1).

    Returns
    -------
    ErrorEllipse
        Semi-axes ``sqrt(q lambda)``, with q the quantile of chi-square with 2 degrees of freedom,
        ``-2 ln(1 - probability)``.

    Raises
    ------
    ParameterError
        If the shape is not (..., 2, 2) or the probability is outside (0, 1).
    """
    matrix = np.asarray(covariance, dtype=float)
    if matrix.shape[-2:] != (2, 2):
        raise ParameterError(f"covariance has shape {matrix.shape}: expected (..., 2, 2)")
    _check_probability(probability)
    half_sum = 0.5 * (matrix[..., 0, 0] + matrix[..., 1, 1])
    half_difference = 0.5 * (matrix[..., 0, 0] - matrix[..., 1, 1])
    spread = np.hypot(half_difference, matrix[..., 0, 1])
    quantile = -2.0 * np.log1p(-probability)
    return ErrorEllipse(
        semi_major=np.sqrt(quantile * np.maximum(half_sum + spread, 0.0)),
        semi_minor=np.sqrt(quantile * np.maximum(half_sum - spread, 0.0)),
        azimuth=0.5 * np.arctan2(matrix[..., 0, 1], half_difference),
    )


def mahalanobis_squared(error: ArrayLike, covariance: ArrayLike) -> Floats:
    """``e^T C^-1 e``, shape (...), of errors of shape (..., p) under a covariance of shape (..., p, p)."""
    e = np.asarray(error, dtype=float)
    return np.sum(e * np.linalg.solve(np.asarray(covariance, dtype=float), e[..., None])[..., 0], axis=-1)


def inside_region(error: ArrayLike, covariance: ArrayLike, *, probability: float = 0.95) -> NDArray[np.bool_]:
    """Whether errors of shape (..., p) lie within the ellipsoid of their covariance, shape (...).

    The mean over many trials is the coverage, to be compared with `probability`.
    """
    _check_probability(probability)
    e = np.asarray(error, dtype=float)
    return mahalanobis_squared(e, covariance) <= chdtri(float(e.shape[-1]), 1.0 - probability)


def _check_probability(probability: float) -> None:
    if not 0.0 < probability < 1.0:
        raise ParameterError(f"probability={probability}: expected a value between 0 and 1")
