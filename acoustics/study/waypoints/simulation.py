"""Whether what is predicted of a run is what is obtained: runs drawn with all their errors, at the level of delays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import EPOCH_SD_S, FusedFix, PingClock, PingRun, SourceArea, Track, fuse_pings
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix
from acoustics.study.draws import draw_errors
from acoustics.study.execution import Arrays, Running, run_chunks
from acoustics.study.waypoints.information import Heard, times_taken
from acoustics.study.waypoints.prior import Prior
from acoustics.study.waypoints.value import Worth

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
    """Horizontal errors of simulated runs [m]; `predicted_m` is the RMS by the linear model, `inside_95` the share of
    the stated 95 % ellipses that hold the truth."""

    trials: int
    rms_m: Interval
    predicted_m: float
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

    They are found by the vehicle's own fusion with the plan's normal prior, integers and pings being right.

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
        error, predicted, inside = (
            np.concatenate([p[name] for p in parts]) for name in ("error_m", "predicted_m2", "inside")
        )
        answers.append(
            RunTrials(
                trials=trials,
                rms_m=rms_interval(error, np.random.default_rng(children[-1])),
                predicted_m=float(np.sqrt(predicted.mean())),
                inside_95=rate_interval(int(inside.sum()), trials),
            )
        )
    return answers


def _some_runs(chunk: _Chunk) -> Arrays:
    """Horizontal errors, the mean squares that are predicted, and whether the ellipse holds the truth, (runs,)."""
    route, prior, errors, worth = chunk.route, chunk.prior, chunk.errors, chunk.worth
    rng = np.random.default_rng(chunk.seed)
    which = rng.choice(len(prior.weights), size=chunk.runs, p=prior.weights)
    source = prior.places_m[which].copy()
    source[:, :2] += rng.normal(size=(chunk.runs, 2)) * prior.spread_m
    variance = route.heard.variance_s2[which]
    delays = _drawn_delays(route, errors, source, variance, worth.since_s(route.legs_m), rng)
    depth = source[:, 2] + rng.normal(size=chunk.runs) * prior.depth_sd_m
    fixes = _fused(route, prior, errors, worth, delays, variance, depth)
    off = (fixes.position_m - source)[:, :2]
    predicted = worth.posterior_m2(route.heard, route.legs_m)[which]
    return {
        "error_m": np.hypot(*off.T),
        "predicted_m2": np.trace(predicted, axis1=-2, axis2=-1),
        "inside": inside_region(off, fixes.covariance_m2[:, :2, :2]),
    }


def _drawn_delays(
    route: WaypointRun,
    errors: ErrorSizes,
    source_m: Floats,
    variance_s2: Floats,
    since_s: Floats,
    rng: np.random.Generator,
) -> Floats:
    """Tdoa, shape (n_trials, n_waypoints, n_delays) [s], of sources (n_trials, 3), with everything that goes wrong.

    With a clock also when the pings arrive, less the nominal intervals since the start."""
    n, pose = len(route.elements_m), route.pose
    drawn = draw_errors(errors, route.legs_m, n, n_runs=len(source_m), rng=rng)
    true = drawn.true_positions(np.asarray(pose.position_m), route.start_m)
    shown = np.stack(np.broadcast_arrays(pose.roll, pose.pitch, pose.heading), axis=-1)
    times = drawn.arrival_times(route.elements_m, true, shown, source_m[:, None], route.sound_speed_m_s)
    times += rng.normal(size=times.shape) * np.sqrt(variance_s2)[..., None]
    delays = times @ times_taken(n, clock := route.heard.clock).T
    if clock is not None:
        epoch, interval = rng.normal(size=(2, len(source_m), 1)) * [[[EPOCH_SD_S]], [[clock.pri_sd_s]]]
        ticks = epoch + interval * _ticks(clock, since_s)
        delays[..., -1] += ticks + rng.normal(size=ticks.shape) * clock.jitter_sd_s
    return np.asarray(delays)


def _ticks(clock: PingClock, since_s: Floats) -> Floats:
    """Intervals of the pinger until the last ping of each waypoint, whole numbers."""
    return np.round(since_s / clock.pri_s)


def _fused(
    route: WaypointRun,
    prior: Prior,
    errors: ErrorSizes,
    worth: Worth,
    delays: Floats,
    variance_s2: Floats,
    depth_m: Floats,
) -> FusedFix:
    """What the vehicle's own fusion makes of drawn delays, as from `_drawn_delays`, with the plan's normal prior."""
    clock, shape, n = route.heard.clock, variance_s2.shape, len(route.elements_m)
    difference = difference_matrix(n)
    arrival = None if clock is None else delays[..., -1] + clock.pri_s * _ticks(clock, worth.since_s(route.legs_m))
    run = PingRun(
        delays[..., : n - 1],
        variance_s2[..., None, None] * (difference @ difference.T),
        route.elements_m,
        difference,
        route.sound_speed_m_s,
        arrival_s=arrival,
        clock=clock,
    )
    pose = route.pose
    track = Track(
        np.broadcast_to(pose.position_m, (*shape, 3)),
        pose.roll,
        pose.pitch,
        pose.heading,
        distance_m=np.cumsum(route.legs_m),
        origin_m=route.start_m,
    )
    area = SourceArea(prior.centre_m[:2], prior.covariance_m2[:2, :2])
    return fuse_pings(
        run, track, errors, source_depth_m=depth_m, source_depth_sd_m=prior.depth_sd_m, area=area, reject=False
    )
