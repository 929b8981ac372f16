"""Figures from simulation, each with its 95 % confidence interval."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from acoustics.base.frames import Floats
from acoustics.base.record import record

BEARING_GUESS_SD = np.pi / np.sqrt(3.0)  # of a uniform guess all round [rad]: no bearing is worse than that
# The same of the depression of a direction that is uniform over the sphere, by its density cos(d) / 2 [rad].
DEPRESSION_GUESS_SD = np.sqrt(np.pi**2 / 4.0 - 2.0)
RANGE_LOST = 0.5  # of the distance: a position error above it means that one ping does not tell the range
_RESAMPLES = 400  # leaves about 5 % uncertainty of the interval's own ends
_RESAMPLES_AT_ONCE = 50
_AS_GOOD = 1e-6  # where errors are cut off at that of a guess, a mean of them is no more than rounding below it


def unless_guessed(error: ArrayLike, guess: ArrayLike) -> Floats:
    """Errors of any shape, infinite (not observed) where a guess without any measurement does as well."""
    value = np.asarray(error, dtype=float)
    return np.where(value < (1.0 - _AS_GOOD) * np.asarray(guess), value, np.inf)


@record
class Interval:
    """A simulated value and its 95 % confidence interval."""

    value: float
    low: float
    high: float


def rms_interval(errors: ArrayLike, rng: np.random.Generator, *, place: NDArray[np.integer] | None = None) -> Interval:
    """Root mean square of errors of shape (n,), with a percentile bootstrap interval (Efron 1979).

    Not the chi-square interval: errors with wrong cycles among them are far from normal. Of errors from several places,
    `place` of shape (n,) counts them, places are drawn again whole, for what one place has in common is not drawn anew
    with each error (Davison & Hinkley 1997, Bootstrap Methods and their Application, section 3.8).
    """
    squares = np.square(np.asarray(errors, dtype=float))
    if place is not None and squares.size:
        count, total = _by_place(place, squares)
        if len(count) > 1:
            again = rng.integers(len(count), size=(_RESAMPLES, len(count)))
            low, high = np.sqrt(np.quantile(total[again].sum(-1) / count[again].sum(-1), [0.025, 0.975]))
            return Interval(float(np.sqrt(squares.mean())), float(low), float(high))
    if squares.size < 2:
        value = float(np.sqrt(squares.mean())) if squares.size else np.inf
        return Interval(value, 0.0, np.inf)
    low, high = _bootstrap(squares, np.mean, rng)
    return Interval(float(np.sqrt(squares.mean())), float(np.sqrt(low)), float(np.sqrt(high)))


def median_interval(values: ArrayLike, rng: np.random.Generator) -> Interval:
    """Median of values of shape (n,), n of at least two, with a percentile bootstrap interval (Efron 1979)."""
    sample = np.asarray(values, dtype=float)
    return Interval(float(np.median(sample)), *_bootstrap(sample, np.median, rng))


def _bootstrap(sample: Floats, statistic: Callable[..., Floats], rng: np.random.Generator) -> tuple[float, float]:
    """Ends of the percentile interval; scipy.stats has it too, but takes a second to load."""
    draws = [
        statistic(sample[rng.integers(sample.size, size=(_RESAMPLES_AT_ONCE, sample.size))], axis=-1)
        for _ in range(_RESAMPLES // _RESAMPLES_AT_ONCE)
    ]
    low, high = np.quantile(np.concatenate(draws), [0.025, 0.975])
    return float(low), float(high)


def masked_rms(squares: Floats, counts: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Root mean square along the last axis, and the ends of its 95 % interval, for many rows at once.

    Parameters
    ----------
    squares : ndarray, shape (..., n_trials)
        Squared errors.
    counts : ndarray of bool, shape (..., n_trials)
        Which of them count. Without any the mean is infinite; with fewer than two, so is the upper end.

    Returns
    -------
    rms, low, high : ndarray, shape (...)
        The interval is that of a mean of many squares by the central limit theorem: rough below some 30 trials.
    """
    n = counts.sum(axis=-1)
    kept = np.where(counts, squares, 0.0)
    mean = np.divide(kept.sum(axis=-1), n, out=np.full(n.shape, np.inf), where=n > 0)
    spread = np.where(counts, squares - np.where(n > 0, mean, 0.0)[..., None], 0.0)
    error = np.sqrt(np.divide(np.sum(spread**2, -1), n * (n - 1), out=np.full(n.shape, np.inf), where=n > 1))
    reach = ndtri(0.975) * error
    lowest = np.maximum(np.where(n > 1, mean, 0.0) - np.where(n > 1, reach, 0.0), 0.0)
    return np.sqrt(mean), np.sqrt(lowest), np.sqrt(mean + reach)


def rate_interval(hits: int, trials: int) -> Interval:
    """Share of `hits` in `trials`, with the Wilson (1927) score interval."""
    return _wilson(hits / trials, trials)


def share_interval(hits: NDArray[np.bool_], place: NDArray[np.integer], trials: float) -> Interval:
    """Share of hits of shape (n,) from several places, which `place` of shape (n,) counts, with its interval.

    Wilson's for as many trials as would tell the share as well if each were at a place of its own (Kish 1965, Survey
    Sampling; Dean & Pagano 2015, Journal of Survey Statistics and Methodology 3, 484-503), at most `trials`: where hits
    gather at a few places, fewer. NaN of none.
    """
    if not hits.size:
        return Interval(float("nan"), float("nan"), float("nan"))
    count, hit = _by_place(place, hits)
    share, m = float(hits.mean()), len(count)
    if 0.0 < share < 1.0 and m > 1:
        variance = m / (m - 1) * np.sum((hit - share * count) ** 2) / len(hits) ** 2
        trials = min(trials, share * (1.0 - share) / variance) if variance > 0 else trials
    return _wilson(share, trials)


def _by_place(place: NDArray[np.integer], values: NDArray) -> tuple[NDArray[np.intp], Floats]:
    """How many values each place has, and their sum; places without any are left out."""
    count = np.bincount(place)
    there = count > 0
    return count[there], np.bincount(place, values)[there].astype(float)


def _wilson(share: float, trials: float) -> Interval:
    z = float(ndtri(0.975))
    middle = (share + z**2 / (2 * trials)) / (1 + z**2 / trials)
    reach = z * float(np.sqrt(share * (1 - share) / trials + (z / (2 * trials)) ** 2)) / (1 + z**2 / trials)
    # At the ends the formula gives 0 and 1, but for rounding.
    return Interval(share, middle - reach if share > 0 else 0.0, middle + reach if share < 1 else 1.0)


def quantiles(values: ArrayLike, probabilities: tuple[float, ...] = (0.5, 0.9, 0.95)) -> Floats:
    """Quantiles of values of any shape; infinite values count as larger than all others."""
    flat = np.sort(np.asarray(values, dtype=float), axis=None)
    return flat[np.minimum((np.array(probabilities) * flat.size).astype(int), flat.size - 1)]
