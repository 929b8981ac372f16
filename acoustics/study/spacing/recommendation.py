"""Which spacing and sample rate to take: the smallest that serves every pinger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, unless_guessed
from acoustics.base.record import record
from acoustics.study.spacing.prediction import Prediction
from acoustics.study.spacing.sweep import SimulatedBearings, Sweep
from acoustics.study.spacing.work import Work

_AS_GOOD_AS_BEST = 1.05
# A spacing whose pings are guesses has about the RMS of a guess: it is predicted from some thousands of draws, and
# wrong directions are put back on the sphere at its tangent.
_GUESSED_DEG = 0.9 * float(np.rad2deg(BEARING_GUESS_SD))
SIMULATED = 10  # spacings, or one less


@record
class Recommendation:
    """One combination, and what decides it.

    `expected_deg` (infinite: no better than a guess) and `wrong_integer` are of the pinger that fares worst: predicted,
    or simulated where `simulated_worse` says that the simulation contradicts the prediction. Up to `free_spacing_m` the
    phase alone tells the cycle of every pinger. `highest_pinger` has the highest band, up to `band_top_hz`, for which
    the recorder must leave room.
    """

    spacing_m: float
    sample_rate_hz: float
    expected_deg: float
    wrong_integer: float
    meets_target: bool
    free_spacing_m: float
    highest_pinger: str
    band_top_hz: float
    simulated_worse: bool = False


@record
class PingerChoice:
    """One of several pingers: what it would take alone, and what the spacing for all gives it (predictions)."""

    pinger: str
    frequency_hz: float
    alone_spacing_m: float
    alone_sample_rate_hz: float
    expected_deg: float
    wrong_integer: float


@record
class Curves:
    """Of one pinger by spacing, (n_spacings,); the last three by sample rate and spacing, (n_rates, n_spacings).

    RMS bearing errors [deg], infinite where a guess would do as well: `right`, `envelope`: bounds by the carrier with
    the right cycle, and by the envelope; `expected`: predicted, wrong cycles included; `phase`, `lag`, `onset`: bounds
    with what a sample rate adds to phases, to lags and to onsets that are rounded to samples. `wrong`: share of the
    pings with a wrong cycle. `predicted`: all of it, as it was before any simulation.
    """

    right: Floats
    envelope: Floats
    wrong: Floats
    expected: Floats
    phase: Floats
    lag: Floats
    onset: Floats
    predicted: Prediction

    @classmethod
    def of(cls, sweep: Sweep, spacing_m: Floats, rates_hz: Floats) -> Curves:
        right, envelope = (
            sweep.bound_deg(spacing_m, variance)
            for variance in (sweep.link.carrier_variance_s2, sweep.link.envelope_variance_s2)
        )
        predicted = sweep.predicted(spacing_m)
        by_rate = zip(*(sweep.by_rate(spacing_m, rate) for rate in rates_hz), strict=True)
        errors = (right, envelope, predicted.rms_deg, *(np.array(rows) for rows in by_rate))
        right, envelope, expected, phase, lag, onset = (
            unless_guessed(error, np.rad2deg(BEARING_GUESS_SD)) for error in errors
        )
        return cls(right, envelope, predicted.wrong, expected, phase, lag, onset, predicted)


def each_pinger(
    sweeps: Sequence[Sweep], spacing_m: Floats, curves: Sequence[Curves], rates_hz: Floats, choice: Recommendation
) -> tuple[PingerChoice, ...]:
    """What each pinger would take alone, and what the common choice gives it."""
    at = int(np.argmin(np.abs(spacing_m - choice.spacing_m)))
    alone = [_recommend([s], spacing_m, [c], rates_hz)[0] for s, c in zip(sweeps, curves, strict=True)]
    return tuple(
        PingerChoice(
            pinger=sweep.pinger.name,
            frequency_hz=sweep.pinger.frequency_hz,
            alone_spacing_m=own.spacing_m,
            alone_sample_rate_hz=own.sample_rate_hz,
            expected_deg=float(curve.expected[at]),
            wrong_integer=float(curve.wrong[at]),
        )
        for sweep, curve, own in zip(sweeps, curves, alone, strict=True)
    )


def _spacings_to_simulate(spacing_m: Floats, chosen_m: float) -> Floats:
    """About nine of the spacings, evenly over the sweep, and the chosen one."""
    return np.unique(np.append(spacing_m[:: len(spacing_m) // (SIMULATED - 2)], chosen_m))


def recommended(
    sweeps: Sequence[Sweep],
    spacing_m: Floats,
    curves: Sequence[Curves],
    rates_hz: Floats,
    *,
    trials: int,
    seed: int,
    work: Work,
) -> tuple[Recommendation, int, SimulatedBearings]:
    """The recommendation that the simulation does not contradict, the index of the pinger that decides, and its
    simulation, with the recommended spacing among those simulated.
    """
    believed = list(curves)
    again, then = _recommend(sweeps, spacing_m, believed, rates_hz)
    while True:  # what is believed only rises, so it ends
        choice, decides = again, then
        chosen = _spacings_to_simulate(spacing_m, choice.spacing_m)
        curve = believed[decides]
        there = curve.predicted.some(np.searchsorted(spacing_m, chosen))
        simulated = sweeps[decides].simulate(chosen, there, trials, seed, work)
        error_deg = _corrected(spacing_m, curve.expected, simulated.spacing_m, simulated.rms_deg)
        believed[decides] = replace(
            curve,
            expected=unless_guessed(error_deg, np.rad2deg(BEARING_GUESS_SD)),
            wrong=_corrected(spacing_m, curve.wrong, simulated.spacing_m, simulated.wrong_integer),
        )
        again, then = _recommend(sweeps, spacing_m, believed, rates_hz)
        if (again.spacing_m, then) == (choice.spacing_m, decides):
            break
        work.planned += trials * len(chosen)
    row = int(np.searchsorted(spacing_m, choice.spacing_m))
    before, after = curves[decides], believed[decides]
    contradicted = after.expected[row] != before.expected[row] or after.wrong[row] != before.wrong[row]
    if contradicted:
        choice = replace(again, simulated_worse=True)
    return choice, decides, simulated


def _corrected(spacing_m: Floats, predicted: Floats, simulated_m: Floats, simulated: tuple[Interval, ...]) -> Floats:
    """Predictions, but about a simulated spacing whose whole interval lies above its prediction the simulated value."""
    there = predicted[np.searchsorted(spacing_m, simulated_m)]
    value, low = (np.array([getattr(one, name) for one in simulated]) for name in ("value", "low"))
    nearest = np.argmin(np.abs(np.log(spacing_m[:, None] / simulated_m)), axis=-1)
    return np.where((low > there)[nearest], np.maximum(predicted, value[nearest]), predicted)


def _recommend(
    sweeps: Sequence[Sweep], spacing_m: Floats, curves: Sequence[Curves], rates_hz: Floats
) -> tuple[Recommendation, int]:
    """The smallest spacing that meets the target for every pinger within hull and cycle limit, else the most accurate.

    With it the index of the pinger that decides, the one that errs most there.
    """
    plan, hull_m = sweeps[0].scene.study, sweeps[0].hull_limit_m
    expected, wrong = (np.array([getattr(c, name) for c in curves]) for name in ("expected", "wrong"))
    worst_deg = unless_guessed(expected, _GUESSED_DEG).max(axis=0)
    fits = spacing_m <= hull_m * (1 + 1e-9)
    sure = fits & (wrong.max(axis=0) <= plan.wrong_cycle_limit)
    meets = sure & (worst_deg <= plan.bearing_target_deg)
    pool = sure if sure.any() else fits
    best = int(np.flatnonzero(meets)[0] if meets.any() else np.flatnonzero(pool)[np.argmin(worst_deg[pool])])
    highest = max(sweeps, key=lambda sweep: sweep.pinger.band_hz[1])
    choice = Recommendation(
        spacing_m=float(spacing_m[best]),
        sample_rate_hz=_lowest_rate(sweeps, [c.phase[:, best] for c in curves], rates_hz),
        expected_deg=float(worst_deg[best]),
        wrong_integer=float(wrong[:, best].max()),
        meets_target=bool(meets.any()),
        free_spacing_m=float(highest.free_spacing_m),
        highest_pinger=highest.pinger.name,
        band_top_hz=highest.pinger.band_hz[1],
    )
    return choice, int(np.argmax(expected[:, best]))


def _lowest_rate(sweeps: Sequence[Sweep], phase_deg: Sequence[Floats], rates_hz: Floats) -> float:
    """The lowest rate that leaves room for every band and costs no pinger accuracy; `phase_deg` by rate, each."""
    enough = rates_hz >= max(sweep.pinger.least_sample_rate_hz for sweep in sweeps)
    good = enough & np.all([error <= _AS_GOOD_AS_BEST * error[enough].min() for error in phase_deg], axis=0)
    return float(rates_hz[good].min())
