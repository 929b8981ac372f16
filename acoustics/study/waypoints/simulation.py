"""Whether what is predicted of a run is what is obtained: runs drawn with all their errors, at the level of delays."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound import EchoPlaceErrors
from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.record import record
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import EPOCH_SD_S, PingClock, PingRun, SourceArea, Track, fuse_pings
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix
from acoustics.study.draws import SimulatedRuns, draw_errors, drawn_places, with_places
from acoustics.study.execution import Arrays, Running, run_chunks
from acoustics.study.waypoints.information import Heard, times_taken
from acoustics.study.waypoints.prior import Prior
from acoustics.study.waypoints.value import Worth

_RUNS_AT_ONCE = 500  # some 10 MB at work


@record
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
    places : EchoPlaceErrors, optional
        Errors of places by echoes, shape (n_waypoints, n_places, ...).
    placed : float
        Share of the waypoints that have one.
    profile : SoundSpeedProfile, optional
        Of water that bends the direct ray.
    """

    elements_m: Floats
    sound_speed_m_s: float
    start_m: Floats
    pose: Pose
    legs_m: Floats
    heard: Heard
    places: EchoPlaceErrors | None = None
    placed: float = 0.0
    profile: SoundSpeedProfile | None = None


@record
class RunTrials:
    """Horizontal errors of simulated runs [m]; `predicted_m` is the RMS by the linear model, `inside_95` the share of
    the stated 95 % ellipses that hold the truth."""

    trials: int
    rms_m: Interval
    predicted_m: float
    inside_95: Interval


@record
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
    delays, known = _drawn_delays(route, errors, source, variance, worth.since_s(route.legs_m), rng)
    depth = source[:, 2] + rng.normal(size=chunk.runs) * prior.depth_sd_m
    drawn = _as_the_vehicle_has_them(route, errors, worth, delays, known, variance, depth)
    position, covariance = _fused(prior, drawn)
    if route.places is not None:
        for rows, runs in _with_places(route.places, route.placed, drawn, which, source, rng):
            position[rows], covariance[rows] = _fused(prior, runs)
    off = (position - source)[:, :2]
    predicted = worth.posterior_m2(route.heard, route.legs_m)[which]
    return {
        "error_m": np.hypot(*off.T),
        "predicted_m2": np.trace(predicted, axis1=-2, axis2=-1),
        "inside": inside_region(off, covariance[:, :2, :2]),
    }


def _drawn_delays(
    route: WaypointRun,
    errors: ErrorSizes,
    source_m: Floats,
    variance_s2: Floats,
    since_s: Floats,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Tdoa, shape (n_trials, n_waypoints, n_delays) [s], of sources (n_trials, 3), with everything that goes wrong.

    With a clock also when the pings arrive, less the nominal intervals since the start. Then the errors that were
    drawn, as `SimulatedRuns` has them."""
    n, pose = len(route.elements_m), route.pose
    drawn = draw_errors(errors, route.legs_m, n, n_runs=len(source_m), rng=rng)
    true = drawn.true_positions(np.asarray(pose.position_m), route.start_m)
    shown = np.stack(np.broadcast_arrays(pose.roll, pose.pitch, pose.heading), axis=-1)
    times = drawn.arrival_times(route.elements_m, true, shown, source_m[:, None], route.sound_speed_m_s, route.profile)
    times += rng.normal(size=times.shape) * np.sqrt(variance_s2)[..., None]
    delays = times @ times_taken(n, clock := route.heard.clock).T
    if clock is not None:
        epoch, interval = rng.normal(size=(2, len(source_m), 1)) * [[[EPOCH_SD_S]], [[clock.pri_sd_s]]]
        ticks = epoch + interval * _ticks(clock, since_s)
        delays[..., -1] += ticks + rng.normal(size=ticks.shape) * clock.jitter_sd_s
    return np.asarray(delays), drawn.of_places(true - np.asarray(pose.position_m), errors)


def _ticks(clock: PingClock, since_s: Floats) -> Floats:
    """Intervals of the pinger until the last ping of each waypoint, whole numbers."""
    return np.round(since_s / clock.pri_s)


def _as_the_vehicle_has_them(
    route: WaypointRun,
    errors: ErrorSizes,
    worth: Worth,
    delays: Floats,
    known: Floats,
    variance_s2: Floats,
    depth_m: Floats,
) -> SimulatedRuns:
    """Runs of drawn delays and errors, as from `_drawn_delays`; each waypoint is one ping."""
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
        profile=route.profile,
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
    nothing = np.zeros(shape, dtype=bool)
    return SimulatedRuns(run, track, errors, depth_m, nothing, nothing, np.asarray(pose.position_m), known)


def _with_places(
    places: EchoPlaceErrors,
    share: float,
    drawn: SimulatedRuns,
    which: NDArray[np.intp],
    source_m: Floats,
    rng: np.random.Generator,
) -> Iterator[tuple[NDArray[np.intp], SimulatedRuns]]:
    """Runs past each place of the prior, by index `which`, with the same waypoints placed, and which runs these are."""
    off = np.zeros(drawn.run.heard.shape)
    placed = (rng.random(off.shape) < share) & places.told.T[which]
    patterns, group = np.unique(np.column_stack([which, placed]), axis=0, return_inverse=True)
    for k, (place, *pattern) in enumerate(patterns.tolist()):
        rows = np.flatnonzero(group.ravel() == k)
        if any(pattern):
            errors = EchoPlaceErrors(places.covariance_m2[:, place], places.by[:, place], places.sd)
            runs = drawn.some(rows)
            there = drawn_places(runs, source_m[rows, None, :2], errors, off[rows], rng)
            yield rows, with_places(runs, there, np.array(pattern, dtype=bool), errors, float(source_m[rows[0], 2]))


def _fused(prior: Prior, runs: SimulatedRuns) -> tuple[Floats, Floats]:
    """Position and covariance by the vehicle's own fusion with the plan's normal prior."""
    fix = fuse_pings(
        runs.run,
        runs.track,
        runs.errors,
        source_depth_m=runs.source_depth_m,
        source_depth_sd_m=prior.depth_sd_m,
        area=SourceArea(prior.centre_m[:2], prior.covariance_m2[:2, :2]),
        reject=False,
    )
    return fix.position_m, fix.covariance_m2
