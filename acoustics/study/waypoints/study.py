"""Where should the vehicle stop and listen next, and what is that worth against a straight run or random waypoints?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.execution import ALONE, Running, fingerprint
from acoustics.study.waypoints.candidates import (
    HEADINGS,
    Candidates,
    candidates_at,
    grid_of_waypoints,
    learned_arrivals,
    wrong_integer_share,
)
from acoustics.study.waypoints.echoes import PlacesFound
from acoustics.study.waypoints.plan import Plan, plan_runs, plan_with_places
from acoustics.study.waypoints.prior import Prior, pinger_prior
from acoustics.study.waypoints.runs import Planned, Question, RandomRuns, Run
from acoustics.study.waypoints.simulation import simulate_waypoint_runs
from acoustics.study.waypoints.value import CRITERIA, Ellipse, Worth, ellipse_95
from acoustics.study.waypoints.work import Work


@record
class EchoWaypoints:
    """The plan of a crew with a site sketch, whose fusion takes places by echoes in the stead of bearings.

    `proposed`: by them, in the same time; `same`: the run proposed without, with them. Places are found at as many
    waypoints, and err as much more than their bound with echoes, as those that `found` sums up, of rendered pings from
    some waypoints and places that went through the estimator itself.
    """

    proposed: Run
    same: Run
    found: PlacesFound


@record
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
    `study.pings_per_waypoint`, `study.speed_m_s`, `study.time_limit_s`), and so are the errors of navigation
    (`vehicle`).

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
    known, errors = pinger_prior(scene, pinger, prior), error_sizes_of(scene, pinger)
    waypoints, step = grid_of_waypoints(scene, step_m)
    candidates = candidates_at(scene, known, waypoints)
    pairs = len(candidates.place) * len(known.weights)
    work = Work.of(scene, pairs=pairs, echo_pings=echo_pings, trials=trials, progress=progress)
    work.tell(0)
    arrivals = learned_arrivals(scene, pinger, known, np.asarray(candidates.pose.position_m)[::HEADINGS])
    work.tell(1)
    worth = _worth(scene, pinger, known, errors, criterion)
    question = Question(scene, pinger, known, errors, worth, scene.study.pings_per_waypoint, seed, arrivals)
    plan = plan_runs(question, candidates, step, work)
    if echo_pings:
        plan = plan_with_places(question, candidates, plan, step, pings=echo_pings, running=running, work=work)
    work.tell(work.simulation)
    inputs = ("waypoints", scene, pinger, prior, criterion, step_m, trials, seed, *([echo_pings] if echo_pings else []))
    checked = _simulated(
        plan.runs,
        question,
        trials=trials,
        inputs=fingerprint(*inputs),
        running=running,
        progress=lambda done, chunks: work.tell(work.simulation, done / chunks),
    )
    return _study(question, candidates, plan, checked)


def _worth(scene: Scene, pinger: Pinger, prior: Prior, errors: ErrorSizes, criterion: str) -> Worth:
    """How runs are judged, by the scene's study."""
    plan = scene.study
    return Worth(
        criterion=criterion,
        weights=prior.weights,
        prior_information=prior.information,
        drift_sd_m_per_root_m=errors.drift_sd_m_per_root_m,
        speed_m_s=plan.speed_m_s,
        listening_s=plan.pings_per_waypoint * pinger.pri_s,
        time_limit_s=plan.time_limit_s,
    )


def _study(question: Question, candidates: Candidates, plan: Plan, checked: list[Run]) -> WaypointsStudy:
    """The result, of the plan's runs as they are checked."""
    scene, pinger, prior, worth = question.scene, question.pinger, question.prior, question.worth
    asked, start_m = scene.study, np.array(scene.vehicle.position_m)
    proposed, straight = checked[0], None if plan.straight is None else checked[1]
    known_m2 = prior.covariance_m2[:2, :2]
    return WaypointsStudy(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        prior=prior,
        criterion=worth.criterion,
        waypoints_asked=asked.waypoints,
        pings=question.pings,
        speed_m_s=worth.speed_m_s,
        time_limit_s=worth.time_limit_s,
        seed=question.seed,
        start_m=start_m,
        n_candidates=len(candidates.place) // HEADINGS,
        prior_size_m=float(worth.size_m(np.broadcast_to(known_m2, (len(prior.weights), 2, 2)))),
        prior_ellipse=ellipse_95(known_m2),
        navigation_rms_m=_navigation_rms_m(prior, question.errors, start_m),
        wrong_integer=wrong_integer_share(scene, pinger, prior, plan.proposal[1].pose, question.arrivals),
        wrong_cycle_limit=asked.wrong_cycle_limit,
        proposed=proposed,
        straight=straight,
        random=plan.random,
        gain_over_straight=None if straight is None else 1 - proposed.size_m / straight.size_m,
        gain_over_random=None if plan.random is None else 1 - proposed.size_m / plan.random.median_m,
        with_echoes=None if plan.found is None else EchoWaypoints(checked[-1], checked[-2], plan.found),
    )


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


def _navigation_rms_m(prior: Prior, errors: ErrorSizes, start_m: Floats) -> float:
    """Turning, stretching and shifting the whole reckoned picture about the start leaves the delays nearly alike."""
    square = prior.weights @ np.sum((prior.places_m - start_m)[:, :2] ** 2, axis=-1)
    turned = square * (errors.heading_bias_sd**2 + errors.log_scale_sd**2)
    return float(np.sqrt(turned + np.sum(errors.start_sd_m[:2] ** 2)))
