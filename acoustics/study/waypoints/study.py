"""Where should the vehicle stop and listen next, and what is that worth against a straight run or random waypoints?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, Pose
from acoustics.base.result import Result
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.execution import ALONE, Running, fingerprint
from acoustics.study.waypoints.candidates import (
    HEADINGS,
    PINGS_MEASURED,
    Candidates,
    candidates_at,
    grid_of_waypoints,
    learned_arrivals,
    wrong_integer_share,
)
from acoustics.study.waypoints.echoes import PlacesFound, found_places
from acoustics.study.waypoints.information import Heard
from acoustics.study.waypoints.prior import Prior, pinger_prior
from acoustics.study.waypoints.runs import Planned, Question, RandomRuns, Run, plan_run, random_runs, straight_run
from acoustics.study.waypoints.search import Indices, choose_waypoints, exchange_waypoints, shortest_order
from acoustics.study.waypoints.simulation import simulate_waypoint_runs
from acoustics.study.waypoints.value import CRITERIA, Ellipse, Worth, ellipse_95

_FINER = (0.5, 0.25)  # steps of the finer grids, in those of the first
# About how many simulated runs take as long as a ping that is measured, a candidate that listens to a place,
# the search for one waypoint by each delay of these, which grows with the square of their number, and all the rest.
_PING, _HEARD, _TRIED, _REST = 15.0, 0.03, 0.0035, 300.0
_RENDERED = 1000.0  # and a ping that is rendered and located
_AROUND = np.stack(np.meshgrid([0.0, -1.0, 1.0], [0.0, -1.0, 1.0], [0.0]), axis=-1).reshape(-1, 3)


@dataclass(frozen=True)
class EchoWaypoints:
    """The plan of a crew with a site sketch, whose fusion takes places by echoes in the stead of bearings.

    `proposed`: by them, in the same time; `same`: the run proposed without, with them. Places are found at as many
    waypoints, and err as much more than their bound with echoes, as those that `found` sums up, of rendered pings from
    some waypoints and places that went through the estimator itself.
    """

    proposed: Run
    same: Run
    found: PlacesFound


@dataclass(frozen=True)
class WaypointsStudy(Result):
    """The proposed waypoints beside a straight run and random waypoints; sizes by the criterion are predictions [m].

    They are the bound of the linear model with the arrivals of the vehicle's own estimator: its window, and the echoes
    inside it as another error, alike in all pings of a waypoint.

    `prior_size_m` and `prior_ellipse` are what is known before the run. `straight` and `random` are None where the
    time or the water leaves no such run. `gain_over_straight` and `gain_over_random` are the parts by which the size
    is smaller (against the median). Ellipses are those of the covariance averaged over the prior. `navigation_rms_m`
    is what start, lasting heading and log's scale alone put the position out by: hardly a waypoint lowers it.
    `wrong_integer` is the predicted share of pings at the proposed waypoints whose integer ambiguity is resolved
    wrongly, NaN for arrays of more than eight hydrophones; the sizes hold where none is. `with_echoes`: the plan with
    places by echoes, where it was asked for.
    """

    title: str
    array: str
    pinger: str
    prior: Prior
    criterion: str
    waypoints_asked: int
    pings: int
    speed_m_s: float
    time_limit_s: float
    seed: int
    start_m: Floats
    n_candidates: int
    prior_size_m: float
    prior_ellipse: Ellipse
    navigation_rms_m: float
    wrong_integer: float
    wrong_cycle_limit: float
    proposed: Run
    straight: Run | None
    random: RandomRuns | None
    gain_over_straight: float | None
    gain_over_random: float | None
    with_echoes: EchoWaypoints | None


def study_waypoints(
    scene: Scene,
    pinger: Pinger,
    *,
    prior: str | None = None,
    criterion: str = "rms",
    step_m: float | None = None,
    trials: int = 400,
    seed: int = 1,
    echo_pings: int = 0,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> WaypointsStudy:
    """Propose waypoints to listen at, in order, each with the heading to hold.

    Number of waypoints, pings at each, speed and time limit are the scene's (`study.waypoints`,
    `study.pings_per_waypoint`,
    `study.speed_m_s`, `study.time_limit_s`), and so are the errors of navigation (`vehicle`).

    Parameters
    ----------
    scene : Scene
        The run starts where its vehicle stands, and keeps to its depth.
    pinger : Pinger
        What it sends; where it is, is taken as unknown.
    prior : {"stations", "pool"}, optional
        As for `pinger_prior`.
    criterion : {"rms", "area"}
        As for `Worth`.
    step_m : float, optional
        Of the grid of waypoints [m]; by default one with about 80 cells.
    trials : int
        Simulated runs to check the prediction by; 0 for none.
    seed : int
        Of the random waypoints and the simulation.
    echo_pings : int
        So many pings are rendered and located with a site sketch, to plan with places by echoes; 0: without. They
        change none of the other numbers.
    running : Running
        Who simulates, and where finished chunks of runs are kept.
    progress : callable
        Told how much of the work is behind, and of how much, in about as many simulated runs.

    Raises
    ------
    ParameterError
        If nothing can be listened at in the time, or an argument is wrong.

    Notes
    -----
    The cycle and the side of a plane array are taken as known. What the vehicle's own estimator makes of its window and
    the echoes in it is measured for some places and waypoints, and told from the multipath-free window for the others.
    Where the pinger's `pri_sd_ppm` is given, arrival times count, with start and interval of its clock as two more
    unknowns. With time to spare the prediction cannot get worse by a further waypoint: one that does not help is not
    proposed.
    """
    if criterion not in CRITERIA:
        raise ParameterError(f"criterion {criterion!r} is not known; known: {', '.join(CRITERIA)}")
    plan, known = scene.study, pinger_prior(scene, pinger, prior)
    errors = error_sizes_of(scene, pinger)
    worth = Worth(
        criterion=criterion,
        weights=known.weights,
        prior_information=known.information,
        drift_sd_m_per_root_m=errors.drift_sd_m_per_root_m,
        speed_m_s=plan.speed_m_s,
        listening_s=plan.pings_per_waypoint * pinger.pri_s,
        time_limit_s=plan.time_limit_s,
    )
    waypoints, step = grid_of_waypoints(scene, step_m)
    candidates = candidates_at(scene, known, waypoints)
    steps = _steps(scene, len(candidates.place) * len(known.weights), echo_pings)
    planned = len(steps) - (2 if echo_pings else 0)
    checked = (4 if echo_pings else 2) * trials
    behind = np.cumsum([0, *steps, checked]).astype(int).tolist()

    def tell(parts: int, share: float = 0.0) -> None:
        progress(int(behind[parts] + share * (behind[parts + 1] - behind[parts])), behind[-1])

    tell(0)
    arrivals = learned_arrivals(scene, pinger, known, np.asarray(candidates.pose.position_m)[::HEADINGS])
    tell(1)
    question = Question(scene, pinger, known, errors, worth, plan.pings_per_waypoint, seed, arrivals)
    heard = question.listen(candidates.pose)
    tell(2)
    proposal = _propose(question, candidates, heard, plan.waypoints, step, lambda size: tell(2 + size))
    n_waypoints = len(proposal[0].waypoints)
    straight_on, random = straight_run(question, n_waypoints), random_runs(question, candidates, heard, n_waypoints)
    runs = [proposal] if straight_on is None else [proposal, straight_on]
    tell(planned)
    found = None
    if echo_pings:
        found = found_places(
            scene,
            pinger,
            known,
            candidates.pose,
            pings=echo_pings,
            seed=seed,
            running=running,
            progress=lambda done, of: tell(planned, done / of),
        )
        runs += _with_echoes(question, candidates, proposal, found, step)
    tell(len(steps))
    inputs = ("waypoints", scene, pinger, prior, criterion, step_m, trials, seed, *([echo_pings] if echo_pings else []))
    checked_runs = _simulated(
        runs,
        question,
        trials=trials,
        inputs=fingerprint(*inputs),
        running=running,
        progress=lambda done, chunks: tell(len(steps), done / chunks),
    )
    proposed, straight = checked_runs[0], None if straight_on is None else checked_runs[1]
    return WaypointsStudy(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        prior=known,
        criterion=criterion,
        waypoints_asked=plan.waypoints,
        pings=plan.pings_per_waypoint,
        speed_m_s=plan.speed_m_s,
        time_limit_s=plan.time_limit_s,
        seed=seed,
        start_m=np.array(scene.vehicle.position_m),
        n_candidates=len(candidates.place) // HEADINGS,
        prior_size_m=float(worth.size_m(np.broadcast_to(known.covariance_m2[:2, :2], (len(known.weights), 2, 2)))),
        prior_ellipse=ellipse_95(known.covariance_m2[:2, :2]),
        navigation_rms_m=_navigation_rms_m(known, errors, np.array(scene.vehicle.position_m)),
        wrong_integer=wrong_integer_share(scene, pinger, known, proposal[1].pose, arrivals),
        wrong_cycle_limit=plan.wrong_cycle_limit,
        proposed=proposed,
        straight=straight,
        random=random,
        gain_over_straight=None if straight is None else 1 - proposed.size_m / straight.size_m,
        gain_over_random=None if random is None else 1 - proposed.size_m / random.median_m,
        with_echoes=None if found is None else EchoWaypoints(checked_runs[-1], checked_runs[-2], found),
    )


def _steps(scene: Scene, pairs: int, echo_pings: int) -> list[float]:
    """How long each part of the plan takes, in simulated runs, of so many pairs of candidates and places."""
    tried = _TRIED * pairs * (len(scene.array.hydrophones) - 1) * np.arange(1, scene.study.waypoints + 1) ** 2
    again = [_RENDERED * echo_pings, 2 * (tried.sum() + _REST)] if echo_pings else []
    return [_PING * PINGS_MEASURED, _HEARD * pairs, *tried, _REST, *again]


def _simulated(
    runs: list[Planned],
    question: Question,
    *,
    trials: int,
    inputs: str,
    running: Running,
    progress: Callable[[int, int], None],
) -> list[Run]:
    """The runs, each checked by simulation where trials are asked for."""
    if not trials:
        return [run for run, _ in runs]
    checks = simulate_waypoint_runs(
        [route for _, route in runs],
        question.prior,
        question.errors,
        question.worth,
        trials=trials,
        seed=question.seed,
        fingerprint=inputs,
        running=running,
        progress=progress,
    )
    return [replace(run, simulated=check) for (run, _), check in zip(runs, checks, strict=True)]


def _with_echoes(
    question: Question, candidates: Candidates, proposal: Planned, found: PlacesFound, step_m: float
) -> list[Planned]:
    """With places at a share of the waypoints: the run proposed without them, and the one proposed with them."""
    # Neither all nor none, whatever so few pings say (Jeffreys' prior).
    share = (found.usable.value * found.pings + 0.5) / (found.pings + 1)
    question = replace(question, placed=share, variance_scale=found.variance_scale)
    run, route = proposal
    same = plan_run(question, route.pose, route.legs_m, run.way_m)
    heard = question.listen(candidates.pose)
    return [same, _propose(question, candidates, heard, question.scene.study.waypoints, step_m, lambda size: None)]


def _navigation_rms_m(prior: Prior, errors: ErrorSizes, start_m: Floats) -> float:
    """Turning, stretching and shifting the whole reckoned picture about the start leaves the delays nearly alike."""
    square = prior.weights @ np.sum((prior.places_m - start_m)[:, :2] ** 2, axis=-1)
    turned = square * (errors.heading_bias_sd**2 + errors.log_scale_sd**2)
    return float(np.sqrt(turned + np.sum(errors.start_sd_m[:2] ** 2)))


def _propose(
    question: Question,
    candidates: Candidates,
    heard: Heard,
    n_waypoints: int,
    step_m: float,
    chose: Callable[[int], None],
) -> Planned:
    """The best set on the grid, then on ever finer ones about its waypoints."""
    scene, worth = question.scene, question.worth

    def score(sets: Indices) -> Floats:
        return worth.of_sets(heard, candidates.place, candidates.ways.distance_m, sets)

    rng = np.random.default_rng(np.random.SeedSequence(question.seed).spawn(3)[2])
    chosen = np.array(choose_waypoints(score, len(candidates.place), n_waypoints, rng, chose=chose), dtype=np.intp)
    if not chosen.size:
        raise ParameterError(
            f"no waypoint can be reached and {question.pings} pings heard within {worth.time_limit_s:g} s; "
            "give more time (study.time_limit_s) or fewer pings (study.pings_per_waypoint)"
        )
    for part in _FINER:
        waypoints = np.asarray(candidates.pose.position_m)[chosen]
        finer = candidates_at(scene, question.prior, (waypoints[:, None] + part * step_m * _AROUND).reshape(-1, 3))
        # Every waypoint of before is a candidate again, with the same headings.
        same = np.linalg.norm(np.asarray(finer.pose.position_m) - waypoints[:, None], axis=-1)
        first = np.argmin(same, axis=-1)
        chosen, candidates = first + chosen % HEADINGS, finer
        heard = question.listen(finer.pose)
        chosen, _ = exchange_waypoints(score, chosen, float(score(chosen[None])[0]), len(finer.place))
    place, ways = candidates.place, candidates.ways
    order, legs = shortest_order(ways.distance_m, place[chosen[None]])
    visit = chosen[order[0]]
    stops = [0, *place[visit].tolist()]
    way = np.concatenate([ways.between(a, b) for a, b in zip(stops[:-1], stops[1:], strict=True)])
    pose = candidates.pose
    return plan_run(
        question,
        Pose(np.asarray(pose.position_m)[visit], pose.roll, pose.pitch, np.asarray(pose.heading)[visit]),
        legs[0],
        way,
    )
