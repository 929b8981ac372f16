"""Figures from simulation and their intervals, against textbook values and coverage by repetition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from acoustics.base.intervals import (
    masked_rms,
    median_interval,
    quantiles,
    rate_interval,
    rms_interval,
    share_interval,
)

REPEATS = 400
# 400 repeats of a 95 % interval: the share that covers is known to 1.1 %; bootstrap and central limit are exact only
# for many trials, so 90 to 99 % is asked.
COVERED = (0.90, 0.99)


def test_wilson_interval_is_that_of_scipy():
    for hits, trials in [(0, 1), (1, 1), (0, 50), (3, 50), (50, 50), (10, 100), (4_999, 5_000), (123, 100_000)]:
        result, reference = rate_interval(hits, trials), stats.binomtest(hits, trials).proportion_ci(method="wilson")
        assert result.value == hits / trials
        assert (result.low, result.high) == pytest.approx((reference.low, reference.high), abs=1e-12)
        assert 0 <= result.low <= result.value <= result.high <= 1


def test_bootstrap_interval_is_that_of_scipy():
    # Same resamples, since scipy draws them from the generator in the same order.
    sample = np.random.default_rng(4).exponential(size=170)
    reference = stats.bootstrap(
        (sample**2,), np.mean, n_resamples=400, batch=50, method="percentile", rng=np.random.default_rng(5)
    ).confidence_interval
    result = rms_interval(sample, np.random.default_rng(5))
    assert (result.low**2, result.high**2) == pytest.approx((reference.low, reference.high), rel=1e-12)


def test_rms_interval_covers_the_true_rms():
    rng = np.random.default_rng(1)
    inside = [(i := rms_interval(rng.normal(size=200), rng)).low <= 1.0 <= i.high for _ in range(REPEATS)]
    assert COVERED[0] < np.mean(inside) < COVERED[1]


def test_intervals_over_places_cover_what_holds_over_all_places():
    """Of 40 places each has its own size of error and its own share of hits; by the draws alone, 20 of each, the
    intervals cover half as often as they should."""
    rng, place = np.random.default_rng(6), np.repeat(np.arange(40), 20)
    rms, share, alone = [], [], []
    for _ in range(REPEATS):
        errors = np.repeat(rng.exponential(size=40), 20) * rng.normal(size=800)  # of mean square 2
        hits = rng.random(800) < np.repeat(rng.beta(0.5, 4.5, 40), 20)
        rms.append((i := rms_interval(errors, rng, place=place)).low <= np.sqrt(2.0) <= i.high)
        share.append((i := share_interval(hits, place, 800)).low <= 0.1 <= i.high)
        alone.append((i := rate_interval(int(hits.sum()), 800)).low <= 0.1 <= i.high)
    # The squares of exponential sizes are so unlike that the bootstrap over 40 places covers some points less.
    assert 0.84 < np.mean(rms) < COVERED[1]
    assert COVERED[0] < np.mean(share) < COVERED[1] and np.mean(alone) < 0.8


def test_a_share_over_places_that_are_alike_has_wilsons_interval():
    place = np.tile(np.arange(10), 10)
    for hits in (np.zeros(100, dtype=bool), np.arange(100) < 10, np.ones(100, dtype=bool)):
        assert share_interval(hits, place, 100.0) == rate_interval(int(hits.sum()), 100)


def test_many_rms_at_once_cover_the_true_rms():
    rng = np.random.default_rng(2)
    squares = rng.normal(size=(REPEATS, 300)) ** 2
    counts = rng.random(squares.shape) < 0.7
    rms, low, high = masked_rms(squares, counts)
    assert rms[0] == pytest.approx(np.sqrt(squares[0][counts[0]].mean()))
    assert COVERED[0] < np.mean((low <= 1.0) & (high >= 1.0)) < COVERED[1]


def test_rows_with_too_few_trials_are_infinite_and_not_nan():
    rms, low, high = masked_rms(np.array([[4.0, np.nan], [4.0, 9.0]]), np.array([[True, False], [False, False]]))
    assert rms.tolist() == [2.0, np.inf]
    assert low.tolist() == [0.0, 0.0]
    assert high.tolist() == [np.inf, np.inf]


def test_median_interval_covers_the_true_median():
    rng = np.random.default_rng(3)
    inside = [(i := median_interval(rng.normal(size=100), rng)).low <= 0.0 <= i.high for _ in range(REPEATS)]
    assert COVERED[0] < np.mean(inside) < COVERED[1]


def test_infinite_values_count_as_the_largest():
    assert quantiles([1.0, np.inf, 2.0, 3.0]).tolist() == [3.0, np.inf, np.inf]
