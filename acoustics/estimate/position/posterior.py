"""Position with its distance integrated out: every place that fits the delays, weighed by what is known beforehand.

Trials run along the last axis, as in `iterative_fit`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import pick, solve_positive
from acoustics.base.record import record
from acoustics.estimate.position.iterative_fit import PositionProblem, information, sources

# Of one over the distance: points of a place, and standard deviations to which they reach.
_POINTS, _REACH = 48, 6.0
# Two fits nearer together than this, in standard deviations, are one.
_SAME = 1.0
# What is known of a direction in any case [rad].
_ANGLE_SD = np.pi / 2


@record
class Distances:
    """What is known of the distance beforehand: between two values, with equal probability of each ratio [m]."""

    nearest_m: float
    farthest_m: float


@record
class _Places:
    """Local normal distributions about m fits: of two angles across the line of sight, and of one over the distance.

    Attributes
    ----------
    unit : ndarray, shape (3, m)
        Direction of the fit.
    across : ndarray, shape (2, 3, m)
        Two unit vectors across it, along which the angles count.
    centre : ndarray, shape (3, m)
        Of the distribution: angles from `unit` [rad] and one over the distance [1/m], which may be negative.
    weight : ndarray, shape (3, 3, m)
        Information about them.
    log_height : ndarray, shape (m,)
        Logarithm of the likelihood at the centre, up to a constant of the array.
    """

    unit: Floats
    across: Floats
    centre: Floats
    weight: Floats
    log_height: Floats

    def subset(self, rows: NDArray[np.intp]) -> _Places:
        return _Places(*(pick(values, rows) for values in vars(self).values()))


def integrated(
    problem: PositionProblem, found: Floats, m: int, distances: Distances
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Mean (3, m) and covariance (3, 3, m) of positions over all places that fit, and whether any is possible, (m,).

    Parameters
    ----------
    problem : PositionProblem
        Of n m trials: each of m pings n times, the pings in turn.
    found : ndarray, shape (3, n m)
        Where fits of each ping from n starts have led, which may be the same place.
    m : int
        Number of pings.
    distances : Distances
        Prior.

    Notes
    -----
    Delays are nearly linear in one over the distance, so about each place that fits best the likelihood is nearly
    normal in that and in the direction, where it is far from normal in the coordinates: with one over the distance
    known to a fifth, the far end of the 95 % interval is more than twice as far as the near one. Places that fit are
    weighed by Laplace's approximation.
    """
    places = _places(problem, found)
    rows = np.flatnonzero(_distinct(places, found.shape[1] // m, m))
    return _moments(problem, places.subset(rows), rows % m, m, distances)


def _places(problem: PositionProblem, found: Floats) -> _Places:
    chi2, normal, gradient = information(problem, found)
    distance = np.sqrt(np.einsum("dm,dm->m", found, found)) + 1e-12
    unit = found / distance
    across = _across(unit)
    basis = np.stack([distance * across[0], distance * across[1], -(distance**2) * unit])  # (3 parameters, 3, m)
    weight = np.einsum("iam,abm,jbm->ijm", basis, normal, basis)
    slope = np.einsum("iam,am->im", basis, gradient)
    weight[[0, 1], [0, 1]] += _ANGLE_SD**-2
    # One more step of Newton's method: nothing at a minimum, and where the fit fled outwards it leads to the centre
    # that lies beyond infinity.
    step = -solve_positive(weight, slope)
    height = -0.5 * (chi2 + np.einsum("im,im->m", slope, step))
    return _Places(unit, across, np.stack([step[0], step[1], 1.0 / distance + step[2]]), weight, height)


def _across(unit: Floats) -> Floats:
    """Two unit vectors at right angles to directions (3, m), shape (2, 3, m)."""
    least = np.eye(3)[np.argmin(np.abs(unit), axis=0)].T
    first = np.cross(unit, least, axis=0)
    first /= np.sqrt(np.einsum("dm,dm->m", first, first))
    return np.stack([first, np.cross(unit, first, axis=0)])


def _distinct(places: _Places, n: int, m: int) -> NDArray[np.bool_]:
    """Of fits that lead to one place the best, shape (n m,)."""
    order = np.argsort(-places.log_height.reshape(n, m), axis=0)
    kept = np.zeros(n * m, dtype=bool)
    for rank in range(n):
        this = order[rank] * m + np.arange(m)
        aim = places.unit[:, this] + np.einsum("idm,im->dm", places.across[..., this], places.centre[:2, this])
        same = np.zeros(m, dtype=bool)
        for before in order[:rank] * m + np.arange(m):
            facing = np.einsum("dm,dm->m", places.unit[:, before], aim)
            off = np.empty((3, m))
            off[:2] = np.einsum("idm,dm->im", places.across[..., before], aim) - places.centre[:2, before]
            off[2] = places.centre[2, this] - places.centre[2, before]
            apart = np.einsum("im,ijm,jm->m", off, places.weight[..., before], off)
            same |= kept[before] & (facing > 0.0) & (apart < _SAME**2)
        kept[this] = ~same
    return kept


def _moments(
    problem: PositionProblem, places: _Places, ping: NDArray[np.intp], m: int, distances: Distances
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Mean, covariance and possibility of the m pings that places belong to."""
    inverse = solve_positive(places.weight, np.eye(3)[..., None] * np.ones(len(ping)))
    sd, middle = np.sqrt(inverse[2, 2]), places.centre[2]
    farthest, nearest = 1.0 / distances.farthest_m, 1.0 / distances.nearest_m
    low = np.clip(middle - _REACH * sd, farthest, nearest)
    high = np.clip(middle + _REACH * sd, farthest, nearest)
    step = np.log(high / low) / _POINTS
    curvature = low * np.exp(step * (np.arange(_POINTS) + 0.5)[:, None])  # (points, places)
    density = np.exp(-0.5 * ((curvature - middle) / sd) ** 2) / sd * step
    lean = inverse[:2, 2] / inverse[2, 2]
    turn = places.centre[:2] + lean * (curvature - middle)[:, None]  # (points, 2, places)
    aim = places.unit + np.einsum("idm,pim->pdm", places.across, np.clip(turn, -1.0, 1.0))
    aim = aim / np.sqrt(np.einsum("pdm,pdm->pm", aim, aim))[:, None]
    place = aim / curvature[:, None]
    by_place = None
    if problem.profile is not None:
        place, by_place = _where_rays_end(problem, ping, place)
        # As likely beforehand in each volume of sources, and nowhere where rays are not the first to come.
        density = density * np.maximum(by_place[:, 2], 0.0)
    log_height = places.log_height - 0.5 * np.linalg.slogdet(np.moveaxis(places.weight, -1, 0))[1]
    highest = np.full(m, -np.inf)
    np.maximum.at(highest, ping, log_height)
    share = np.exp(log_height - highest[ping]) * density
    total = _summed(share.sum(axis=0), ping, m)
    share = share / np.maximum(total, 1e-300)[ping]

    mean = _summed(np.einsum("pm,pdm->dm", share, place), ping, m)
    off = place - mean[:, ping]
    flat = inverse[:2, :2] - inverse[:2, 2, None] * inverse[None, 2, :2] / inverse[2, 2]
    own = _spread(np.einsum("idm,ijm,jem->dem", places.across, flat, places.across), share / curvature**2, by_place)
    covariance = _summed(np.einsum("pm,pdm,pem->dem", share, off, off) + own, ping, m)
    return mean, covariance, total > 0.0


def _where_rays_end(problem: PositionProblem, trial: NDArray[np.intp], place: Floats) -> tuple[Floats, Floats]:
    """Sources that seem to be at places (points, 3, m) of trials (m,), and how their depths move with these, both of
    the shape of the places."""
    points, _, m = place.shape
    along = np.moveaxis(place, 1, 0).reshape(3, -1)
    own = problem.origin_depth
    depth, by_place = sources(problem.profile, own if len(own) == 1 else own[np.tile(trial, points)], along)
    source = place.copy()
    source[:, 2] = depth.reshape(points, m)
    return source, np.moveaxis(by_place.reshape(3, points, m), 0, 1)


def _spread(covariance: Floats, share: Floats, by_place: Floats | None) -> Floats:
    """Sum of a covariance (3, 3, m) of places at points of shares (points, m), as one of sources."""
    total = covariance * share.sum(axis=0)
    if by_place is not None:
        leaning = np.einsum("pim,ijm->pjm", by_place, covariance)
        total[2] = np.einsum("pm,pjm->jm", share, leaning)
        total[:, 2] = total[2]
        total[2, 2] = np.einsum("pm,pjm,pjm->m", share, leaning, by_place)
    return total


def _summed(values: Floats, ping: NDArray[np.intp], m: int) -> Floats:
    """Sums over the places of each of m pings, shape (..., m)."""
    total = np.zeros((m, *values.shape[:-1]))
    np.add.at(total, ping, np.moveaxis(values, -1, 0))
    return np.moveaxis(total, 0, -1)
