"""Which station does a fix or a single ping belong to: the posterior probability of each, and of none of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logsumexp, owens_t

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, wrap_angle
from acoustics.base.polygons import inside_along, signed_area
from acoustics.base.record import record

NONE_OF_THESE = "none of these"
NEAREST_M = 0.3  # no pinger is taken to be nearer, whatever a ping says of its distance
# Negative variances along an axis of up to this share of the largest are what rounding leaves of a long, thin ellipse.
_ROUNDING = 1e-6
_LEAST_M2 = 1e-12  # no place is known better
_DISTANCES = 32  # nodes of the sum along the bearing
_REACH_SD = 6.0  # what lies beyond has a billionth of the sum
_FARTHEST_M = 1e100  # squares of more are no numbers


@record
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


def station_posterior(
    fix_m: ArrayLike, covariance_m2: ArrayLike, stations: StationModel, *, weight: ArrayLike | None = None
) -> Floats:
    """Posterior probability of each station, and last of none of them.

    Parameters
    ----------
    fix_m : array_like, shape (..., 2)
        Horizontal position of a fix [m].
    covariance_m2 : array_like, shape (..., 2, 2)
        Its covariance [m^2].
    stations : StationModel
        The candidates.
    weight : array_like, shape (..., s), optional
        Of fixes of several modes: `fix_m` is then (..., s, 2), and one of weight 0 need not be finite.

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
    that a normal distribution about x with covariance C puts inside the outline. Of several modes both densities are
    the weighted sums.
    """
    fix, covariance = np.asarray(fix_m, dtype=float), np.asarray(covariance_m2, dtype=float)
    if fix.shape[-1:] != (2,) or covariance.shape != (*fix.shape, 2):
        raise ParameterError(f"fix_m {fix.shape} and covariance_m2 {covariance.shape}: expected (..., 2), (..., 2, 2)")
    known = np.isfinite(fix).all(axis=-1) & np.isfinite(covariance).all(axis=(-2, -1))
    fix = np.where(known[..., None], np.clip(fix, -_FARTHEST_M, _FARTHEST_M), 0.0)
    covariance = np.where(known[..., None, None], covariance, np.eye(2))
    variance, axes = _principal(covariance)
    near = _log_density_at_stations(fix, variance, axes, stations)
    inside = _over_polygon(fix, variance, axes, stations.outline_m)
    with np.errstate(divide="ignore"):  # probability 0 is meant where its logarithm is minus infinity
        far = np.log(np.maximum(inside, 0.0) / abs(signed_area(stations.outline_m)))
        if weight is None:
            return _by_bayes(near, far, known, stations)
        log_weight = np.log(np.where(known, weight, 0.0))
    some = known.any(axis=-1)
    log_weight = np.where(some[..., None], log_weight, 0.0)
    return _by_bayes(
        logsumexp(near + log_weight[..., None], axis=-2), logsumexp(far + log_weight, axis=-1), some, stations
    )


def _log_density_at_stations(fix: Floats, variance: Floats, axes: Floats, stations: StationModel) -> Floats:
    """Of fixes (..., 2) if the pinger is at each station, (..., n_stations)."""
    total = variance + stations.spread_m**2
    away = (fix[..., None, :] - stations.places_m) @ axes
    square = np.sum(away**2 / total[..., None, :], axis=-1)
    return np.asarray(-0.5 * square - 0.5 * np.log(total).sum(axis=-1)[..., None] - np.log(2 * np.pi))


def _by_bayes(at_station: Floats, elsewhere: Floats, known: NDArray[np.bool_], stations: StationModel) -> Floats:
    """Posterior from logarithms of densities (..., n_stations) and (...); the priors where there is no fix."""
    with np.errstate(divide="ignore"):  # a prior of 0 is meant
        weight = np.concatenate([at_station, elsewhere[..., None]], axis=-1) + np.log(stations.probabilities)
    # A fix far from everything leaves no figures to count in: stations compare by the exponents, which stay finite.
    share = np.exp(weight - weight.max(axis=-1, keepdims=True))
    return np.where(known[..., None], share / share.sum(axis=-1, keepdims=True), stations.probabilities)


def single_ping_posterior(
    stations: StationModel,
    waypoints_m: Floats,
    bearing: Floats,
    inverse_m: Floats,
    information: Floats,
    *,
    own_sd_m: float = 0.0,
) -> Floats:
    """Posterior of the stations from what one ping tells of bearing and distance.

    Parameters
    ----------
    waypoints_m : ndarray, shape (n, 2)
        Where the vehicle believes to be [m].
    bearing, inverse_m : ndarray, shape (n,)
        Site bearing [rad] and inverse of the distance [1/m] by the fix. NaN: there is none.
    information : ndarray, shape (n, 2, 2)
        About those two.
    own_sd_m : float
        Standard deviation of the vehicle's own place along x and along y [m].

    Returns
    -------
    ndarray, shape (n, n_stations + 1)
        The priors where there is no fix.

    Notes
    -----
    By Bayes' rule, with the same model of the stations as `station_posterior`, which it equals for a sharp fix. One
    ping mostly sees the distance badly, so that a fix is no normal distribution over places but nearly one over bearing
    and inverse distance. A station's spread, and the vehicle's own, are turned into these at the station; for a pinger
    anywhere in the outline the density is summed along the bearing, from where it enters the outline to its exit.
    """
    known = np.isfinite(bearing) & np.isfinite(inverse_m)
    bearing, inverse_m = np.where(known, bearing, 0.0), np.where(known, inverse_m, 1.0)
    covariance = np.linalg.inv(information)
    own = own_sd_m**2
    away = stations.places_m - waypoints_m[:, None]
    distance = np.maximum(np.linalg.norm(away, axis=-1), NEAREST_M)
    turned = wrap_angle(bearing[:, None] - np.arctan2(away[..., 1], away[..., 0]))
    nearer = inverse_m[:, None] - 1.0 / distance
    spread = stations.spread_m**2 + own
    across, along = (covariance[:, k, k, None] + spread / distance ** (2 + 2 * k) for k in (0, 1))
    both = covariance[:, 0, 1, None]
    determinant = across * along - both**2
    square = (along * turned**2 - 2.0 * both * turned * nearer + across * nearer**2) / determinant
    at_station = -0.5 * (square + np.log(determinant)) - np.log(2.0 * np.pi)
    variance = covariance[:, 1, 1] + own * inverse_m**4
    elsewhere = _log_density_elsewhere(stations, waypoints_m, bearing, inverse_m, np.sqrt(variance))
    return _by_bayes(at_station, elsewhere, known, stations)


def _log_density_elsewhere(
    stations: StationModel, waypoints_m: Floats, bearing: Floats, inverse_m: Floats, inverse_sd: Floats
) -> Floats:
    """Logarithm of the density of a fix, shape (n,), if the pinger is anywhere in the outline with equal chance.

    With q the inverse distance r an area is ``r^3 dq db``; the sum is over log q, by Gauss and Legendre's rule.
    """
    enters, leaves = inside_along(stations.outline_m, waypoints_m, bearing)
    reach = _REACH_SD * inverse_sd
    low, high = 1.0 / np.maximum(leaves, NEAREST_M), 1.0 / np.maximum(enters, NEAREST_M)
    low, high = np.clip(inverse_m - reach, low, high), np.clip(inverse_m + reach, low, high)
    node, share = np.polynomial.legendre.leggauss(_DISTANCES)
    half = 0.5 * np.log(high / low)[:, None]
    q = np.sqrt(low * high)[:, None] * np.exp(half * node)
    sd = inverse_sd[:, None]
    density = np.exp(-0.5 * ((q - inverse_m[:, None]) / sd) ** 2) / (np.sqrt(2.0 * np.pi) * sd * q**2)
    with np.errstate(divide="ignore"):  # no part of the outline that way: minus infinity is meant
        return np.asarray(np.log(np.sum(density * share * half, axis=-1) / abs(signed_area(stations.outline_m))))


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
    variance, axes = _principal(np.asarray(covariance_m2, dtype=float))
    return _over_polygon(np.asarray(mean_m, dtype=float), variance, axes, np.asarray(corners_m, dtype=float))


def _over_polygon(mean: Floats, variance: Floats, axes: Floats, corners: Floats) -> Floats:
    """The same by the variances along the covariance's axes."""
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


@record
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

    def lacking(log_scale: ArrayLike) -> Floats:
        scaled = covariance * np.exp(2.0 * np.asarray(log_scale))[..., None, None]
        return target - station_posterior(np.broadcast_to(fix, scaled.shape[:-1]), scaled, stations)[..., leader]

    rms = float(np.sqrt(np.trace(covariance)))
    scales = np.linspace(0.0, -8.0, 81)
    lack = lacking(scales)
    reached = np.flatnonzero(lack <= 0)
    if reached.size == 0:
        return Sureness(0.0, None)
    k, log_scale = int(reached[0]), 0.0
    if k:  # by a straight line between points so close that what it leaves of the scale is under a millionth
        between = np.linspace(scales[k - 1], scales[k], len(scales))
        lack = lacking(between)
        last = int(np.flatnonzero(lack > 0)[-1])
        share = lack[last] / (lack[last] - lack[last + 1])
        log_scale = between[last] + share * (between[last + 1] - between[last])
    scale = float(np.exp(log_scale))
    return Sureness(rms * scale, pings if k == 0 else int(np.ceil(pings / scale**2)))


def decisions_by_fix(fix_m: Floats, covariance_m2: Floats, stations: StationModel) -> NDArray[np.intp]:
    """`decisions` of the `station_posterior` of fixes (n, 2) with covariances (n, 2, 2), all finite.

    The probability of the outline, which takes most of a posterior's time, is asked for only where it may decide: a
    station that beats none of them for a fix wholly inside does so for any.
    """
    variance, axes = _principal(covariance_m2)
    with np.errstate(divide="ignore"):  # a prior of 0 is meant, and probability 0 where its logarithm is minus infinity
        *prior, none = np.log(stations.probabilities)
        weight = _log_density_at_stations(fix_m, variance, axes, stations) + prior
        chosen, best = np.argmax(weight, axis=-1), weight.max(axis=-1)
        none -= np.log(abs(signed_area(stations.outline_m)))
        doubtful = np.flatnonzero(best <= none)
        inside = _over_polygon(fix_m[doubtful], variance[doubtful], axes[doubtful], stations.outline_m)
        chosen[doubtful[none + np.log(inside) > best[doubtful]]] = len(prior)
    return chosen


def decisions(posterior: Floats) -> NDArray[np.intp]:
    """Index of the most probable answer; the last index is none of them."""
    return np.argmax(posterior, axis=-1)
