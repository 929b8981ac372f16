"""Time differences between hydrophones with their covariance: what every estimator after this one is given."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.io.ping import Ping
from acoustics.physics.tdoa import difference_matrix


@record
class Tdoa:
    """Time differences of all hydrophones but the reference, in the order of the hydrophones, against the reference.

    Parameters
    ----------
    tdoa_s : array_like, shape (..., n_hydrophones - 1)
        ``t_i - t_reference`` [s], positive when hydrophone i hears later. NaN marks a delay that was not
        measured; the estimators answer such a trial with ``ok=False``.
    covariance_s2 : array_like, shape (n_hydrophones - 1, n_hydrophones - 1) or (..., same)
        Covariance of the errors [s^2], the part that the reference brings to all delays included. One matrix
        serves the whole batch.
    reference : int
        Index of the reference hydrophone.

    Raises
    ------
    ParameterError
        If the shapes do not fit each other or the reference is not one of the hydrophones.
    """

    tdoa_s: Floats
    covariance_s2: Floats
    reference: int = 0

    def __post_init__(self) -> None:
        delay, covariance = (np.asarray(a, dtype=float) for a in (self.tdoa_s, self.covariance_s2))
        object.__setattr__(self, "tdoa_s", delay)
        object.__setattr__(self, "covariance_s2", covariance)
        if delay.ndim < 1 or delay.shape[-1] < 1:
            raise ParameterError(f"tdoa_s has shape {delay.shape}: expected (..., n_hydrophones - 1)")
        k = delay.shape[-1]
        if covariance.shape[-2:] != (k, k) or not _fits(covariance.shape[:-2], delay.shape[:-1]):
            raise ParameterError(
                f"covariance_s2 has shape {covariance.shape}: expected ({k}, {k})"
                f" or {(*delay.shape[:-1], k, k)} for tdoa_s of shape {delay.shape}"
            )
        if not 0 <= self.reference <= k:
            raise ParameterError(f"reference={self.reference}: expected an index from 0 to {k}")

    @property
    def n_hydrophones(self) -> int:
        """Number of hydrophones, the reference included."""
        return self.tdoa_s.shape[-1] + 1


def _fits(shape: tuple[int, ...], batch: tuple[int, ...]) -> bool:
    """Whether an array of leading `shape` broadcasts to `batch` without enlarging it."""
    try:
        return np.broadcast_shapes(shape, batch) == batch
    except ValueError:
        return False


def tdoa_from_toa(times_s: ArrayLike, variance_s2: ArrayLike, *, reference: int = 0) -> Tdoa:
    """Time differences of independently measured arrival times.

    Parameters
    ----------
    times_s : array_like, shape (..., n_hydrophones)
        Arrival times on one common clock [s].
    variance_s2 : array_like, shape () or (n_hydrophones,) or (..., n_hydrophones)
        Variance of each arrival time [s^2].
    reference : int
        Index of the hydrophone that the delays are taken against.

    Returns
    -------
    Tdoa
        With covariance ``D diag(variance) D^T``, where D takes the differences.

    Raises
    ------
    ParameterError
        For fewer than two hydrophones, a shape that does not fit, a negative variance, an unknown reference.
    """
    times, variance = np.asarray(times_s, dtype=float), np.asarray(variance_s2, dtype=float)
    if times.ndim < 1 or times.shape[-1] < 2:
        raise ParameterError(f"times_s has shape {times.shape}: expected (..., n_hydrophones), at least 2 of them")
    n = times.shape[-1]
    if not _fits(variance.shape, times.shape):
        raise ParameterError(f"variance_s2 has shape {variance.shape}: expected (), ({n},) or {times.shape}")
    if np.any(variance < 0):
        raise ParameterError(f"variance_s2={float(np.nanmin(variance))}: expected no negative value")
    if not 0 <= reference < n:
        raise ParameterError(f"reference={reference}: expected an index from 0 to {n - 1}")
    differences = difference_matrix(n, reference)
    variance = np.broadcast_to(variance, (*variance.shape[:-1], n))
    return Tdoa(times @ differences.T, (differences * variance[..., None, :]) @ differences.T, reference)


def tdoa_of(ping: Ping) -> Tdoa:
    """The time differences of a located ping, as the estimators take them.

    Raises
    ------
    ParameterError
        If none were measured.
    """
    return Tdoa(ping.tdoa_s, ping.single_covariance_s2, ping.reference)
