"""How far apart should the hydrophones be, and what sample rate does the recorder need?

The scene's own array is scaled as a whole; 'spacing' is its shortest baseline. For every spacing: the bearing
error that theory allows with the right cycle of the carrier, the probability of the wrong one, both together,
and simulation beside them. For every sample rate: what rounding to samples would cost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from acoustics.accuracy.ambiguity import mixture_bearing_rms
from acoustics.base.frames import Floats
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, unless_guessed
from acoustics.base.result import Result
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.spacing.sweep import SimulatedBearings, Sweep

_AS_GOOD_AS_BEST = 1.05
_FEW_CYCLES = 5.0
_CONTRADICTED = "Here the simulation found more than was predicted, and its figures are the ones given."


@dataclass(frozen=True)
class Recommendation:
    """One combination, and why."""

    spacing_m: float
    sample_rate_hz: float
    expected_deg: float
    wrong_integer: float
    meets_target: bool
    reason: str


@dataclass(frozen=True)
class SpacingStudy(Result):
    """Bearing error by spacing, shape (n_spacings,), and by sample rate and spacing, (n_rates, n_spacings).

    All errors are RMS over bearings in degrees. Bounds: `right_integer_deg` (carrier's phase, cycle given),
    `envelope_deg` (envelope alone). Prediction: `expected_deg` (right and wrong cycles mixed with probability
    `wrong_integer`). Infinite: not observed, no better than a guess. `onset_deg` and `lag_deg` are `envelope_deg` and
    `right_integer_deg` with each onset, or each correlation lag, rounded to a sample; `phase_deg` is interpolated.
    """

    title: str
    array: str
    pinger: str
    frequency_hz: float
    range_m: float
    multipath_free_s: float
    energy_ratio_db: float
    bearings: str
    half_wavelength_m: float
    hull_limit_m: float
    target_deg: float
    wrong_cycle_limit: float
    seed: int
    spacing_m: Floats
    right_integer_deg: Floats
    envelope_deg: Floats
    wrong_integer: Floats
    expected_deg: Floats
    sample_rate_hz: Floats
    phase_deg: Floats
    lag_deg: Floats
    onset_deg: Floats
    simulated: SimulatedBearings
    recommendation: Recommendation
    remarks: tuple[str, ...]


def study_spacing(
    scene: Scene,
    pinger: Pinger,
    *,
    trials: int,
    seed: int,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> SpacingStudy:
    """Sweep spacing by sample rate for a scene, simulate at a few spacings, and recommend one combination.

    Parameters
    ----------
    scene : Scene
        Its array gives the shape, its vehicle and pinger the range, the multipath-free window and the depression.
    pinger : Pinger
        One of the scene's.
    trials : int
        Simulated pings at each of the simulated spacings.
    seed : int
        Seed of the simulation; each spacing has its own child of it.
    progress : callable, optional
        Told after every spacing how many of how many are simulated.

    Raises
    ------
    ParameterError
        What `Sweep.of` refuses.
    """
    sweep = Sweep.of(scene, pinger)
    spacing = sweep.spacings()
    right, envelope = (
        sweep.bound_deg(spacing, sweep.link.carrier_variance_s2),
        sweep.bound_deg(spacing, sweep.link.envelope_variance_s2),
    )
    wrong, jump = sweep.wrong_integers(spacing)
    expected = mixture_bearing_rms(right, wrong, jump)
    rates = np.array(scene.study.sample_rates_hz)
    phase, lag, onset = (np.array(rows) for rows in zip(*(sweep.by_rate(spacing, rate) for rate in rates), strict=True))
    right, envelope, expected, phase, lag, onset = (
        unless_guessed(error, np.rad2deg(BEARING_GUESS_SD)) for error in (right, envelope, expected, phase, lag, onset)
    )
    predicted = _Predicted(spacing, expected, wrong, rates, phase)
    choice, simulated = _tried(sweep, predicted, trials, seed, progress)
    return SpacingStudy(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        frequency_hz=pinger.frequency_hz,
        range_m=sweep.range_m,
        multipath_free_s=sweep.window_s,
        energy_ratio_db=float(10 * np.log10(sweep.link.energy_ratio_2e_n0)),
        bearings=sweep.bearings_in_words,
        half_wavelength_m=sweep.half_wavelength_m,
        hull_limit_m=sweep.hull_limit_m,
        target_deg=scene.study.bearing_target_deg,
        wrong_cycle_limit=scene.study.wrong_cycle_limit,
        seed=seed,
        spacing_m=spacing,
        right_integer_deg=right,
        envelope_deg=envelope,
        wrong_integer=wrong,
        expected_deg=expected,
        sample_rate_hz=rates,
        phase_deg=phase,
        lag_deg=lag,
        onset_deg=onset,
        simulated=simulated,
        recommendation=choice,
        remarks=_remarks(sweep),
    )


def _remarks(sweep: Sweep) -> tuple[str, ...]:
    """When not to trust the figures as they stand."""
    cycles = sweep.window_s * sweep.pinger.frequency_hz
    if cycles >= _FEW_CYCLES:
        return ()
    return (
        f"Only {cycles:.1f} cycles of the carrier arrive before the first strong echo. Real estimators come near the "
        "bound of so short a piece with difficulty: a place nearer the pinger, or further from surface and floor, "
        "is worth more than a better array.",
    )


def _spacings_to_simulate(spacing_m: Floats, chosen_m: float) -> Floats:
    """About nine of the spacings, evenly over the sweep, and the chosen one."""
    return np.unique(np.append(spacing_m[:: len(spacing_m) // 8], chosen_m))


@dataclass(frozen=True)
class _Predicted:
    """What is chosen by: errors and shares of wrong integers by spacing, interpolated errors by rate and spacing."""

    spacing_m: Floats
    expected_deg: Floats
    wrong_integer: Floats
    rates_hz: Floats
    phase_deg: Floats


def _tried(
    sweep: Sweep, predicted: _Predicted, trials: int, seed: int, progress: Callable[[int, int], None]
) -> tuple[Recommendation, SimulatedBearings]:
    """The recommendation that the simulation does not contradict, and the simulation with it among its spacings."""
    spacing, now = predicted.spacing_m, predicted
    while True:  # what is predicted only rises, so it ends
        choice = _recommend(sweep, now)
        simulated = sweep.simulate(_spacings_to_simulate(spacing, choice.spacing_m), trials, seed, progress)
        error_deg = _corrected(spacing, now.expected_deg, simulated.spacing_m, simulated.rms_deg)
        now = replace(
            now,
            expected_deg=unless_guessed(error_deg, np.rad2deg(BEARING_GUESS_SD)),
            wrong_integer=_corrected(spacing, now.wrong_integer, simulated.spacing_m, simulated.wrong_integer),
        )
        again = _recommend(sweep, now)
        if again.spacing_m == choice.spacing_m:
            break
    row = int(np.searchsorted(spacing, choice.spacing_m))
    contradicted = any(
        getattr(now, name)[row] != getattr(predicted, name)[row] for name in ("expected_deg", "wrong_integer")
    )
    return (replace(again, reason=f"{again.reason} {_CONTRADICTED}") if contradicted else choice), simulated


def _corrected(spacing_m: Floats, predicted: Floats, simulated_m: Floats, simulated: tuple[Interval, ...]) -> Floats:
    """Predictions, but about a simulated spacing whose whole interval lies above its prediction the simulated value."""
    there = predicted[np.searchsorted(spacing_m, simulated_m)]
    value, low = (np.array([getattr(one, name) for one in simulated]) for name in ("value", "low"))
    nearest = np.argmin(np.abs(np.log(spacing_m[:, None] / simulated_m)), axis=-1)
    return np.where((low > there)[nearest], np.maximum(predicted, value[nearest]), predicted)


def _recommend(sweep: Sweep, by: _Predicted) -> Recommendation:
    """The smallest spacing that meets the target within hull and cycle limit, else the most accurate of those."""
    spacing_m, expected_deg, wrong_integer = by.spacing_m, by.expected_deg, by.wrong_integer
    rates_hz, phase_deg = by.rates_hz, by.phase_deg
    plan = sweep.scene.study
    fits = spacing_m <= sweep.hull_limit_m * (1 + 1e-9)
    sure = fits & (wrong_integer <= plan.wrong_cycle_limit)
    meets = sure & (expected_deg <= plan.bearing_target_deg)
    pool = sure if sure.any() else fits
    best = int(np.flatnonzero(meets)[0] if meets.any() else np.flatnonzero(pool)[np.argmin(expected_deg[pool])])
    enough = np.flatnonzero(rates_hz >= sweep.least_rate_hz)
    good = enough[phase_deg[enough, best] <= _AS_GOOD_AS_BEST * phase_deg[enough, best].min()]
    rate = float(rates_hz[good].min())
    reason = _reason(sweep, spacing_m[best], rate, expected_deg[best], wrong_integer[best], bool(meets.any()))
    return Recommendation(
        float(spacing_m[best]),
        rate,
        float(expected_deg[best]),
        float(wrong_integer[best]),
        bool(meets.any()),
        reason,
    )


def _reason(
    sweep: Sweep, spacing_m: float, rate_hz: float, expected_deg: float, wrong_integer: float, meets: bool
) -> str:
    plan = sweep.scene.study
    if np.isinf(expected_deg):
        return (
            "Not observed: by the sound before the first strong echo no spacing within the hull tells the bearing from "
            f"here better than a guess. {1e3 * spacing_m:.0f} mm and {rate_hz / 1e3:g} kHz stand for any."
        )
    if spacing_m <= sweep.half_wavelength_m * (1 + 1e-9) and wrong_integer <= plan.wrong_cycle_limit:
        cycle = "up to half a wavelength the phase alone tells the cycle"
    else:
        rate = "under 0.01 %" if wrong_integer < 1e-4 else f"at {100 * wrong_integer:.2g} %"
        cycle = f"the wrong cycle is predicted {rate} (limit {100 * plan.wrong_cycle_limit:g} %)"
    target, error = f"the target of {plan.bearing_target_deg:g} deg", f"{expected_deg:.2g} deg predicted"
    if wrong_integer > plan.wrong_cycle_limit:
        aim = f"no spacing within the hull keeps wrong cycles under the limit, and this one errs least, {error}"
    elif meets:
        aim = f"it is the smallest spacing whose bearing error, {error}, meets {target}"
    else:
        aim = f"none within the hull and the cycle limit meets {target}, and this one comes nearest with {error}"
    return (
        f"Take {1e3 * spacing_m:.0f} mm and {rate_hz / 1e3:g} kHz: {aim}; {cycle}; the rate is the lowest listed that "
        f"leaves room for the band up to {sweep.pinger.band_hz[1] / 1e3:.1f} kHz, and interpolation gains nothing "
        "from a faster one."
    )
