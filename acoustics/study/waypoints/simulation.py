"""Whether the bound of a run is what is obtained: runs drawn with all their errors, at the level of delays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.least_squares import Descent, Indices, levenberg
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import EPOCH_SD_S
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import spherical_time, unit_vectors_to_source
from acoustics.study.draws import draw_errors
from acoustics.study.execution import Arrays, Running, run_chunks
from acoustics.study.waypoints.information import Heard, hear, run_weight, times_taken
from acoustics.study.waypoints.prior import Prior
from acoustics.study.waypoints.value import Worth

_RELINEARISED = 3  # the errors' effect is taken again at each better position
_DESCENT = Descent(damping=1e-3, floor=0.0, most_steps=10)  # the prior holds every direction
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
    delays = _drawn_delays(route, errors, source, variance, worth.since_s(route.legs_m), rng)
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
        ticks = epoch + interval * since_s / clock.pri_s
        delays[..., -1] += ticks + rng.normal(size=ticks.shape) * clock.jitter_sd_s
    return np.asarray(delays)


@dataclass(frozen=True)
class _Fit:
    """What the places of m runs, one row each, are found from.

    Hydrophones at every waypoint in the site frame, sound speed, differences that were taken, and the prior's
    information; TDOA (m, k) with the inverse of their covariance (m, k, k), and the places that the prior names (m, 3).
    """

    hydrophones_m: Floats
    sound_speed_m_s: Floats
    difference: Floats
    known: Floats
    delays: Floats
    weight: Floats
    aid_m: Floats

    def subset(self, rows: Indices) -> _Fit:
        return replace(self, delays=self.delays[rows], weight=self.weight[rows], aid_m=self.aid_m[rows])

    def residual(self, place: Floats) -> Floats:
        """Measured less predicted at places (m, 3), shape (m, k) [s]."""
        times = spherical_time(self.hydrophones_m, place[:, None], self.sound_speed_m_s)
        return self.delays - (times @ self.difference.T).reshape(self.delays.shape)

    def cost(self, place: Floats, residual: Floats) -> Floats:
        """Twice the negative logarithm of the posterior density, up to a constant, shape (m,)."""
        off = place - self.aid_m
        return np.einsum("ti,tij,tj->t", residual, self.weight, residual) + np.einsum(
            "ti,ij,tj->t", off, self.known, off
        )

    def normal(self, place: Floats, residual: Floats) -> tuple[Floats, Floats]:
        """Information (m, 3, 3) about the places, and half the gradient of the cost, (m, 3)."""
        slope = self.difference @ unit_vectors_to_source(self.hydrophones_m, place[:, None]) / self.sound_speed_m_s
        slope = slope.reshape(*self.delays.shape, 3)
        weighted = np.swapaxes(slope, -1, -2) @ self.weight
        pull = (weighted @ residual[..., None])[..., 0] + (self.aid_m - place) @ self.known
        return weighted @ slope + self.known, -pull


def _evaluate(fit: _Fit, state: Floats) -> tuple[Floats, Floats, Floats]:
    """As `levenberg` takes it, runs along the last axis."""
    residual = fit.residual(state.T)
    information, gradient = fit.normal(state.T, residual)
    return fit.cost(state.T, residual), np.moveaxis(information, 0, -1), gradient.T


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
    trials, drift, speed = len(delays), errors.drift_sd_m_per_root_m, route.sound_speed_m_s
    clock, since = route.heard.clock, worth.since_s(route.legs_m)
    difference, flat = times_taken(len(route.elements_m), clock), delays.reshape(trials, -1)
    weights = run_weight(route.heard, route.legs_m, drift, since)
    fit = _Fit(
        route.pose.to_site(route.elements_m), np.asarray(speed), difference, worth.prior_information, flat,
        np.broadcast_to(weights[0], (trials, *weights[0].shape)), aid_m,
    )  # fmt: skip
    costs = []
    for place, weight in zip(prior.places_m, weights, strict=True):
        here, there = replace(fit, weight=np.broadcast_to(weight, fit.weight.shape)), np.tile(place, (trials, 1))
        costs.append(here.cost(there, here.residual(there)))
    place = prior.places_m[np.argmin(costs, axis=0)]
    for _ in range(_RELINEARISED):
        heard = hear(
            route.elements_m, route.pose, place[:, None], variance_s2, route.start_m, errors, speed, clock=clock
        )
        fit = replace(fit, weight=run_weight(heard, route.legs_m, drift, since))
        place = levenberg(fit, place.T, _evaluate, lambda _, state, step: state + step, descent=_DESCENT).T
    information, _ = fit.normal(place, fit.residual(place))
    return place, _inverse(information)[:, :2, :2]


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=float)
