"""Figures from simulation, each with its 95 % confidence interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from acoustics.geometry import Floats

_RESAMPLES = 400  # leaves about 5 % uncertainty of the interval's own ends


@dataclass(frozen=True)
class Interval:
    """A simulated value and its 95 % confidence interval."""

    value: float
    low: float
    high: float


def rms_interval(errors: ArrayLike, rng: np.random.Generator) -> Interval:
    """Root mean square of errors of shape (n,), with a percentile bootstrap interval (Efron 1979).

    Not the chi-square interval: errors with wrong cycles among them are far from normal.
    """
    squares = np.square(np.asarray(errors, dtype=float))
    if squares.size < 2:
        value = float(np.sqrt(squares.mean())) if squares.size else np.inf
        return Interval(value, 0.0, np.inf)
    result = stats.bootstrap(
        (squares,), np.mean, n_resamples=_RESAMPLES, batch=50, method="percentile", rng=rng
    ).confidence_interval
    return Interval(float(np.sqrt(squares.mean())), float(np.sqrt(result.low)), float(np.sqrt(result.high)))


def rate_interval(hits: int, trials: int) -> Interval:
    """Share of `hits` in `trials`, with the Wilson (1927) score interval."""
    result = stats.binomtest(hits, trials).proportion_ci(method="wilson")
    return Interval(hits / trials, float(result.low), float(result.high))


def quantiles(values: ArrayLike, probabilities: tuple[float, ...] = (0.5, 0.9, 0.95)) -> Floats:
    """Quantiles of values of any shape; infinite values count as larger than all others."""
    flat = np.sort(np.asarray(values, dtype=float), axis=None)
    return flat[np.minimum((np.array(probabilities) * flat.size).astype(int), flat.size - 1)]
