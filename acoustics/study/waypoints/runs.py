"""Runs through waypoints: what each is worth, and the straight and random ones that a plan is held against."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.echo_bound import EchoPlaceErrors
from acoustics.base.frames import Floats, Pose, wrap_angle
from acoustics.base.record import record
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import OwnArrivals
from acoustics.study.waypoints.candidates import HEADINGS, Candidates, allowed, listen
from acoustics.study.waypoints.echoes import errors_at, with_place_rows
from acoustics.study.waypoints.information import Heard
from acoustics.study.waypoints.prior import Prior, horizontal_extent_m
from acoustics.study.waypoints.search import shortest_order
from acoustics.study.waypoints.simulation import RunTrials, WaypointRun
from acoustics.study.waypoints.value import Ellipse, Worth, ellipse_95

_RANDOM_SETS = 500
_DRAWS_FOR_EACH = 20
_FEWEST_RANDOM = 40  # fewer do not tell where the middle 95 % ends
_STRAIGHT_STEPS = 400
_STRAIGHT_LENGTHS = 8


@record
class Waypoint:
    """A stop: where, with which heading, when the vehicle leaves it, and what is then known (prediction)."""

    position_m: Floats
    heading_deg: float
    travelled_m: float
    leaves_s: float
    size_m: float
    ellipse: Ellipse


@record
class Run:
    """Waypoints in the order of the visit, the way through them, shape (n, 2) [m], and the check by simulation."""

    waypoints: tuple[Waypoint, ...]
    way_m: Floats
    simulated: RunTrials | None

    @property
    def size_m(self) -> float:
        """The criterion after the last waypoint [m]."""
        return self.waypoints[-1].size_m


# A run that is not simulated yet, and what is needed for that.
Planned = tuple[Run, WaypointRun]


@record
class RandomRuns:
    """Predicted after as many waypoints at random in the time: median, and the limits of the middle 95 % of the sets
    [m]."""

    n_sets: int
    median_m: float
    low_m: float
    high_m: float


@record
class Question:
    """Who listens, for what, with which errors, and how runs are judged; what all runs of a study share.

    `placed`: share of the waypoints at which echoes give a place; 0: nobody looks at them. `variance_scale`: how much
    larger than those of their bound the variances of places are.
    """

    scene: Scene
    pinger: Pinger
    prior: Prior
    errors: ErrorSizes
    worth: Worth
    pings: int
    seed: int
    arrivals: OwnArrivals
    placed: float = 0.0
    variance_scale: float = 1.0

    def listen(self, pose: Pose) -> Heard:
        """What the vehicle's own estimator hears at waypoints of batch shape (n,), places by echoes included."""
        heard = listen(self.scene, self.pinger, self.prior, pose, self.errors, self.pings, self.arrivals)
        places = self.places(pose)
        if places is None:
            return heard
        travelled = (np.asarray(pose.position_m) - self.scene.vehicle.position_m) * [1.0, 1.0, 0.0]
        return with_place_rows(heard, places, self.errors, travelled, self.placed)

    def places(self, pose: Pose) -> EchoPlaceErrors | None:
        """Errors of places by echoes at waypoints, where anyone looks at them."""
        return errors_at(self.scene, self.pinger, self.prior, pose, self.variance_scale) if self.placed else None


def straight_run(question: Question, n_waypoints: int) -> Planned | None:
    """Evenly spaced waypoints on the straight line from the start through the prior's centre, bow ahead.

    Of lines of several lengths, as far as time, water and the study's area go, the one with the least bound counts.
    """
    scene, worth = question.scene, question.worth
    start = np.array(scene.vehicle.position_m)
    across = question.prior.centre_m[:2] - start[:2]
    low, high = horizontal_extent_m(scene)  # the area that the grid of waypoints is laid over
    reach = worth.speed_m_s * (worth.time_limit_s - n_waypoints * worth.listening_s)
    reach = min(reach, float(np.hypot(*(high - low))))
    if not across.any() or reach <= 0:
        return None
    ahead = np.append(across / np.hypot(*across), 0.0)
    ends = np.linspace(0.0, reach, _STRAIGHT_STEPS + 1)[1:]
    line = start + ends[:, None] * ahead
    blocked = np.any([zone.crossed_by(start, line) for zone in scene.keep_outs] or [np.zeros(len(line), bool)], axis=0)
    inside = np.all((line[:, :2] >= low) & (line[:, :2] <= high), axis=-1)
    usable = ends[~blocked & inside & allowed(scene, question.prior, line)]
    if not usable.size:
        return None
    wished = usable[-1] * np.arange(1, _STRAIGHT_LENGTHS + 1) / _STRAIGHT_LENGTHS
    wished = wished[:, None] * np.arange(1, n_waypoints + 1) / n_waypoints
    travelled = usable[np.argmin(np.abs(wished[..., None] - usable), axis=-1)]
    legs, waypoints = np.diff(travelled, prepend=0.0), start + travelled[..., None] * ahead

    def pose(waypoints_m: Floats) -> Pose:
        return scene.vehicle.pose_at(waypoints_m, np.full(len(waypoints_m), np.arctan2(ahead[1], ahead[0])))

    heard = question.listen(pose(waypoints.reshape(-1, 3)))
    sizes = worth.of_runs(heard, np.arange(travelled.size).reshape(travelled.shape), legs)
    best = int(np.argmin(sizes))
    return plan_run(question, pose(waypoints[best]), legs[best], np.vstack([start, waypoints[best]])[:, :2])


def random_runs(question: Question, candidates: Candidates, heard: Heard, n_waypoints: int) -> RandomRuns | None:
    """Random waypoints with the bow to the prior's centre, visited by the shortest route, that fit into the time."""
    rng = np.random.default_rng(np.random.SeedSequence(question.seed).spawn(1)[0])
    n_places = len(candidates.place) // HEADINGS
    if n_places < n_waypoints:
        return None
    shuffled = rng.random((_RANDOM_SETS * _DRAWS_FOR_EACH, n_places)).argpartition(n_waypoints - 1, axis=-1)
    sets = shuffled[:, :n_waypoints] * HEADINGS
    order, legs = shortest_order(candidates.ways.distance_m, candidates.place[sets])
    fits = np.flatnonzero(question.worth.duration_s(legs) <= question.worth.time_limit_s)[:_RANDOM_SETS]
    if len(fits) < _FEWEST_RANDOM:
        return None
    visit = np.take_along_axis(sets, order, axis=-1)[fits]
    sizes = question.worth.of_runs(heard, visit, legs[fits])
    low, median, high = np.quantile(sizes, [0.025, 0.5, 0.975])
    return RandomRuns(len(fits), float(median), float(low), float(high))


def plan_run(question: Question, pose: Pose, legs_m: Floats, way_m: Floats) -> Planned:
    """What is predicted after each waypoint."""
    worth = question.worth
    heard = question.listen(pose)
    waypoints = []
    travelled = np.cumsum(legs_m)
    for k in range(len(legs_m)):
        posterior = worth.posterior_m2(heard.take(np.arange(k + 1)), legs_m[: k + 1])
        waypoints.append(
            Waypoint(
                position_m=np.asarray(pose.position_m)[k],
                heading_deg=float(np.rad2deg(wrap_angle(np.asarray(pose.heading)[k]))),
                travelled_m=float(travelled[k]),
                leaves_s=float(worth.duration_s(legs_m[: k + 1])),
                size_m=float(worth.size_m(posterior)),
                ellipse=ellipse_95(np.einsum("p,pij->ij", worth.weights, posterior)),
            )
        )
    route = WaypointRun(
        question.scene.array.positions_m,
        question.scene.sound_speed_m_s,
        np.array(question.scene.vehicle.position_m),
        pose,
        legs_m,
        heard.take(np.arange(len(legs_m))),
        question.places(pose),
        question.placed,
        question.scene.bending_profile,
    )
    return Run(tuple(waypoints), way_m, None), route
