"""Fisher information of arrival times as matrices: built, freed of nuisance parameters, inverted."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats

Bools = NDArray[np.bool_]

# Eigenvalues below this part of the largest are rounding: the parameters along them are not observed. The
# widest legitimate ratio of standard deviations, range against cross-range, is then 3e4, beyond any use.
_EIGENVALUE_ROUNDING = 1e-9
# A picosecond, 1.5 nm of water, is below any measurement; finer ones leave the priors no figures to count in.
_NEGLIGIBLE_S = 1e-12
# Part of an unobserved unit vector that a parameter must hold to count as unobserved itself.
_PARTICIPATION = 1e-6


def independent_variance(
    arrival_variance_s2: ArrayLike,
    *,
    n_channels: int,
    sound_speed_m_s: ArrayLike,
    element_sd_m: ArrayLike = 0.0,
    skew_sd_s: ArrayLike = 0.0,
) -> Floats:
    """Variance of each channel's arrival time with the errors that touch that channel alone.

    Parameters
    ----------
    arrival_variance_s2 : array_like, shape (..., n_channels), (..., 1) or ()
        Variance of each arrival time from noise [s^2].
    n_channels : int
        Number of hydrophones.
    sound_speed_m_s : array_like, shape (...)
        Sound speed [m/s].
    element_sd_m : array_like, shape (..., n_channels), (..., 1) or ()
        Standard deviation of each hydrophone's position along each axis [m]. Only its part along the ray
        delays the arrival, and that has the same standard deviation whatever the direction.
    skew_sd_s : array_like, shape (..., n_channels), (..., 1) or ()
        Standard deviation of each channel's time offset [s].

    Returns
    -------
    ndarray, shape (..., n_channels)
        ``variance + skew^2 + (element / c)^2`` [s^2], the first of at least 1e-24.

    Raises
    ------
    ParameterError
        For a variance not above zero or a negative standard deviation.
    """
    variance = checked("arrival_variance_s2", arrival_variance_s2, above=0.0, allow_infinite=True)
    element = checked("element_sd_m", element_sd_m, minimum=0.0)
    skew = checked("skew_sd_s", skew_sd_s, minimum=0.0)
    speed = checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    total = np.maximum(variance, _NEGLIGIBLE_S**2) + skew**2 + (element / speed[..., None]) ** 2
    return np.broadcast_to(total, (*total.shape[:-1], n_channels))


def arrival_information(jacobian: ArrayLike, variance_s2: ArrayLike) -> Floats:
    """Fisher information of independent arrival times whose common emission time is unknown.

    Parameters
    ----------
    jacobian : array_like, shape (..., n_channels, n_parameters)
        Derivative of the arrival times by the parameters.
    variance_s2 : array_like, shape (..., n_channels)
        Variances of the arrival times [s^2].

    Returns
    -------
    ndarray, shape (..., n_parameters, n_parameters)

    Notes
    -----
    The Schur complement of the emission time is the weighted scatter of the derivatives about their weighted
    mean. Written so it keeps the figures that a far source takes away: its derivatives are nearly alike. It
    equals ``G^T (D V D^T)^-1 G`` of the delays against any reference (D from `difference_matrix`, G = D J).
    """
    derivative = np.asarray(jacobian, dtype=float)
    weight = (1.0 / np.asarray(variance_s2, dtype=float))[..., None]
    total = weight.sum(axis=-2, keepdims=True)
    weighted = (weight * derivative).sum(axis=-2, keepdims=True)
    mean = np.divide(weighted, total, out=np.zeros_like(weighted), where=total > 0)
    centred = derivative - mean
    return np.swapaxes(weight * centred, -1, -2) @ centred


def shared_error_columns(**parts: tuple[Floats, ArrayLike]) -> Floats:
    """Derivatives by shared errors, side by side, in units of each error's standard deviation.

    In these units each has a prior information of 1. Errors that are known to be zero are left out.

    Parameters
    ----------
    parts : (jacobian, sd), under the name of the standard deviation
        Derivative, shape (..., n_channels, k), and standard deviation, shape (..., k), (..., 1) or ().

    Returns
    -------
    ndarray, shape (..., n_channels, sum of k of those that are not)
    """
    scaled = [
        (derivative, np.atleast_1d(checked(name, sd, minimum=0.0))[..., None, :])
        for name, (derivative, sd) in parts.items()
    ]
    batch = np.broadcast_shapes(*(part.shape[:-1] for pair in scaled for part in pair))
    columns = [np.broadcast_to(of * sd, (*batch, of.shape[-1])) for of, sd in scaled if sd.any()]
    return np.concatenate([np.zeros((*batch, 0)), *columns], axis=-1)


def information_with_shared_errors(kept: Floats, shared: Floats, variance_s2: Floats) -> tuple[Floats, Floats]:
    """Information about the kept parameters: from timing alone, and with the shared errors eliminated.

    Parameters
    ----------
    kept : ndarray, shape (..., n_channels, k)
        Derivative by the parameters of interest.
    shared : ndarray, shape (..., n_channels, m)
        From `shared_error_columns`.
    variance_s2 : ndarray, shape (..., n_channels)
        From `independent_variance`.

    Returns
    -------
    tuple of ndarray, shapes (..., k, k)
    """
    batch = np.broadcast_shapes(kept.shape[:-1], shared.shape[:-1], variance_s2.shape)
    columns = [np.broadcast_to(part, (*batch, part.shape[-1])) for part in (kept, shared)]
    n_kept = kept.shape[-1]
    information = arrival_information(np.concatenate(columns, axis=-1), variance_s2)
    prior = np.diag(np.r_[np.zeros(n_kept), np.ones(shared.shape[-1])])
    return information[..., :n_kept, :n_kept], eliminate_nuisance(information + prior, n_kept)


def eliminate_nuisance(information: ArrayLike, n_keep: int) -> Floats:
    """Information left about the first parameters when the others are not known: the Schur complement.

    Parameters
    ----------
    information : array_like, shape (..., n, n)
        Fisher information of all the parameters, priors included, those of interest first.
    n_keep : int
        How many are of interest.

    Returns
    -------
    ndarray, shape (..., n_keep, n_keep)
        ``A - B C^-1 B^T``, the inverse of the leading block of the inverse.

    Raises
    ------
    ParameterError
        If a nuisance parameter has neither a prior nor information of its own.
    """
    full = np.asarray(information, dtype=float)
    cross = full[..., :n_keep, n_keep:]
    try:
        solved = np.linalg.solve(full[..., n_keep:, n_keep:], np.swapaxes(cross, -1, -2))
    except np.linalg.LinAlgError as error:
        raise ParameterError("information of the nuisance parameters is singular: give each a prior") from error
    left = full[..., :n_keep, :n_keep] - cross @ solved
    return 0.5 * (left + np.swapaxes(left, -1, -2))


def covariance_from_information(information: ArrayLike) -> tuple[Floats, Bools]:
    """Invert Fisher information, with infinity for what is not observed.

    Parameters
    ----------
    information : array_like, shape (..., n, n)
        Fisher information of parameters of like scale.

    Returns
    -------
    covariance : ndarray, shape (..., n, n)
        Inverse. A parameter that takes part in an unobserved combination has variance infinity and covariance
        0.
    observable : ndarray of bool, shape (..., n)
        Which parameters are observed.
    """
    value, vector = np.linalg.eigh(np.asarray(information, dtype=float))
    seen = value > _EIGENVALUE_ROUNDING * np.maximum(value[..., -1:], 0.0)
    inverse = np.divide(1.0, value, out=np.zeros_like(value), where=seen)
    covariance = (vector * inverse[..., None, :]) @ np.swapaxes(vector, -1, -2)
    hidden = np.where(seen[..., None, :], 0.0, np.abs(vector)).max(axis=-1)
    observable = hidden < _PARTICIPATION
    both = observable[..., :, None] & observable[..., None, :]
    covariance = np.where(both, covariance, 0.0)
    unobserved = ~observable[..., :, None] & np.eye(value.shape[-1], dtype=bool)
    return np.where(unobserved, np.inf, covariance), observable
