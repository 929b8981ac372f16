"""Chance that noise makes a wrong set of cycles fit better than the right one."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from acoustics.base.frames import Floats, length
from acoustics.base.record import record

# Beyond these standard deviations a mistake is as good as impossible (1e-10 and less).
IMPOSSIBLE_DISTANCE, _FAR_EXCESS = 13.0, 8.0
_FAR_INSIDE = 4.0  # noise that brings a direction so far is too rare to count, as what it adds is little

_ROWS_AT_ONCE = 500  # with all nodes: their tables stay in the cache

# Generating vector of a lattice rule for any power of two from 2^10 points: the method is that of Cools, Kuo & Nuyens
# (2006), SIAM J. Sci. Comput. 28:2162-2188; these numbers are from memory; a test holds them to be spread evenly.
_POINTS = 2048
_GENERATOR = np.array([1, 182667, 469891, 498753, 110745, 446247, 250185, 118627, 245333, 283199])
# Of the noise in which a row's wrong sets win, the most points that are handed on. A row stands for one direction, and
# some dozens of them are averaged.
_SHOWN = 96


@record
class Rivals:
    """Wrong sets of cycles against the right one, for directions (rows); all lengths in standard deviations.

    Attributes
    ----------
    distance : ndarray, shape (n_rows, n_candidates)
        Of the set: from the lattice's metric.
    drift : ndarray, shape (n_rows, n_candidates)
        How far shifts of the delays move the measurements away from the set; negative towards it.
    excess : ndarray, shape (n_rows, n_candidates)
        From `beyond_the_surface`, as `slope`.
    slope : ndarray, shape (n_rows, n_candidates, r)
    own_excess, own_slope : ndarray, shape (n_rows,), (n_rows, r)
        The same of the right set.
    """

    distance: Floats
    drift: Floats
    excess: Floats
    slope: Floats
    own_excess: Floats
    own_slope: Floats

    @property
    def on_a_sphere(self) -> bool:
        """Whether directions are those of a volume: a line and a plane see a part of them only, of any length to 1."""
        return bool(self.slope.shape[-1] == 3)

    @property
    def may_be_outside(self) -> NDArray[np.bool_]:
        """Whether noise may bring the right set off the directions that exist, (n_rows,)."""
        return np.full(self.own_excess.shape, True) if self.on_a_sphere else self.own_excess > -_FAR_INSIDE

    def outside(self, excess: Floats) -> Floats:
        """What of an excess counts as misfit."""
        return excess if self.on_a_sphere else np.maximum(excess, 0.0)

    def some(self, rows: NDArray[np.intp], sets: NDArray[np.intp]) -> Rivals:
        """Of some rows (k,), sets (k, c) or (k, 1) of each."""
        at = rows[:, None], sets
        return Rivals(
            self.distance[at], self.drift[at], self.excess[at], self.slope[at], self.own_excess[rows],
            self.own_slope[rows],
        )  # fmt: skip


def beyond_the_surface(cosines: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """How far direction cosines lie outside those that exist, and how noise moves them across.

    Parameters
    ----------
    cosines : ndarray, shape (n_rows, n_candidates, r)
        Direction cosines, whether they exist or not. Those that exist fill the unit ball for a line or a plane and
        the unit sphere for a volume; the surface is taken at its tangent.
    covariance : ndarray, shape (n_rows, r, r)
        Of the direction cosines.

    Returns
    -------
    excess : ndarray, shape (n_rows, n_candidates)
        Distance outside, negative inside [standard deviations].
    slope : ndarray, shape (n_rows, n_candidates, r)
        Unit vectors: change of the excess by r independent standard normal errors.
    """
    reach = length(cosines)[..., None]
    # At the centre, broadside to a line or a plane, all ways lead outside: take the first axis.
    outward = np.broadcast_to(np.eye(cosines.shape[-1])[0], cosines.shape).copy()
    np.divide(cosines, reach, out=outward, where=reach > 1e-12)
    slope = outward @ np.linalg.cholesky(covariance)
    sd = length(slope)[..., None]
    return ((reach - 1.0) / sd)[..., 0], slope / sd


def mistake_probability(rivals: Rivals) -> Floats:
    """Probability that one wrong set fits better than the right one, apart from all others, (n_rows, n_candidates).

    Notes
    -----
    With distance d, drift s, and excesses m and m0 of the wrong and the right set, the misfit of the wrong set is
    ``(d + s + x)^2 + o(m + e)``, that of the right one ``(s + x)^2 + o(m0 + f)``, with x, e and f standard normal and
    o(y) = y^2 on a sphere, and for a line or a plane outside only, where y > 0. x is independent of e and f; the
    probability over x is ``Q((d^2 + 2 d s + o(m + e) - o(m0 + f)) / (2 d))``, averaged over e and f by Gauss and
    Hermite's rule.
    """
    halfway = rivals.distance / 2 + rivals.drift
    near = 2 * halfway < IMPOSSIBLE_DISTANCE
    if rivals.on_a_sphere:
        near &= np.abs(rivals.excess) - np.abs(rivals.own_excess)[:, None] < _FAR_EXCESS
        result = np.zeros_like(halfway)
    else:
        near &= rivals.excess - np.maximum(rivals.own_excess, 0.0)[:, None] < _FAR_EXCESS
        inside = (rivals.excess < -_FAR_EXCESS) & ~rivals.may_be_outside[:, None]
        result = np.where(inside, ndtr(-halfway), 0.0)
        near &= ~inside
    rows, sets = np.nonzero(near)
    result[near] = _over_noise(rivals.some(rows, sets[:, None]), 1)[0]
    return result


def noise_of_mistakes(rivals: Rivals) -> tuple[Floats, Floats, Floats]:
    """Errors of the direction cosines that go with a mistake, as r independent errors, standard normal without it.

    Parameters
    ----------
    rivals : Rivals
        Of k rows with one candidate each.

    Returns
    -------
    way : ndarray, shape (k, r)
        Unit vector: along it the noise depends on whether the set wins. Across it, it does not.
    mean, sd : ndarray, shape (k,)
        Of the noise along it where the set wins.
    """
    total, first, second = _over_noise(rivals, 3)
    certain = total > 0
    mean, square = (np.divide(moment, total, out=np.zeros_like(total), where=certain) for moment in (first, second))
    sd = np.sqrt(np.maximum(np.where(certain, square, 1.0) - mean**2, 0.0))
    return _way(rivals), mean, sd


def _over_noise(rivals: Rivals, count: int) -> Floats:
    """Probability that a set wins, times the noise along `_way` to the power 0, 1 ..., shape (count, k)."""
    result = np.zeros((count, len(rivals.distance)))
    for rows, nodes in ((rivals.may_be_outside, _both_nodes), (~rivals.may_be_outside, _nodes)):
        every = np.flatnonzero(rows)
        for at in np.split(every, range(_ROWS_AT_ONCE, len(every), _ROWS_AT_ONCE)):
            some = rivals.some(at, np.zeros((len(at), 1), dtype=np.intp))
            d = np.maximum(some.distance[:, 0], 1e-9)
            weight, along, more = nodes(some)
            part = weight[:, None] * ndtr(-(d / 2 + some.drift[:, 0] + more * (0.5 / d)))
            result[0, at] = part.sum(axis=0)
            for power in range(1, count):
                part = part * along
                result[power, at] = part.sum(axis=0)
    return result


def _nodes(rivals: Rivals) -> tuple[Floats, Floats, Floats]:
    """Weights of nodes, (9,), and there, (9, k), the noise along the slope and what a direction adds to the misfit,
    that of the right set adding nothing."""
    nodes, weights = _gauss_hermite()
    along = np.repeat(nodes[:, None], len(rivals.distance), axis=1)
    return weights, along, np.maximum(rivals.excess[:, 0] + along, 0.0) ** 2


def _both_nodes(rivals: Rivals) -> tuple[Floats, Floats, Floats]:
    """The same with noise along both slopes, (81,) and (81, k), and what it adds for the right set taken off."""
    nodes, weights = _gauss_hermite()
    f, e = np.repeat(nodes, len(nodes))[:, None], np.tile(nodes, len(nodes))[:, None]
    rho, rest = _parts_of_slope(rivals)
    along = rho * f + rest * e
    more = rivals.outside(rivals.excess[:, 0] + along) ** 2 - rivals.outside(rivals.own_excess + f) ** 2
    return np.outer(weights, weights).ravel(), rho * e - rest * f if rivals.on_a_sphere else along, more


@lru_cache
def _gauss_hermite() -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    return nodes, weights / weights.sum()


def _parts_of_slope(rivals: Rivals) -> tuple[Floats, Floats]:
    """Of the slope along the right set's and across it, (k,)."""
    rho = np.clip(np.sum(rivals.slope[:, 0] * rivals.own_slope, axis=-1), -1.0, 1.0)
    return rho, np.sqrt(1.0 - rho**2)


def _way(rivals: Rivals) -> Floats:
    """Unit vectors (k, r): the slope, or on a sphere, where that is given, in the plane of both slopes across it."""
    slope, own = rivals.slope[:, 0], rivals.own_slope
    if not rivals.on_a_sphere:
        return slope
    rho, rest = _parts_of_slope(rivals)
    across = slope - rho[:, None] * own
    # Where both slopes are one any way across does.
    other = np.cross(own, np.eye(3)[np.argmin(np.abs(own), axis=-1)])
    across = np.where(rest[:, None] > 1e-6, across, other)
    return rho[:, None] * across / length(across)[:, None] - rest[:, None] * own


@record
class Wins:
    """Noise in which a wrong set wins, j points of a few rows: the row, the set, and the errors of the direction
    cosines, (j, r), as r independent standard normal ones."""

    row: NDArray[np.intp]
    candidate: NDArray[np.intp]
    noise: Floats


def winning_shares(
    vectors: Floats, rivals: Rivals, likely: NDArray[np.bool_], of_noise: NDArray[np.intp], *, visible_only: bool
) -> tuple[Floats, Wins]:
    """Share of noise in which each wrong set fits best of all, on a fixed set of noise (points of a lattice rule).

    For where several sets often compete and their single probabilities no longer say what happens.

    Parameters
    ----------
    vectors : ndarray, shape (n_rows, n_candidates, m)
        The sets in coordinates in which the noise is standard normal; their lengths are the distances.
    rivals : Rivals
    likely : ndarray of bool, shape (n_rows, n_candidates)
        Which may win at all.
    of_noise : ndarray of int, shape (n_rows,)
        Number of the set of noise.
    visible_only : bool
        Else every direction competes, whether it exists or not.

    Returns
    -------
    shares : ndarray, shape (n_rows, n_candidates)
    wins : Wins
        Some of that noise, of each row at most so much.
    """
    n_candidates, m = vectors.shape[-2:]
    dimension = m + rivals.slope.shape[-1]
    # With a row of ones a product of matrices adds what is the same in all noise.
    constant = np.ones((1, _POINTS))
    level = rivals.distance * (rivals.distance + 2 * rivals.drift)
    vectors = np.concatenate([2 * vectors, level[..., None]], axis=-1)
    outward = np.concatenate([rivals.slope, rivals.excess[..., None]], axis=-1)
    # One row at a time keeps the table of candidates by noise in the cache.
    shares = np.zeros(vectors.shape[:-1])
    wins = []
    for row, able in enumerate(map(np.flatnonzero, likely)):
        noise = _standard_normal(dimension, int(of_noise[row]))
        misfit = vectors[row, able] @ np.concatenate([noise[:m], constant])
        right = np.zeros(_POINTS)
        if visible_only:
            right = rivals.outside(rivals.own_excess[row] + rivals.own_slope[row] @ noise[m:]) ** 2
            outside = rivals.outside(outward[row, able] @ np.concatenate([noise[m:], constant]))
            misfit += np.square(outside, out=outside)
        # Which one fits best is sought only where one fits better than the right set.
        lost = np.flatnonzero((misfit < right).any(axis=0))
        if len(lost):
            best = able[misfit[:, lost].argmin(axis=0)]
            shares[row] = np.bincount(best, minlength=n_candidates) / _POINTS
            shown = slice(None, None, -(-len(lost) // _SHOWN))
            wins.append((np.full(len(lost[shown]), row), best[shown], noise[m:, lost[shown]].T))
    none = np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros((0, dimension - m))
    return shares, Wins(*(np.concatenate(part) for part in zip(none, *wins, strict=True)))


@lru_cache
def _standard_normal(dimension: int, number: int = 0) -> Floats:
    """A fixed set of 2,048 evenly spread points of the standard normal distribution, shape (dimension, 2048).

    A rank-1 lattice rule, shifted at random once, so that no point lies on the edge of the unit cube.
    """
    shift = np.random.default_rng(1 + number).uniform(size=(dimension, 1))
    points = np.outer(_GENERATOR[:dimension], np.arange(_POINTS)) / _POINTS + shift
    return ndtri(np.clip(points % 1.0, 1e-9, 1 - 1e-9))
