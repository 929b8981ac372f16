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
# Of each component on the map: so many rings of equal content and directions; a share is then known to 1 / 384. The
# outermost ring is halved so often again, or no level would lie between that of its middle, 0.979, and 1.
_RINGS, _DIRECTIONS, _HALVED = 24, 16, 12


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


def credible_level_on_map(place: ArrayLike, means: ArrayLike, covariances: ArrayLike, weights: ArrayLike) -> float:
    """Content of the smallest highest-density region of a mixture of normal places that holds a given place [1].

    Parameters
    ----------
    place : array_like, shape (2,)
        Say, the truth [m].
    means, covariances, weights : array_like, shape (m, 2), (m, 2, 2) and (m,)
        Of the components [m, m^2, 1]; weights are taken as shares of their sum.

    Returns
    -------
    float
        As of `credible_level`.
    """
    mean, covariance, weight = _on_map(means, covariances, weights)
    inverse, size = np.linalg.inv(covariance), 1.0 / np.sqrt(np.linalg.det(covariance))

    def density(points: Floats) -> Floats:
        off = points[..., None, :] - mean
        return np.asarray(
            np.sum(weight * size * np.exp(-0.5 * np.einsum("...mi,mij,...mj->...m", off, inverse, off)), -1)
        )

    points, share = _spread(mean, covariance)
    above = density(points) > density(np.asarray(place, dtype=float))
    return float(weight @ (above @ share))


def share_beyond(
    radius: float, centre: ArrayLike, means: ArrayLike, covariances: ArrayLike, weights: ArrayLike
) -> float:
    """Content of a mixture of normal places, as in `credible_level_on_map`, farther than a radius from a centre [1]."""
    mean, covariance, weight = _on_map(means, covariances, weights)
    points, share = _spread(mean, covariance)
    away = np.linalg.norm(points - np.asarray(centre, dtype=float), axis=-1)
    return float(weight @ ((away > radius) @ share))


def _on_map(means: ArrayLike, covariances: ArrayLike, weights: ArrayLike) -> tuple[Floats, Floats, Floats]:
    mean, covariance, weight = (np.asarray(a, dtype=float) for a in (means, covariances, weights))
    m = len(weight)
    if not m or mean.shape != (m, 2) or covariance.shape != (m, 2, 2):
        raise ParameterError(
            f"means {mean.shape}, covariances {covariance.shape}, weights {weight.shape}: expected (m, 2), (m, 2, 2) "
            "and (m,)"
        )
    if not np.all(np.isfinite(weight) & (weight >= 0)) or not weight.sum() > 0:
        raise ParameterError(f"weights={weight.tolist()}: expected finite values, 0 or more, and one above 0")
    return mean, covariance + _LEAST_SD**2 * np.eye(2), weight / weight.sum()


def _spread(mean: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Points of each component, shape (m, points, 2), and the share of it that each stands for, (points,)."""
    outside = np.append(1.0 - np.arange(_RINGS) / _RINGS, 0.5 ** np.arange(1.0, _HALVED + 1.0) / _RINGS)
    content = -np.diff(np.append(outside, 0.0))
    radius = np.sqrt(-2.0 * np.log(outside - 0.5 * content))
    # Each ring is turned against the last, so that no direction is empty.
    angle = 2.0 * np.pi * (np.arange(_DIRECTIONS) + np.arange(len(radius))[:, None] / _RINGS) / _DIRECTIONS
    unit = (radius[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)).reshape(-1, 2)
    points = mean[:, None] + unit @ np.swapaxes(np.linalg.cholesky(covariance), -1, -2)
    return points, np.repeat(content / _DIRECTIONS, _DIRECTIONS)
