"""Batches flattened: one row for each trial, or a single row that serves them all."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats


def flat(array: Floats, batch: tuple[int, ...], core: tuple[int, ...]) -> Floats:
    """Shape (m, *core), or (1, *core) where one value serves the batch."""
    if array.size == int(np.prod(core)):
        return array.reshape(1, *core)
    return np.broadcast_to(array, (*batch, *core)).reshape(-1, *core)


def positive_flat(name: str, value: ArrayLike, batch: tuple[int, ...]) -> Floats:
    """A positive quantity per trial, shape (m,), or (1,) where one value serves the batch."""
    array = np.asarray(value, dtype=float)
    if not (np.isfinite(array).all() and np.all(array > 0)):
        raise ParameterError(f"{name}={array.tolist()}: expected finite values above 0")
    if array.ndim and array.shape != batch and array.size != 1:
        raise ParameterError(f"{name} has shape {array.shape}: expected () or {batch}")
    return flat(array, batch, ())


def fill_gaps(delay: Floats, covariance: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Harmless values where delays (m, k) or covariances (m or 1, k, k) are missing, and which are whole.

    The whole batch can then be computed; the trials with gaps are marked as failed in the answer.
    """
    whole = np.logical_and.reduce(np.isfinite(covariance), axis=(-2, -1))
    finite = np.logical_and.reduce(np.isfinite(delay), axis=-1) & whole
    filled = np.where(whole[:, None, None], covariance, np.eye(delay.shape[-1]))
    return np.where(finite[:, None], delay, 0.0), filled, finite


def rows_of(array: Floats, rows: NDArray[np.intp]) -> Floats:
    """Rows of an array of shape (n_problems, ...); one of shape (1, ...) is shared by all problems."""
    return array if array.shape[0] == 1 else array[rows]
