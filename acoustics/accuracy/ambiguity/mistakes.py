"""Chance that noise makes a wrong set of cycles fit better than the right one."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from acoustics.base.frames import Floats, length

# Beyond these standard deviations a mistake is as good as impossible (1e-10 and less).
IMPOSSIBLE_DISTANCE, _FAR_EXCESS = 13.0, 8.0

# Generating vector of a lattice rule for any power of two from 2^10 points: the method is that of Cools, Kuo & Nuyens
# (2006), SIAM J. Sci. Comput. 28:2162-2188; these numbers are from memory; a test holds them to be spread evenly.
_POINTS = 2048
_GENERATOR = np.array([1, 182667, 469891, 498753, 110745, 446247, 250185, 118627, 245333, 283199])


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


def mistake_probability(distance: Floats, excess: Floats, slope: Floats, own_slope: Floats) -> Floats:
    """Probability that one wrong set fits better than the right one, apart from all others.

    Parameters
    ----------
    distance, excess : ndarray, shape (n_rows, n_candidates)
        Of the set: from the lattice's metric, and from `beyond_the_surface` [standard deviations].
    slope : ndarray, shape (n_rows, n_candidates, r)
        From `beyond_the_surface`.
    own_slope : ndarray, shape (n_rows, r)
        The same of the right set.

    Notes
    -----
    With distance d and excess m the misfit of the wrong set is ``(d + x)^2 + (m + e)^2``, that of the right one
    ``x^2`` (and ``f^2`` on a sphere), with x, e and f standard normal. x is independent of e and f; the probability
    over x is ``Q((d^2 + (m + e)^2 - f^2) / (2 d))``, averaged over e and f by Gauss and Hermite's rule.
    """
    near = (np.abs(excess) < _FAR_EXCESS) & (distance < IMPOSSIBLE_DISTANCE)
    d, m = np.maximum(distance[near], 1e-9), excess[near]
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    weights = weights / weights.sum()
    if slope.shape[-1] < 3:
        result = np.where(excess < 0, ndtr(-distance / 2), 0.0)
        terms = (w * ndtr(-(d**2 + np.maximum(m + e, 0.0) ** 2) / (2 * d)) for e, w in zip(nodes, weights, strict=True))
    else:
        result = np.zeros_like(distance)
        rho = np.clip((slope @ own_slope[..., None])[..., 0][near], -1.0, 1.0)
        rest = np.sqrt(1.0 - rho**2)
        terms = (
            w * v * ndtr(-(d**2 + (m + rho * f + rest * e) ** 2 - f**2) / (2 * d))
            for f, w in zip(nodes, weights, strict=True)
            for e, v in zip(nodes, weights, strict=True)
        )
    result[near] = sum(terms)
    return result


def winning_shares(vectors: Floats, excess: Floats | None, slope: Floats, own_slope: Floats) -> Floats:
    """Share of noise in which each wrong set fits best of all, on a fixed set of noise (points of a lattice rule).

    For where several sets often compete and their single probabilities no longer say what happens.

    Parameters
    ----------
    vectors : ndarray, shape (n_rows, n_candidates, m)
        The sets in coordinates in which the noise is standard normal; their lengths are the distances.
    excess, slope, own_slope
        As for `mistake_probability`. Excess None: every direction competes.

    Returns
    -------
    ndarray, shape (n_rows, n_candidates)
    """
    n_candidates, m = vectors.shape[-2:]
    noise = _standard_normal(m + slope.shape[-1])
    # With a row of ones a product of matrices adds what is the same in all noise.
    of_delays, of_direction = (np.vstack([part, np.ones(_POINTS)]) for part in (noise[:m], noise[m:]))
    vectors = np.concatenate([2 * vectors, (vectors**2).sum(axis=-1, keepdims=True)], axis=-1)
    if excess is not None:
        outward = np.concatenate([slope, excess[..., None]], axis=-1)
    # One row at a time keeps the table of candidates by noise in the cache.
    shares = np.zeros(vectors.shape[:-1])
    for row, v in enumerate(vectors):
        misfit = v @ of_delays
        right = np.zeros(noise.shape[1])
        if excess is not None and slope.shape[-1] == 3:
            right = (own_slope[row] @ noise[m:]) ** 2
        # What lies outside adds to a misfit, so many sets never fit better than the right one.
        able = np.flatnonzero(misfit.min(axis=1) < right.max())
        misfit = misfit[able]
        if excess is not None:
            outside = outward[row, able] @ of_direction
            if slope.shape[-1] < 3:
                np.maximum(outside, 0.0, out=outside)
            misfit += np.square(outside, out=outside)
        # Which one fits best is sought only where one fits better than the right set.
        lost = np.flatnonzero((misfit < right).any(axis=0))
        if len(lost):
            best = able[misfit[:, lost].argmin(axis=0)]
            shares[row] = np.bincount(best, minlength=n_candidates) / len(right)
    return shares


@lru_cache
def _standard_normal(dimension: int) -> Floats:
    """A fixed set of 2,048 evenly spread points of the standard normal distribution, shape (dimension, 2048).

    A rank-1 lattice rule, shifted at random once, so that no point lies on the edge of the unit cube.
    """
    shift = np.random.default_rng(1).uniform(size=(dimension, 1))
    points = np.outer(_GENERATOR[:dimension], np.arange(_POINTS)) / _POINTS + shift
    return ndtri(np.clip(points % 1.0, 1e-9, 1 - 1e-9))
