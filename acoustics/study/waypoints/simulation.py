"""Whether the bound of a run is what is obtained: runs drawn with all their errors, at the level of delays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.regions import inside_region
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix, spherical_time, unit_vectors_to_source
from acoustics.study.draws import draw_errors
from acoustics.study.execution import Arrays, Running, run_chunks
from acoustics.study.waypoints.information import Heard, hear, run_covariance
from acoustics.study.waypoints.prior import Prior
from acoustics.study.waypoints.value import Worth

_RELINEARISED = 3  # the errors' effect is taken again at each better position
_STEPS = 10
_RUNS_AT_ONCE = 500  # some 10 MB at work


@dataclass(frozen=True)
class WaypointRun:
    """A run as it is planned.

    Attributes
    ----------
    elements_m : ndarray, shape (n_hydrophones, 3)
        Hydrophones in the body frame [m].
    sound_speed_m_s : float
        Assumed [m/s].
    start_m : ndarray, shape (3,)
        Where it starts [m].
    pose : Pose
        Waypoints in order, batch shape (n_waypoints,).
    legs_m : ndarray, shape (n_waypoints,)
        Distance to each from the one before [m].
    heard : Heard
        At each place of the prior, shape (n_places, n_waypoints, ...).
    """

    elements_m: Floats
    sound_speed_m_s: float
    start_m: Floats
    pose: Pose
    legs_m: Floats
    heard: Heard


@dataclass(frozen=True)
class RunTrials:
    """Horizontal errors of simulated runs [m]; `bound_m` is the RMS that the bound allows, `inside_95` the share of
    the stated 95 % ellipses that hold the truth."""

    trials: int
    rms_m: Interval
    bound_m: float
    inside_95: Interval


@dataclass(frozen=True)
class _Chunk:
    """Some runs over one route, with their own seed."""

    route: WaypointRun
    prior: Prior
    errors: ErrorSizes
    worth: Worth
    runs: int
    seed: np.random.SeedSequence


def simulate_waypoint_runs(
    routes: Sequence[WaypointRun],
    prior: Prior,
    errors: ErrorSizes,
    worth: Worth,
    *,
    trials: int,
    seed: int,
    fingerprint: str,
    running: Running,
    progress: Callable[[int, int], None],
) -> list[RunTrials]:
    """Draw pingers from the prior and errors of the stated sizes, hear them at the waypoints, and find them again.

    The position is the most probable one under the true spherical model and the normal prior, found by damped
    Gauss-Newton steps from the place of the prior that fits best.

    Parameters
    ----------
    routes : sequence of WaypointRun
        Each is gone with the same draws, for a fair comparison.
    prior, errors, worth
        As the plan has them.
    trials : int
        Runs over each route, at least 1.
    seed : int
        Every chunk of runs has its own child of it.
    fingerprint : str
        Of all the study's inputs.
    running : Running
        Who simulates, and where finished chunks are kept.
    progress : callable
        Told how many of how many chunks are finished.
    """
    own = np.random.SeedSequence(seed, spawn_key=(1,))
    starts = range(0, trials, _RUNS_AT_ONCE)
    children = own.spawn(len(starts) + 1)
    results = run_chunks(
        _some_runs,
        [
            _Chunk(route, prior, errors, worth, min(_RUNS_AT_ONCE, trials - start), child)
            for route in routes
            for start, child in zip(starts, children, strict=False)
        ],
        running=running,
        fingerprint=fingerprint,
        progress=progress,
    )
    answers = []
    for k in range(len(routes)):
        parts = results[k * len(starts) : (k + 1) * len(starts)]
        error, bound, inside = (np.concatenate([p[name] for p in parts]) for name in ("error_m", "bound_m2", "inside"))
        answers.append(
            RunTrials(
                trials=trials,
                rms_m=rms_interval(error, np.random.default_rng(children[-1])),
                bound_m=float(np.sqrt(bound.mean())),
                inside_95=rate_interval(int(inside.sum()), trials),
            )
        )
    return answers


def _some_runs(chunk: _Chunk) -> Arrays:
    """Horizontal errors, the mean squares that the bound allows, and whether the ellipse holds the truth, (runs,)."""
    route, prior, errors, worth = chunk.route, chunk.prior, chunk.errors, chunk.worth
    rng = np.random.default_rng(chunk.seed)
    which = rng.choice(len(prior.weights), size=chunk.runs, p=prior.weights)
    source = prior.places_m[which].copy()
    source[:, :2] += rng.normal(size=(chunk.runs, 2)) * prior.spread_m
    variance = route.heard.variance_s2[which]
    delays = _drawn_delays(route, errors, source, variance, rng)
    aid = np.tile(prior.centre_m, (chunk.runs, 1))
    aid[:, 2] = source[:, 2] + rng.normal(size=chunk.runs) * prior.depth_sd_m
    found, covariance = _most_probable(route, prior, errors, worth, delays, variance, aid)
    off = (found - source)[:, :2]
    bound = worth.posterior_m2(route.heard, route.legs_m)[which]
    return {
        "error_m": np.hypot(*off.T),
        "bound_m2": np.trace(bound, axis1=-2, axis2=-1),
        "inside": inside_region(off, covariance),
    }


def _drawn_delays(
    route: WaypointRun, errors: ErrorSizes, source_m: Floats, variance_s2: Floats, rng: np.random.Generator
) -> Floats:
    """Tdoa, shape (n_trials, n_waypoints, n_delays) [s], of sources (n_trials, 3), with everything that goes wrong."""
    n, pose = len(route.elements_m), route.pose
    drawn = draw_errors(errors, route.legs_m, n, n_runs=len(source_m), rng=rng)
    true = drawn.true_positions(np.asarray(pose.position_m), route.start_m)
    shown = np.stack(np.broadcast_arrays(pose.roll, pose.pitch, pose.heading), axis=-1)
    times = drawn.arrival_times(route.elements_m, true, shown, source_m[:, None], route.sound_speed_m_s)
    times += rng.normal(size=times.shape) * np.sqrt(variance_s2)[..., None]
    return times @ difference_matrix(n).T


def _most_probable(
    route: WaypointRun,
    prior: Prior,
    errors: ErrorSizes,
    worth: Worth,
    delays: Floats,
    variance_s2: Floats,
    aid_m: Floats,
) -> tuple[Floats, Floats]:
    """Positions (n_trials, 3) [m] and their horizontal covariances (n_trials, 2, 2) [m^2]."""
    hydrophones, known = route.pose.to_site(route.elements_m), worth.prior_information
    difference, drift = difference_matrix(len(route.elements_m)), errors.drift_sd_m_per_root_m
    speed = np.asarray(route.sound_speed_m_s)
    flat = delays.reshape(len(delays), -1)

    def misfit(place: Floats) -> Floats:
        return flat - (spherical_time(hydrophones, place[..., None, :], speed) @ difference.T).reshape(
            -1, flat.shape[1]
        )

    def cost(place: Floats, residual: Floats, weight: Floats) -> Floats:
        off = place - aid_m
        return np.einsum("ti,tij,tj->t", residual, weight, residual) + np.einsum("ti,ij,tj->t", off, known, off)

    weights = _inverse(run_covariance(route.heard, route.legs_m, drift))
    costs = []
    for place, weight in zip(prior.places_m, weights, strict=True):
        there = np.tile(place, (len(delays), 1))
        costs.append(cost(there, misfit(there), np.broadcast_to(weight, (len(delays), *weight.shape))))
    place = prior.places_m[np.argmin(costs, axis=0)]
    for _ in range(_RELINEARISED):
        heard = hear(
            route.elements_m,
            route.pose,
            place[:, None],
            variance_s2,
            route.start_m,
            errors,
            route.sound_speed_m_s,
        )
        weight = _inverse(run_covariance(heard, route.legs_m, drift))
        residual = misfit(place)
        value, damping = cost(place, residual, weight), np.full(len(place), 1e-3)
        for _ in range(_STEPS):
            slope = difference @ unit_vectors_to_source(hydrophones, place[:, None]) / speed
            slope = slope.reshape(*flat.shape, 3)
            weighted = np.swapaxes(slope, -1, -2) @ weight
            curve = weighted @ slope + known
            pull = (weighted @ residual[..., None])[..., 0] + (aid_m - place) @ known
            damped = curve + damping[:, None, None] * curve * np.eye(3)
            trial = place + np.linalg.solve(damped, pull[..., None])[..., 0]
            there = misfit(trial)
            new = cost(trial, there, weight)
            better = new <= value
            place, residual = np.where(better[:, None], trial, place), np.where(better[:, None], there, residual)
            value, damping = np.where(better, new, value), np.where(better, damping / 10, damping * 10)
    return place, _inverse(curve)[:, :2, :2]


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=float)
