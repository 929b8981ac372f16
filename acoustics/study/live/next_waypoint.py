"""Where to listen next: what each place on the grid is expected to add to what the run has heard until now."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.frames import Floats, Pose, wrap_angle
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse import EPOCH_SD_S, StationModel
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import pinger_clock, source_area
from acoustics.study.live.evidence import expected_leader_probability
from acoustics.study.waypoints import (
    HEADINGS,
    Heard,
    candidates_at,
    grid_of_waypoints,
    hear,
    learned_arrivals,
    listen,
    pinger_prior,
)

_TIME_BINS, _BEST_OF_BIN = 4, 3  # the few places whose worth in mistakes is worked out


@record
class HeardPings:
    """The inliers of a run: poses of batch shape (n,), where the run began, shape (3,) [m], the way to each from there
    [m], the variance of one arrival time from noise [s^2], and when each was heard [s], shape (n,) each; and where
    arrival times are evidence, with which jitter they count [s].
    """

    pose: Pose
    origin_m: Floats
    distance_m: Floats
    variance_s2: Floats
    time_s: Floats
    jitter_sd_s: float | None = None


@record
class NextWaypoint:
    """A stop, and what it is expected to add.

    `takes_s` is the way there and the listening. `rms_now_m` and `rms_after_m` are horizontal RMS errors,
    predicted: the first by the fix, the second with the information of the pings there as well.
    `probability_after` is the expected probability of the leading station; None without stations.
    """

    position_m: Floats
    heading_deg: float
    travel_m: float
    takes_s: float
    rms_now_m: float
    rms_after_m: float
    probability_after: float | None


class NextWaypoints:
    """The places to choose from; made once for a scene, as the echoes at each take their time."""

    def __init__(self, scene: Scene, pinger: Pinger) -> None:
        """
        Raises
        ------
        ParameterError
            If there is nowhere to listen.
        """
        plan, prior = scene.study, pinger_prior(scene, pinger, None)
        errors = error_sizes_of(scene, pinger)
        self._scene, self._errors, self._speed = scene, errors, plan.speed_m_s
        self._listening_s, self._pings = plan.pings_per_waypoint * pinger.pri_s, plan.pings_per_waypoint
        self._clock = pinger_clock(pinger)
        self._candidates = candidates_at(scene, prior, grid_of_waypoints(scene, None)[0])
        pose = self._candidates.pose
        arrivals = learned_arrivals(scene, pinger, prior, np.asarray(pose.position_m)[::HEADINGS])
        heard = listen(scene, pinger, prior, pose, errors, plan.pings_per_waypoint, arrivals)
        self._prior_m, self._variance = prior.places_m, heard.variance_s2
        self._prior_m2 = prior.covariance_m2
        self._prior_m2[:2, :2] = source_area(scene).covariance_m2
        # Place 0 is the start, which may be no candidate.
        self._places_m = np.empty((len(self._candidates.ways.distance_m), 3))
        self._places_m[0] = scene.vehicle.position_m
        self._places_m[self._candidates.place] = self._candidates.pose.position_m

    def choose(
        self,
        heard: HeardPings,
        here_m: Floats,
        fix_m: Floats,
        covariance_m2: Floats,
        *,
        time_left_s: float,
        stations: StationModel | None,
        wrong_station_cost_s: float,
    ) -> NextWaypoint | None:
        """The next stop for a vehicle at `here_m`, shape (3,); None where there is no time for any.

        With stations, the one of least expected cost: its time and, times the cost of a wrong station, the probability
        of one. Without, the one that leaves the least RMS error.

        Parameters
        ----------
        fix_m, covariance_m2 : ndarray, shape (3,) and (3, 3)
            By the fusion.
        """
        travel = self._way_m(here_m)[self._candidates.place]
        takes = travel / self._speed + self._listening_s
        fits = np.flatnonzero(takes <= time_left_s)
        if not fits.size:
            return None
        nearest = int(np.argmin(np.linalg.norm(self._prior_m - fix_m, axis=-1)))
        pose = self._candidates.pose
        choices = Pose(np.asarray(pose.position_m)[fits], pose.roll, pose.pitch, np.asarray(pose.heading)[fits])
        added = self._added(heard, fix_m, choices, self._variance[fits, nearest], travel[fits], takes[fits])
        now = covariance_m2[:2, :2]
        known = np.linalg.inv(now)
        rms = np.sqrt(np.trace(np.linalg.inv(known + added), axis1=-2, axis2=-1))
        best, probability = int(np.argmin(rms)), None
        if stations is not None:
            few = _shortlist(takes[fits], rms)
            leader = expected_leader_probability(fix_m[:2], now, added[few], stations)
            least = int(np.argmin(takes[fits][few] + wrong_station_cost_s * (1.0 - leader)))
            best, probability = int(few[least]), float(leader[least])
        return NextWaypoint(
            position_m=np.asarray(choices.position_m)[best],
            heading_deg=float(np.rad2deg(wrap_angle(np.asarray(choices.heading)[best]))),
            travel_m=float(travel[fits][best]),
            takes_s=float(takes[fits][best]),
            rms_now_m=float(np.sqrt(np.trace(now))),
            rms_after_m=float(rms[best]),
            probability_after=probability,
        )

    def _way_m(self, here_m: Floats) -> Floats:
        """Shortest way from a place to each of the places [m]: straight, or round keep-out zones by another place."""
        direct = np.linalg.norm(self._places_m[:, :2] - here_m[:2], axis=-1)
        for zone in self._scene.keep_outs:
            direct[zone.crossed_by(here_m[:2], self._places_m[:, :2])] = np.inf
        by_another = np.min(direct[:, None] + self._candidates.ways.distance_m, axis=0)
        return np.asarray(np.minimum(direct, by_another))

    def _added(
        self,
        heard: HeardPings,
        fix_m: Floats,
        choices: Pose,
        variance_s2: Floats,
        travel_m: Floats,
        takes_s: Floats,
    ) -> Floats:
        """What pings at each of the choices add to the information about the horizontal position, (n, 2, 2) [1/m^2]."""
        scene, clock = self._scene, None
        if self._clock is not None and heard.jitter_sd_s is not None:
            clock = replace(self._clock, jitter_sd_s=heard.jitter_sd_s)
        together = clock and replace(clock, jitter_sd_s=clock.jitter_sd_s / np.sqrt(self._pings))
        elements, source, speed = scene.array.positions_m, fix_m[None], scene.sound_speed_m_s
        start, errors = heard.origin_m, self._errors
        bent = scene.bending_profile
        past = hear(elements, heard.pose, source, heard.variance_s2, start, errors, speed, clock=clock, profile=bent)
        there = hear(elements, choices, source, variance_s2, start, errors, speed, clock=together, profile=bent)
        since_s = heard.time_s - heard.time_s[0]
        legs = np.diff(heard.distance_m, prepend=0.0)
        state = _heard_until_now(past, since_s, legs, self._prior_m2, errors.drift_sd_m_per_root_m)
        before = np.linalg.inv(state[:2, :2])
        after = _heard_there(state, there, since_s[-1] + takes_s, travel_m, errors.drift_sd_m_per_root_m)
        return np.asarray(np.linalg.inv(after) - before)


def _by_unknowns(heard: Heard, since_s: Floats) -> Floats:
    """Derivatives of what pings heard `since_s` after the first tell, shape (n, n_delays, n_unknowns).

    The unknowns are the source's three [m], one a shared error and with a clock its start and interval, in their
    standard deviations, and the walk of the dead reckoning, two [m].
    """
    parts = [heard.by_source, heard.shared]
    if heard.clock is not None:
        ticks = np.zeros((*heard.by_source.shape[:-1], 2))
        ticks[..., -1, 0] = EPOCH_SD_S
        ticks[..., -1, 1] = heard.clock.pri_sd_s * np.round(since_s / heard.clock.pri_s)
        parts.append(ticks)
    return np.concatenate([*parts, heard.by_source[..., :2]], axis=-1)


def _heard_until_now(past: Heard, since_s: Floats, legs_m: Floats, prior_m2: Floats, drift: float) -> Floats:
    """Covariance of the unknowns of `_by_unknowns` after pings in order.

    The same linear model as `run_information`, one ping after another (Kalman 1960).
    """
    rows = _by_unknowns(past, since_s)
    state = np.diag(np.append(np.ones(rows.shape[-1] - 2), [0.0, 0.0]))
    state[:3, :3] = prior_m2
    for row, own, leg in zip(rows, past.own, legs_m, strict=True):
        state[[-2, -1], [-2, -1]] += drift**2 * leg
        seen = state @ row.T
        state -= seen @ np.linalg.solve(row @ seen + own, seen.T)
    return 0.5 * (state + state.T)


def _heard_there(state: Floats, there: Heard, since_s: Floats, travel_m: Floats, drift: float) -> Floats:
    """Horizontal covariance of the source after one stop more, for each of n stops, shape (n, 2, 2) [m^2]."""
    row = _by_unknowns(there, since_s)
    walked = np.zeros((len(travel_m), *state.shape))
    walked[:, [-2, -1], [-2, -1]] = drift**2 * travel_m[:, None]
    seen = (state + walked) @ transposed(row)
    inner = row @ seen + there.own
    return np.asarray(state[:2, :2] - seen[:, :2] @ np.linalg.solve(inner, transposed(seen[:, :2])))


def _shortlist(takes_s: Floats, rms_m: Floats) -> NDArray[np.intp]:
    """The best few by error among the quick ones, the slower ones, and so on."""
    bins = np.array_split(np.argsort(takes_s, kind="stable"), _TIME_BINS)
    return np.concatenate([part[np.argsort(rms_m[part], kind="stable")[:_BEST_OF_BIN]] for part in bins])
