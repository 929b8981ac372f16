"""What the errors of many pings say of an estimator: figures with their 95 % intervals, and limits to hold them to."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.record import record
from acoustics.study.validate.trials import ANSWERED, FAILED, REFUSED, Arrays

_RESAMPLES = 1000
_AT_ONCE = 2_000_000  # numbers of one resampled table, 16 MB
_WITHIN = 0.95
UNKNOWN = Interval(np.inf, 0.0, np.inf)

Statistic = Callable[[Floats, Floats], Floats]


@record
class Score:
    """Figures of one group of pings, each a simulation with its 95 % interval. Errors are those of the bearing.

    Attributes
    ----------
    group : str
        Which pings.
    trials, answered : int
        Pings, and those with a bearing; errors are of the latter alone.
    rms_deg, median_deg, p95_deg, bias_deg : Interval
        Root mean square, median and 95th percentile of the size, and mean of the error [deg]; infinite without any.
    wrong_integer : Interval
        Share of the bearings whose delays are over half a period off on some baseline; see `compare`.
    refused, failed : Interval
        Share of the pings.
    coverage : Interval or None
        Share of the stated 95 % regions of the bearing that hold the truth, of several candidates the highest-density
        region of their mixture; None if no uncertainty was stated.
    bound_rms_deg : float
        Root mean square of the Cramer-Rao bound over the answered pings that have one [deg].
    efficiency : Interval or None
        `bound_rms_deg` over the RMS of the same pings; 1 is the best that an unbiased estimator can do with
        the part of the burst that the bound counts.
    position_median_m : Interval or None
        Median distance of the stated position from the true one [m]; None if none was stated.
    """

    group: str
    trials: int
    answered: int
    rms_deg: Interval
    median_deg: Interval
    p95_deg: Interval
    bias_deg: Interval
    wrong_integer: Interval
    refused: Interval
    failed: Interval
    coverage: Interval | None
    bound_rms_deg: float
    efficiency: Interval | None
    position_median_m: Interval | None

    @property
    def unanswered(self) -> Interval:
        """Share of the pings without a bearing, refused or failed."""
        return rate_interval(self.trials - self.answered, self.trials)


def score(group: str, trials: Arrays, rng: np.random.Generator) -> Score:
    """Figures of a group of at least one trial.

    Parameters
    ----------
    group : str
        Its name.
    trials : dict of ndarray
        From `compare`.
    rng : Generator
        Of the bootstrap.

    Notes
    -----
    Errors have percentile bootstrap intervals (Efron 1979) over pings; shares have Wilson's (1927), since a bootstrap
    of a share that is 0 or 1 has no width.
    """
    n, outcome = len(trials["outcome"]), trials["outcome"]
    gave = outcome == ANSWERED
    error = np.rad2deg(_floats(trials, "error")[gave])
    bound, level = np.rad2deg(_floats(trials, "bound")[gave]), _floats(trials, "level")[gave]
    place = _floats(trials, "position_error_m")[gave]
    says, placed, bounded = np.isfinite(level), np.isfinite(place), np.isfinite(bound)
    inside = level[says] <= _WITHIN
    return Score(
        group=group,
        trials=n,
        answered=int(gave.sum()),
        rms_deg=bootstrap(error, _rms, rng, least=0.0),
        median_deg=bootstrap(error, _median_size, rng, least=0.0),
        p95_deg=bootstrap(error, _p95_size, rng, least=0.0),
        bias_deg=bootstrap(error, _mean, rng, least=-np.inf),
        wrong_integer=rate_interval(int(trials["wrong_integer"][gave].sum()), len(error)) if len(error) else UNKNOWN,
        refused=rate_interval(int(np.sum(outcome == REFUSED)), n),
        failed=rate_interval(int(np.sum(outcome == FAILED)), n),
        coverage=rate_interval(int(inside.sum()), len(inside)) if len(inside) else None,
        bound_rms_deg=float(np.sqrt(np.mean(bound[bounded] ** 2))) if bounded.any() else np.inf,
        efficiency=bootstrap(error[bounded], _efficiency, rng, least=0.0, beside=bound[bounded])
        if bounded.any()
        else None,
        position_median_m=bootstrap(place[placed], _median_size, rng, least=0.0) if placed.any() else None,
    )


def bootstrap(
    values: Floats, statistic: Statistic, rng: np.random.Generator, *, least: float, beside: Floats | None = None
) -> Interval:
    """A statistic of values of shape (n,) with its 95 % percentile bootstrap interval (Efron 1979).

    Parameters
    ----------
    values : ndarray, shape (n,)
        Fewer than two: the interval is open, from `least`; none: so is the value.
    statistic : callable
        Of tables of values and of what goes with each, (m, n), along the last axis.
    rng : Generator
        Draws the resamples.
    least : float
        The lowest value that the statistic can have.
    beside : ndarray, shape (n,), optional
        What goes with each value and is drawn together with it.
    """
    n, beside = len(values), values if beside is None else beside
    if n == 0:
        return Interval(np.inf, least, np.inf)
    value = float(statistic(values[None], beside[None])[0])
    if n < 2:
        return Interval(value, least, np.inf)
    drawn, step = np.empty(_RESAMPLES), max(_AT_ONCE // n, 1)
    for start in range(0, _RESAMPLES, step):
        pick = rng.integers(n, size=(min(step, _RESAMPLES - start), n))
        drawn[start : start + step] = statistic(values[pick], beside[pick])
    # Not interpolated: a resample may be infinite.
    low, high = np.quantile(drawn, [0.025, 0.975], method="inverted_cdf")
    return Interval(value, float(low), float(high))


def _rms(error: Floats, _: Floats) -> Floats:
    return np.sqrt(np.mean(error**2, axis=-1))


def _mean(error: Floats, _: Floats) -> Floats:
    return np.asarray(error.mean(axis=-1))


def _median_size(error: Floats, _: Floats) -> Floats:
    return np.asarray(np.median(np.abs(error), axis=-1))


def _p95_size(error: Floats, _: Floats) -> Floats:
    return np.asarray(np.quantile(np.abs(error), 0.95, axis=-1))


def _efficiency(error: Floats, bound: Floats) -> Floats:
    with np.errstate(divide="ignore"):  # no error at all: infinitely efficient
        return _rms(bound, bound) / _rms(error, error)


def _floats(trials: Arrays, name: str) -> NDArray[np.float64]:
    return np.asarray(trials[name], dtype=float)


@record
class Limits:
    """What an estimator must keep to pass; None: not asked for. Each is held against the unfavourable end of the 95 %
    interval over all pings, so that a pass is shown and not luck."""

    max_rms_deg: float | None = None
    max_p95_deg: float | None = None
    max_unanswered_percent: float | None = None
    min_coverage_percent: float | None = None


NO_LIMITS = Limits()


def missed_limits(overall: Score, limits: Limits) -> tuple[str, ...]:
    """For every limit that is missed one sentence that says by how much, and which end was compared."""
    unanswered, coverage = overall.unanswered, overall.coverage
    highest = (
        ("RMS", "deg", overall.rms_deg.value, overall.rms_deg.high, limits.max_rms_deg),
        ("95th percentile", "deg", overall.p95_deg.value, overall.p95_deg.high, limits.max_p95_deg),
        ("unanswered", "%", 100 * unanswered.value, 100 * unanswered.high, limits.max_unanswered_percent),
    )
    missed = [
        f"{name} {value:.3g} {unit}, 95 % interval up to {high:.3g} {unit}: over the limit of {most:g} {unit} by "
        f"{high - most:.2g} {unit} at the upper end"
        if np.isfinite(high)
        else f"{name}: too few pings were answered for an upper end, so the limit of {most:g} {unit} is not met"
        for name, unit, value, high, most in highest
        if most is not None and not high <= most
    ]
    if limits.min_coverage_percent is not None:
        least = limits.min_coverage_percent
        if coverage is None:
            missed.append(f"coverage: no uncertainty was stated, so the limit of {least:g} % is not met")
        elif 100 * coverage.low < least:
            missed.append(
                f"coverage {100 * coverage.value:.3g} %, 95 % interval from {100 * coverage.low:.3g} %: under the "
                f"limit of {least:g} % by {least - 100 * coverage.low:.2g} % at the lower end"
            )
    return tuple(missed)
