"""Does the package, on this machine, give the published values, and do its estimators reach their bounds?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity import wrong_integer_probability_pair
from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.record import record
from acoustics.base.regions import inside_region
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.timing_bounds import arrival_time_variance
from acoustics.scene.scenario import load_array
from acoustics.study.draws import ArrivalErrors, simulate_bearings, simulate_fixes
from acoustics.study.selfcheck.published import PUBLISHED

TRIALS = 4000  # a root mean square is then known to 1.1 %, a coverage of 95 % to 0.35 %
# Standard errors. Where nothing is wrong one simulated value in 16,000 lies beyond.
_DEVIATIONS = 4.0
_SECOND_ORDER = 0.01  # what a bound, exact for small errors, leaves out
_SPEED_M_S, _CARRIER_HZ, _ENERGY_RATIO_DB = 1480.0, 30e3, 35.0
_BEARING_ARRAYS = ("square-half-wave", "tetra-4")
_BEARING, _DEPRESSION, _SOURCE_M = 0.7, 0.4, np.array([2.0, 1.0, 1.5])


@record
class Check:
    """One value against its reference; with a 95 % confidence interval where it is simulated."""

    quantity: str
    unit: str
    value: float
    interval: Interval | None
    reference: float
    source: str
    deviation: float
    tolerance: float
    passed: bool


@record
class SelfCheck:
    """All checks, and whether every one passed."""

    trials: int
    seed: int
    checks: tuple[Check, ...]
    passed: bool


def self_check(
    *, seed: int = 1, trials: int = TRIALS, progress: Callable[[int, int], None] = lambda done, total: None
) -> SelfCheck:
    """Published values, then simulation at the level of delays against the bounds.

    Parameters
    ----------
    seed : int
        Of the simulation.
    trials : int
        Pings for each simulated row.
    progress : callable
        Told how many of how many simulated checks are done.
    """
    checks = list(_published())
    total = 2 * len(_BEARING_ARRAYS) + 3
    progress(0, total)
    for done, check in enumerate(_simulated(trials, seed), 1):
        checks.append(check)
        progress(done, total)
    return SelfCheck(trials, seed, tuple(checks), all(check.passed for check in checks))


def _check(
    quantity: str, unit: str, value: float, reference: float, tolerance: float, source: str, interval: Interval | None
) -> Check:
    deviation = value - reference
    return Check(
        quantity, unit, value, interval, reference, source, deviation, tolerance, bool(abs(deviation) <= tolerance)
    )


def _published() -> Iterator[Check]:
    for known in PUBLISHED:
        value = float(np.asarray(known.compute()))
        yield _check(known.quantity, known.unit, value, known.reference, known.tolerance, known.source, None)


def _simulated(trials: int, seed: int) -> Iterator[Check]:
    children = iter(np.random.SeedSequence(seed).spawn(len(_BEARING_ARRAYS) + 2))
    for name in _BEARING_ARRAYS:
        yield from _bearing_rows(name, trials, np.random.default_rng(next(children)))
    yield from _position_rows("hull-4", trials, np.random.default_rng(next(children)))
    yield _wrong_integer_row(trials, np.random.default_rng(next(children)))


def _errors() -> tuple[ArrivalErrors, dict[str, Any]]:
    """Errors of every kind that moves an arrival, for the simulation and for the bounds."""
    variance = float(arrival_time_variance(10 ** (_ENERGY_RATIO_DB / 10), (2 * np.pi * _CARRIER_HZ) ** 2))
    attitude = np.deg2rad([0.5, 0.5, 1.0])
    sizes = ErrorSizes(
        attitude_sd=attitude, sound_speed_sd_m_s=3.0, element_sd_m=np.array(2e-4), skew_sd_s=np.array(1e-7)
    )
    return ArrivalErrors(variance, 1e-14, sizes), {
        "arrival_variance_s2": variance,
        "skew_sd_s": sizes.skew_sd_s,
        "element_sd_m": sizes.element_sd_m,
        "sound_speed_sd_m_s": sizes.sound_speed_sd_m_s,
    }


def _bearing_rows(name: str, trials: int, rng: np.random.Generator) -> Iterator[Check]:
    hydrophones = load_array(name).positions_m
    errors, sizes = _errors()
    found = simulate_bearings(
        hydrophones,
        np.full(trials, _BEARING),
        np.full(trials, _DEPRESSION),
        _SPEED_M_S,
        errors,
        _CARRIER_HZ,
        rng,
    )
    bound = bearing_bound(hydrophones, _BEARING, _DEPRESSION, _SPEED_M_S, **sizes)
    yield _ratio_row(f"bearing, {name}: RMS over bound", found.error / float(bound.bearing_sd), rng)
    yield _coverage_row(f"bearing, {name}: inside its 95 % region", found.inside_95)


def _position_rows(name: str, trials: int, rng: np.random.Generator) -> Iterator[Check]:
    hydrophones = load_array(name).positions_m
    errors, sizes = _errors()
    fix = simulate_fixes(
        hydrophones,
        _SOURCE_M[None],
        _SPEED_M_S,
        errors,
        source_depth_sd_m=0.1,
        trials=trials,
        rng=rng,
    )
    bound = position_bound(
        hydrophones,
        _SOURCE_M,
        _SPEED_M_S,
        source_depth_sd_m=0.1,
        attitude_sd=errors.sizes.attitude_sd,
        pivot_m=np.zeros(3),
        **sizes,
    )
    error = (fix.position_m[0] - _SOURCE_M)[:, :2]
    relative = np.linalg.norm(error, axis=-1) / float(bound.horizontal_rms_m)
    yield _ratio_row(f"position, {name} at 2.7 m: RMS over bound", relative, rng)
    yield _coverage_row(
        f"position, {name}: inside its 95 % ellipse", inside_region(error, fix.covariance_m2[0, :, :2, :2])
    )


def _wrong_integer_row(trials: int, rng: np.random.Generator) -> Check:
    """A pair four wavelengths wide, abeam, whose coarse delay is just fine enough to err in one ping of ten."""
    pair = np.array([[0.0, -0.1, 0.0], [0.0, 0.1, 0.0]])
    coarse_sd = 1.0 / (2.0 * _CARRIER_HZ) / 1.6448536  # 10 % of a normal distribution lies beyond so many sd
    errors = ArrivalErrors(1e-18, 0.5 * coarse_sd**2, ErrorSizes())
    found = simulate_bearings(pair, np.zeros(trials), np.zeros(trials), _SPEED_M_S, errors, _CARRIER_HZ, rng)
    expected = float(wrong_integer_probability_pair(coarse_sd, _CARRIER_HZ))
    share = rate_interval(int(found.wrong_integer.sum()), trials)
    tolerance = _DEVIATIONS * np.sqrt(expected * (1 - expected) / trials)
    return _check(
        "wrong cycles of a wide pair", "", share.value, expected, tolerance, "normal tails beyond half a period", share
    )


def _ratio_row(quantity: str, relative: Floats, rng: np.random.Generator) -> Check:
    """RMS of errors in units of the bound, which by the bound is 1."""
    found = rms_interval(relative, rng)
    tolerance = _DEVIATIONS / np.sqrt(2.0 * relative.size) + _SECOND_ORDER
    return _check(quantity, "", found.value, 1.0, tolerance, "Cramer-Rao bound, Van Trees 1968, sec. 2.4", found)


def _coverage_row(quantity: str, inside: NDArray[np.bool_]) -> Check:
    found = rate_interval(int(inside.sum()), inside.size)
    tolerance = _DEVIATIONS * np.sqrt(0.95 * 0.05 / inside.size)
    return _check(quantity, "", found.value, 0.95, tolerance, "chi-square region of the stated covariance", found)
