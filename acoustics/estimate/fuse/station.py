"""Which station does a fix belong to: the posterior probability of each, and of none of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import owens_t

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.polygons import signed_area

NONE_OF_THESE = "none of these"
# Negative variances along an axis of up to this share of the largest are what rounding leaves of a long, thin ellipse.
_ROUNDING = 1e-6
_LEAST_M2 = 1e-12  # no place is known better
_FARTHEST_M = 1e100  # squares of more are no numbers


@dataclass(frozen=True)
class StationModel:
    """The candidate stations, seen from above, and what is believed before a ping is heard.

    Parameters
    ----------
    places_m : array_like, shape (n_stations, 2)
        Nominal places in the site frame [m].
    prior : array_like, shape (n_stations,)
        Weights above 0, of any sum.
    outline_m : array_like, shape (k, 2)
        Convex outline, corners in order, in which a pinger that stands at none of them may be anywhere [m].
    spread_m : float
        Standard deviation, along x and along y, of a pinger's place about its station's [m].
    none_prior : float
        Prior probability that the pinger stands at none of them.

    Raises
    ------
    ParameterError
        For a shape or a value that is not accepted.
    """

    places_m: Floats
    prior: Floats
    outline_m: Floats
    spread_m: float = 0.5
    none_prior: float = 0.05

    def __post_init__(self) -> None:
        for name in ("places_m", "prior", "outline_m"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), dtype=float))
        n = len(self.prior)
        if n < 1 or self.places_m.shape != (n, 2) or not np.all(self.prior > 0):
            raise ParameterError(f"places_m has shape {self.places_m.shape}: expected ({n}, 2), and priors above 0")
        if self.outline_m.ndim != 2 or self.outline_m.shape[1] != 2 or len(self.outline_m) < 3:
            raise ParameterError(f"outline_m has shape {self.outline_m.shape}: expected (3 or more, 2)")
        if not (self.spread_m > 0 and 0 <= self.none_prior < 1):
            raise ParameterError(f"spread_m={self.spread_m}, none_prior={self.none_prior}: expected > 0 and [0, 1)")

    @property
    def probabilities(self) -> Floats:
        """Prior probabilities of the stations and of none, shape (n_stations + 1,)."""
        return np.append((1 - self.none_prior) * self.prior / self.prior.sum(), self.none_prior)


def station_posterior(fix_m: ArrayLike, covariance_m2: ArrayLike, stations: StationModel) -> Floats:
    """Posterior probability of each station, and last of none of them.

    Parameters
    ----------
    fix_m : array_like, shape (..., 2)
        Horizontal position of a fix [m].
    covariance_m2 : array_like, shape (..., 2, 2)
        Its covariance [m^2].
    stations : StationModel
        The candidates.

    Returns
    -------
    ndarray, shape (..., n_stations + 1)
        Adds up to one. Where the fix is not finite, the priors.

    Raises
    ------
    ParameterError
        For shapes that do not fit, or a covariance that is none.

    Notes
    -----
    By Bayes' rule. With fix x of covariance C, a station at m and spread s the fix has the density of a normal
    distribution N(x; m, C + s^2 I); for a pinger anywhere in an outline of area A it has P / A, with P the probability
    that a normal distribution about x with covariance C puts inside the outline.
    """
    fix, covariance = np.asarray(fix_m, dtype=float), np.asarray(covariance_m2, dtype=float)
    if fix.shape[-1:] != (2,) or covariance.shape != (*fix.shape, 2):
        raise ParameterError(f"fix_m {fix.shape} and covariance_m2 {covariance.shape}: expected (..., 2), (..., 2, 2)")
    known = np.isfinite(fix).all(axis=-1) & np.isfinite(covariance).all(axis=(-2, -1))
    fix = np.where(known[..., None], np.clip(fix, -_FARTHEST_M, _FARTHEST_M), 0.0)
    covariance = np.where(known[..., None, None], covariance, np.eye(2))
    variance, axes = _principal(covariance)
    total = variance + stations.spread_m**2
    away = (fix[..., None, :] - stations.places_m) @ axes
    square = np.sum(away**2 / total[..., None, :], axis=-1)
    near = -0.5 * square - 0.5 * np.log(total).sum(axis=-1)[..., None] - np.log(2 * np.pi)
    inside = normal_over_polygon(fix, covariance, stations.outline_m)
    with np.errstate(divide="ignore"):  # probability 0 is meant where its logarithm is minus infinity
        far = np.log(np.maximum(inside, 0.0) / abs(signed_area(stations.outline_m)))
        weight = np.concatenate([near, far[..., None]], axis=-1) + np.log(stations.probabilities)
    # A fix far from everything leaves no figures to count in: stations compare by the exponents, which stay finite.
    weight = weight - weight.max(axis=-1, keepdims=True)
    share = np.exp(weight)
    return np.where(known[..., None], share / share.sum(axis=-1, keepdims=True), stations.probabilities)


def normal_over_polygon(mean_m: ArrayLike, covariance_m2: ArrayLike, corners_m: ArrayLike) -> Floats:
    """Probability that a bivariate normal place lies inside a polygon.

    Parameters
    ----------
    mean_m : array_like, shape (..., 2)
        [m].
    covariance_m2 : array_like, shape (..., 2, 2)
        [m^2].
    corners_m : array_like, shape (k, 2)
        Of a simple polygon, in order, either way round [m].

    Returns
    -------
    ndarray, shape (...)

    Raises
    ------
    ParameterError
        If a covariance is not finite, or is none.

    Notes
    -----
    Whitened, the polygon is a sum of signed triangles with the mean as a corner, and each of those is
    ``angle / (2 pi) - [T(h, b) - T(h, a)]``: h the distance to the side's line, a and b the tangents of the angles
    to its ends, T the function of Owen (1956), Annals of Mathematical Statistics 27, 1075-1090.
    """
    mean, covariance = np.asarray(mean_m, dtype=float), np.asarray(covariance_m2, dtype=float)
    corners = np.asarray(corners_m, dtype=float)
    variance, axes = _principal(covariance)
    white = (corners - mean[..., None, :]) @ axes / np.sqrt(variance)[..., None, :]
    start, end = white, np.roll(white, -1, axis=-2)
    side = end - start
    length = np.maximum(np.linalg.norm(side, axis=-1), 1e-300)
    cross = start[..., 0] * end[..., 1] - start[..., 1] * end[..., 0]
    distance = np.maximum(np.abs(cross) / length, 1e-12)
    tangents = [np.sum(point * side, axis=-1) / (length * distance) for point in (start, end)]
    angle = np.arctan(tangents[1]) - np.arctan(tangents[0])
    part = angle / (2 * np.pi) - (owens_t(distance, tangents[1]) - owens_t(distance, tangents[0]))
    return np.clip(np.abs(np.sum(np.sign(cross) * part, axis=-1)), 0.0, 1.0)


def _principal(covariance_m2: Floats) -> tuple[Floats, Floats]:
    """Variances (..., 2) [m^2] along the axes of ellipses, and the axes, the columns of (..., 2, 2)."""
    if not np.isfinite(covariance_m2).all():
        raise ParameterError("covariance_m2 holds a value that is not finite")
    size, axes = np.linalg.eigh(covariance_m2)
    largest = np.maximum(size[..., 1:], 0.0)
    wrong = np.any(size < -_ROUNDING * largest, axis=-1)
    if wrong.any():
        raise ParameterError(f"covariance_m2={covariance_m2[wrong][0].tolist()}: expected no negative variance")
    return np.maximum(size, np.finfo(float).eps * largest + _LEAST_M2), axes


@dataclass(frozen=True)
class Sureness:
    """What it takes to be sure of the leading station, if the fix stays where it is.

    `sd_m`: horizontal RMS error of a fix at which its probability reaches the target; 0 where none does.
    `pings`: pings for it, those of the fix included, if their errors are independent; None where none are enough.
    """

    sd_m: float
    pings: int | None


def sureness(
    fix_m: ArrayLike,
    covariance_m2: ArrayLike,
    stations: StationModel,
    *,
    pings: int,
    target: float = 0.95,
) -> Sureness:
    """What accuracy, and how many pings, the leading answer would need, for a fix of shape (2,).

    The covariance is scaled as a whole. A heading error that lasts does not average out, so that the number of pings is
    the least that could do.
    """
    fix, covariance = np.asarray(fix_m, dtype=float), np.asarray(covariance_m2, dtype=float)
    leader = int(np.argmax(station_posterior(fix, covariance, stations)))

    def lacking(log_scale: float) -> float:
        return target - float(station_posterior(fix, covariance * np.exp(2.0 * log_scale), stations)[leader])

    rms = float(np.sqrt(np.trace(covariance)))
    scales = np.linspace(0.0, -8.0, 81)
    lack = np.array([lacking(s) for s in scales])
    reached = np.flatnonzero(lack <= 0)
    if reached.size == 0:
        return Sureness(0.0, None)
    k = int(reached[0])
    scale = float(np.exp(brentq(lacking, scales[k], scales[k - 1]) if k else 0.0))
    return Sureness(rms * scale, pings if k == 0 else int(np.ceil(pings / scale**2)))


def decisions(posterior: Floats) -> NDArray[np.intp]:
    """Index of the most probable answer; the last index is none of them."""
    return np.argmax(posterior, axis=-1)
