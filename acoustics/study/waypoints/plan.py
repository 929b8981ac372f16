"""What is proposed for a question, and the runs that it is held against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from acoustics.base.errors import SceneError
from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.study.execution import Running
from acoustics.study.waypoints.candidates import HEADINGS, Candidates, candidates_at
from acoustics.study.waypoints.echoes import PlacesFound, found_places
from acoustics.study.waypoints.information import Heard
from acoustics.study.waypoints.runs import Planned, Question, RandomRuns, plan_run, random_runs, straight_run
from acoustics.study.waypoints.search import Indices, choose_waypoints, exchange_waypoints, shortest_order
from acoustics.study.waypoints.work import Work

_FINER = (0.5, 0.25)  # steps of the finer grids, in those of the first
_AROUND = np.stack(np.meshgrid([0.0, -1.0, 1.0], [0.0, -1.0, 1.0], [0.0]), axis=-1).reshape(-1, 3)


@record
class Plan:
    """What is planned of one question; `by_echoes`: the same run with places, and the one proposed with them."""

    proposal: Planned
    straight: Planned | None
    random: RandomRuns | None
    by_echoes: tuple[Planned, ...] = ()
    found: PlacesFound | None = None

    @property
    def runs(self) -> list[Planned]:
        """Those that are simulated."""
        return [self.proposal, *([] if self.straight is None else [self.straight]), *self.by_echoes]


def plan_runs(question: Question, candidates: Candidates, step_m: float, work: Work) -> Plan:
    """The waypoints proposed, and runs with as many that they are held against."""
    heard = question.listen(candidates.pose)
    work.tell(2)
    asked = question.scene.study.waypoints
    proposal = _propose(question, candidates, heard, asked, step_m, lambda size: work.tell(2 + size))
    n_waypoints = len(proposal[0].waypoints)
    straight = straight_run(question, n_waypoints)
    return Plan(proposal, straight, random_runs(question, candidates, heard, n_waypoints))


def plan_with_places(
    question: Question, candidates: Candidates, plan: Plan, step_m: float, *, pings: int, running: Running, work: Work
) -> Plan:
    """The plan, and beside it what is proposed where rendered pings say how many waypoints have a place by echoes."""
    work.tell(work.planned)
    found = found_places(
        question.scene,
        question.pinger,
        question.prior,
        candidates.pose,
        pings=pings,
        seed=question.seed,
        running=running,
        progress=lambda done, of: work.tell(work.planned, done / of),
    )
    # Neither all nor none, whatever so few pings say (Jeffreys' prior).
    share = (found.usable.value * found.pings + 0.5) / (found.pings + 1)
    question = replace(question, placed=share, variance_scale=found.variance_scale)
    run, route = plan.proposal
    same = plan_run(question, route.pose, route.legs_m, run.way_m)
    heard, asked = question.listen(candidates.pose), question.scene.study.waypoints
    proposed = _propose(question, candidates, heard, asked, step_m, lambda size: None)
    return replace(plan, by_echoes=(same, proposed), found=found)


def _propose(
    question: Question,
    candidates: Candidates,
    heard: Heard,
    n_waypoints: int,
    step_m: float,
    chose: Callable[[int], None],
) -> Planned:
    """The best set on the grid, then on ever finer ones about its waypoints."""

    def score(of: Candidates, heard: Heard) -> Callable[[Indices], Floats]:
        return partial(question.worth.of_sets, heard, of.place, of.ways.distance_m)

    rng, on_grid = np.random.default_rng(np.random.SeedSequence(question.seed).spawn(3)[2]), score(candidates, heard)
    chosen = np.array(choose_waypoints(on_grid, len(candidates.place), n_waypoints, rng, chose=chose), dtype=np.intp)
    if not chosen.size:
        raise SceneError(
            f"no waypoint can be reached and {question.pings} pings heard within {question.worth.time_limit_s:g} s; "
            "give more time (study.time_limit_s) or fewer pings (study.pings_per_waypoint)"
        )
    for part in _FINER:
        waypoints = np.asarray(candidates.pose.position_m)[chosen]
        around = (waypoints[:, None] + part * step_m * _AROUND).reshape(-1, 3)
        candidates = candidates_at(question.scene, question.prior, around)
        # Every waypoint of before is a candidate again, with the same headings.
        same = np.linalg.norm(np.asarray(candidates.pose.position_m) - waypoints[:, None], axis=-1)
        chosen = np.argmin(same, axis=-1) + chosen % HEADINGS
        finer = score(candidates, question.listen(candidates.pose))
        chosen, _ = exchange_waypoints(finer, chosen, float(finer(chosen[None])[0]), len(candidates.place))
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
