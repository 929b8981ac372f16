"""Highest-density regions of mixtures of normal distributions: what an answer with several modes states."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, wrap_angle

# Of each component, one quantile each: a level is then known to a half of 1 / 400.
_POINTS = 401
_LEAST_SD = 1e-12


def credible_level(angle: float, means: ArrayLike, sds: ArrayLike, weights: ArrayLike) -> float:
    """Content of the smallest highest-density region of a mixture of normal angles that holds a given angle [1].

    Parameters
    ----------
    angle : float
        Say, the truth [rad].
    means, sds, weights : array_like, shape (m,)
        Of the components [rad, rad, 1]; what the weights lack to 1 is anywhere on the circle.

    Returns
    -------
    float
        The 95 % region holds the angle where this is at most 0.95. Over many answers that state the truth's own
        distribution it is uniform from 0 to 1.

    Raises
    ------
    ParameterError
        If the shapes differ, there is no component, or a deviation or a weight is negative or not finite.

    References
    ----------
    Hyndman (1996), The American Statistician 50, 120-126 (a density's own quantile gives the region).
    """
    mean, sd, weight = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (means, sds, weights))
    if mean.ndim != 1 or not mean.shape == sd.shape == weight.shape or not len(mean):
        raise ParameterError(f"means {mean.shape}, sds {sd.shape}, weights {weight.shape}: expected one shape (m,)")
    for name, values in (("sds", sd), ("weights", weight)):
        if not np.all(np.isfinite(values) & (values >= 0)) or not weight.sum() > 0:
            raise ParameterError(f"{name}={values.tolist()}: expected finite values, 0 or more, and a weight above 0")
    sd, weight = np.maximum(sd, _LEAST_SD), weight / max(weight.sum(), 1.0)
    elsewhere = 1.0 - weight.sum()

    def density(points: Floats) -> Floats:
        off = wrap_angle(points[..., None] - mean) / sd
        return np.asarray(np.sum(weight / sd * np.exp(-0.5 * off**2), axis=-1))

    middles = (np.arange(_POINTS) + 0.5) / _POINTS
    here = density(np.array(angle))
    above = density(mean[:, None] + sd[:, None] * ndtri(middles)) > here
    around = density(2.0 * np.pi * middles) > here
    return float(np.sum(weight * above.mean(axis=-1)) + elsewhere * around.mean())
