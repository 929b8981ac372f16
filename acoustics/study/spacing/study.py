"""How far apart should the hydrophones be, and what sample rate does the recorder need?

The scene's own array is scaled as a whole; 'spacing' is its shortest baseline. For every spacing: the bearing
error that theory allows with the right cycle of the carrier, the probability of the wrong one, both together,
and simulation beside them. For every sample rate: what rounding to samples would cost.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.physics.levels import power_ratio_db
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.spacing.recommendation import (
    SIMULATED,
    Curves,
    PingerChoice,
    Recommendation,
    each_pinger,
    recommended,
)
from acoustics.study.spacing.sweep import MEASURED, SimulatedBearings, Sweep, common_spacings
from acoustics.study.spacing.uneven import Alternative, alternative
from acoustics.study.spacing.work import A_MEASURED_PING, A_SEARCH, A_SWEEP, AN_OUTCOME, Work

_FEW_CYCLES = 5.0


@record
class SpacingStudy(Result):
    """Bearing error by spacing, shape (n_spacings,), and by sample rate and spacing, (n_rates, n_spacings).

    All errors are RMS over bearings in degrees. Bounds, by the burst up to the first strong echo: `right_integer_deg`
    (carrier's phase, cycle given), `envelope_deg` (envelope alone). Prediction, of the vehicle's own estimator, which
    uses `used_s` of the burst with 2E/N0 `used_energy_ratio_db`: `expected_deg` (right and wrong cycles mixed with
    probability `wrong_integer`). Infinite: not observed, no better than a guess. `onset_deg` and `lag_deg` are
    `envelope_deg` and `right_integer_deg` with each onset, or each correlation lag, rounded to a sample; `phase_deg` is
    interpolated. Of several pingers `pinger` is the one that decides: it errs most at the recommended spacing, which
    must serve all; `each_pinger` has them all, and is empty where there is one. `alternative` is the uneven array that
    the hull allows, beside the recommended one, for the pinger that decides; None where `place` cannot search.
    """

    title: str
    array: str
    pinger: str
    frequency_hz: float
    range_m: float
    multipath_free_s: float
    energy_ratio_db: float
    used_s: float
    used_energy_ratio_db: float
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
    each_pinger: tuple[PingerChoice, ...]
    alternative: Alternative | None
    remarks: tuple[str, ...]


def study_spacing(
    scene: Scene,
    pingers: Sequence[Pinger],
    *,
    trials: int,
    seed: int,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> SpacingStudy:
    """Sweep spacing by sample rate for a scene, simulate at a few spacings, and recommend one combination.

    Parameters
    ----------
    scene : Scene
        Its array gives the shape, its vehicle and pingers the ranges, the multipath-free windows and the depressions.
    pingers : sequence of Pinger
        Those of the scene that spacing and rate must serve; the curves are those of the one that decides.
    trials : int
        Simulated pings at each of the simulated spacings.
    seed : int
        Seed of the simulation; each spacing has its own child of it.
    progress : callable, optional
        Told after each part how much of how much is behind, in simulated pings that take as long.

    Raises
    ------
    ParameterError
        What `Sweep.of` refuses.
    """
    sweeps = [Sweep.of(scene, pinger) for pinger in pingers]
    spacing = common_spacings(sweeps)
    rates = np.array(scene.study.sample_rates_hz)
    scale = A_MEASURED_PING * len(sweeps[0].bearings)
    each = MEASURED * scale + A_SWEEP
    work = Work(progress, len(sweeps) * each + SIMULATED * trials + A_SEARCH + scale + 4 * AN_OUTCOME)
    work.did(0)
    curves = []
    for sweep in sweeps:
        curves.append(Curves.of(sweep, spacing, rates))
        work.did(each)
    choice, decides, simulated = recommended(sweeps, spacing, curves, rates, trials=trials, seed=seed, work=work)
    sweep, shown = sweeps[decides], curves[decides]
    other = alternative(sweep, choice, trials=trials, seed=seed, work=work)
    work.did(work.planned - work.done)
    return SpacingStudy(
        title=scene.title,
        array=scene.array.name,
        pinger=sweep.pinger.name,
        frequency_hz=sweep.pinger.frequency_hz,
        range_m=sweep.range_m,
        multipath_free_s=sweep.window_s,
        energy_ratio_db=float(power_ratio_db(sweep.link.energy_ratio_2e_n0)),
        used_s=sweep.measured.window_s,
        used_energy_ratio_db=float(power_ratio_db(sweep.measured.energy_ratio_2e_n0)),
        bearings=sweep.bearings_in_words,
        half_wavelength_m=sweep.half_wavelength_m,
        hull_limit_m=sweep.hull_limit_m,
        target_deg=scene.study.bearing_target_deg,
        wrong_cycle_limit=scene.study.wrong_cycle_limit,
        seed=seed,
        spacing_m=spacing,
        right_integer_deg=shown.right,
        envelope_deg=shown.envelope,
        wrong_integer=shown.wrong,
        expected_deg=shown.expected,
        sample_rate_hz=rates,
        phase_deg=shown.phase,
        lag_deg=shown.lag,
        onset_deg=shown.onset,
        simulated=simulated,
        recommendation=choice,
        each_pinger=each_pinger(sweeps, spacing, curves, rates, choice) if len(sweeps) > 1 else (),
        alternative=other,
        remarks=_remarks(sweep),
    )


def _remarks(sweep: Sweep) -> tuple[str, ...]:
    """When not to trust the figures as they stand."""
    cycles = sweep.window_s * sweep.pinger.frequency_hz
    if cycles >= _FEW_CYCLES:
        return ()
    return (
        f"Only {cycles:.1f} cycles of the carrier arrive before the first strong echo, and bounds count these alone. "
        "The vehicle's own estimator uses two at least, with the echoes in them. A place nearer the pinger, or further "
        "from surface and floor, is worth more than a better array.",
    )
