"""What would a calibration run recover? Simulated runs for planning, before anything is in the water."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.estimate.calibrate import (
    CalibrationPrior,
    CalibrationRun,
    Separation,
    bearing_gain,
    bearing_sd,
    calibrate_array,
    find_unseparated,
    in_place,
    model_times,
    parameter_names,
    posterior_covariance,
    predicted_information,
)
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.calibrate.coverage import SessionErrors, coverage_of, normalised_square
from acoustics.study.calibrate.geometry import RunPlan, planned_prior, planned_run
from acoustics.study.execution import ALONE, Arrays, Running, fingerprint, run_chunks

_SESSIONS_AT_ONCE = 50
_HEADINGS_COMPARED = (1, 2, 3, 4, 6, 8, 12, 24)


@record
class ParameterLine:
    """One parameter: what was known before, the value found, what is known after, and the data's share in that.

    `sd` of a plan is predicted, and `value` the RMS error over simulated runs. `learned` is
    ``1 - (sd / prior_sd)^2``: 0 where only the prior speaks.
    """

    name: str
    unit: str
    prior_sd: float
    value: float
    sd: float
    learned: float


@record
class HeadingsLine:
    """Predicted systematic error of the bearing after a run with so many headings [deg]."""

    headings: int
    bearing_deg: float


@record
class CalibrationPlan(Result):
    """What simulated runs recover.

    `coverage` is the share of runs whose stated 95 % regions, of all parameters or of one kind, hold the truth;
    `normalised_square` the mean of the squared error in units of the stated covariance, over its expectation (1).
    Bearings: systematic error of a far source's site bearing, the median all round, before (by the tolerances),
    after (predicted) and simulated.
    """

    title: str
    array: str
    pinger: str
    range_m: float
    energy_ratio_2e_n0: float
    plan: RunPlan
    pings: int
    runs: int
    refused: int
    parameters: tuple[ParameterLine, ...]
    separation: Separation
    bearing_before_deg: float
    bearing_after_deg: float
    bearing_simulated_deg: Interval
    coverage: dict[str, Interval]
    normalised_square: Interval
    wrong_integers: int
    cycles_right: Interval
    left_out: int
    by_headings: tuple[HeadingsLine, ...]


def plan_calibration(
    scene: Scene,
    pinger: Pinger,
    plan: RunPlan,
    *,
    runs: int,
    seed: int,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> CalibrationPlan:
    """Simulate runs with errors drawn from the scene's tolerances, and calibrate each.

    Parameters
    ----------
    scene : Scene
        For array, tolerances, skew, sound speed, navigation and noise.
    pinger : Pinger
        The source.
    plan : RunPlan
        How the run is held.
    runs : int
        How many to simulate, at least 2.
    seed : int
        Every chunk of runs has its own child of it.
    running : Running
        Who simulates, and where finished chunks of runs are kept.
    progress : callable
        Told how many of how many chunks are finished.

    Returns
    -------
    CalibrationPlan

    Raises
    ------
    ParameterError
        A plan that is not possible in the scene.
    """
    if runs < 2:
        raise ParameterError(f"runs={runs}: expected at least 2")
    run, _, ratio, range_m = planned_run(scene, pinger, plan)
    prior = planned_prior(scene, pinger, plan)
    gain = bearing_gain(prior.hydrophones_m, prior.sound_speed_m_s)
    outcome = _simulate(scene, pinger, plan, runs, seed, running, progress)
    information = predicted_information(run, prior)
    sd = np.sqrt(np.diagonal(posterior_covariance(information, prior.calibration_sd)))
    usable = outcome.ok
    rms = np.sqrt(np.mean(outcome.error[usable] ** 2, axis=0)) if usable.any() else np.full(len(sd), np.nan)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,)))
    bearing_error = np.rad2deg(outcome.error[usable] @ gain.T)
    middle = int(np.argsort(np.sqrt(np.mean(bearing_error**2, axis=0)))[len(gain) // 2]) if usable.any() else 0
    names = tuple(h.name for h in scene.array.hydrophones)
    return CalibrationPlan(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        range_m=range_m,
        energy_ratio_2e_n0=ratio,
        plan=plan,
        pings=len(run.used),
        runs=runs,
        refused=int(np.sum(~usable)),
        parameters=parameter_lines(names, prior.calibration_sd, rms, sd),
        separation=separation_of(information, prior, run, names),
        bearing_before_deg=_bearing_deg(gain, np.diag(prior.calibration_sd**2)),
        bearing_after_deg=_bearing_deg(gain, posterior_covariance(information, prior.calibration_sd)),
        bearing_simulated_deg=rms_interval(bearing_error[:, middle], rng),
        coverage=coverage_of(outcome, prior.calibration_sd, len(names)),
        normalised_square=normalised_square(outcome, prior.calibration_sd),
        wrong_integers=int(outcome.wrong_integers.sum()),
        cycles_right=rate_interval(int(outcome.pings_right.sum()), runs * len(run.used)),
        left_out=int(outcome.left_out.sum()),
        by_headings=_by_headings(scene, pinger, plan, prior, gain),
    )


def parameter_lines(names: tuple[str, ...], prior_sd: Floats, value: Floats, sd: Floats) -> tuple[ParameterLine, ...]:
    """One line a parameter, from arrays of shape (p,) in SI units; lines are in mm, us, m/s and degrees."""
    n = len(names)
    units = [("mm", 1e3)] * 3 * n + [("us", 1e6)] * n + [("m/s", 1.0)] + [("deg", 180 / np.pi)] * 3
    return tuple(
        ParameterLine(name, unit, scale * p, scale * v, scale * s, 1 - (s / p) ** 2 if p > 0 else 0.0)
        for name, (unit, scale), p, v, s in zip(
            parameter_names(names), units, *(a.tolist() for a in (prior_sd, value, sd)), strict=True
        )
    )


def separation_of(
    information: Floats, prior: CalibrationPrior, run: CalibrationRun, names: tuple[str, ...]
) -> Separation:
    """What pings from these directions do not separate."""
    sight = np.einsum("kj,kji->ki", run.source_m - run.place_m, run.turn)
    sight /= np.linalg.norm(sight, axis=-1, keepdims=True)
    return find_unseparated(information, prior.calibration_sd, prior.hydrophones_m, sight, prior.sound_speed_m_s, names)


@record
class _Chunk:
    """Some runs and their own seed; small, as what is worked out from it is not."""

    scene: Scene
    pinger: Pinger
    plan: RunPlan
    runs: int
    seed: np.random.SeedSequence


def _simulate(
    scene: Scene,
    pinger: Pinger,
    plan: RunPlan,
    runs: int,
    seed: int,
    running: Running,
    progress: Callable[[int, int], None],
) -> SessionErrors:
    starts = range(0, runs, _SESSIONS_AT_ONCE)
    results = run_chunks(
        _some_runs,
        [
            _Chunk(scene, pinger, plan, min(_SESSIONS_AT_ONCE, runs - start), child)
            for start, child in zip(starts, np.random.SeedSequence(seed).spawn(len(starts)), strict=True)
        ],
        running=running,
        fingerprint=fingerprint("calibrate", scene, pinger, plan, runs, seed),
        progress=progress,
    )
    joined: dict[str, Any] = {name: np.concatenate([result[name] for result in results]) for name in results[0]}
    return SessionErrors(**joined)


def _some_runs(chunk: _Chunk) -> Arrays:
    """Draw runs and calibrate each; the fields of `SessionErrors`."""
    run, arrival_sd, *_ = planned_run(chunk.scene, chunk.pinger, chunk.plan)
    prior, rng, size = (
        planned_prior(chunk.scene, chunk.pinger, chunk.plan),
        np.random.default_rng(chunk.seed),
        chunk.runs,
    )
    shared = rng.normal(size=(size, len(prior.shared_sd)))
    pose = rng.normal(size=(size, run.pose_index[-1] + 1, 6))
    pings, n = run.used.shape
    times = model_times(run, prior, shared, pose)
    times = times + rng.normal(size=times.shape) * arrival_sd[:, None]
    off = np.zeros(times.shape, dtype=np.intp)
    wrong = rng.random((size, pings)) < chunk.plan.wrong_integer_share
    channel = rng.integers(1, n, size=(size, pings))[..., None]
    np.put_along_axis(off, channel, (wrong * rng.choice([-1, 1], size=(size, pings)))[..., None], axis=-1)
    times = times - times[..., :1] + off * run.cycle_s[:, None]
    found = calibrate_array(run.with_times(times), prior)
    truth = shared[:, : len(prior.calibration_sd)] * prior.calibration_sd
    (placed, derivative), (true_places, _) = (in_place(prior.hydrophones_m, v) for v in (found.parameters, truth))
    right = np.all(found.cycles == off, axis=-1)
    return {
        "error": found.parameters - truth,
        "covariance": found.covariance,
        "placed_error": placed - true_places,
        "placed_covariance": derivative @ found.covariance @ np.swapaxes(derivative, -1, -2),
        "ok": found.ok,
        "wrong_integers": wrong.sum(axis=-1),
        "pings_right": right.sum(axis=-1),
        "left_out": np.sum(~found.kept, axis=-1),
    }


def _bearing_deg(gain: Floats, covariance: Floats) -> float:
    return float(np.rad2deg(bearing_sd(gain, covariance)))


def _by_headings(
    scene: Scene, pinger: Pinger, plan: RunPlan, prior: CalibrationPrior, gain: Floats
) -> tuple[HeadingsLine, ...]:
    lines = []
    for headings in sorted({*_HEADINGS_COMPARED, plan.headings}):
        run, *_ = planned_run(scene, pinger, replace(plan, headings=headings))
        covariance = posterior_covariance(predicted_information(run, prior), prior.calibration_sd)
        lines.append(HeadingsLine(headings, _bearing_deg(gain, covariance)))
    return tuple(lines)
