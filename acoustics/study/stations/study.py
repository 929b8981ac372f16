"""To which station would we go? Simulated runs for each true station, and the decisions made from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import SceneError
from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.estimate.fuse import NONE_OF_THESE, StationModel, decisions_by_fix
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import FoundPlaces, Route, route_positions, water_outline
from acoustics.study.execution import ALONE, Running, fingerprint
from acoustics.study.known_pool import KnownPoolBound, known_pool_bounds
from acoustics.study.stations.echoes import EchoOutlook, RenderedPlaces, rendered_places
from acoustics.study.stations.outcome import Outcome, PingCount, outcome
from acoustics.study.stations.runs import Decisions, RunsAlong, cost_of, decide, together

NO_FIX = "no fix"
TARGET = 0.95
_ELSEWHERE = 8  # places of a pinger that stands at none of the stations
_FURTHER_PINGS = (1, 2, 4, 8, 16)
_TRIALS_FOR_ACCURACY = 8_000
_RENDERED = 1000  # a ping that is rendered and located takes as long as so many simulated ones


@record
class EchoPlan:
    """The same runs where places by echoes stand for the bearings of their pings, as `fuse --echoes` has it.

    `outcome` as in `StationStudy`. A place errs as its bound with echoes says, each error of site, array and navigation
    one for the whole run; whether a ping has one, and whether it is wrong, goes as in the rendered runs that `rendered`
    sums up, whose pings went through the estimator itself.
    """

    outcome: Outcome
    rendered: RenderedPlaces


@record
class StationStudy(Result):
    """Decisions over simulated runs.

    `decided[t, d]`: runs whose truth is `truths[t]` and whose decision is `answers[d]`; the last truth is a pinger at
    none of the stations, the last two answers are 'none of these' and 'no fix'. `right`: share of right decisions for
    each truth, with 95 % intervals; `overall`: by the priors, stations only; `stated`: mean probability that the
    vehicle itself gives its decision, to be compared with `sure_share`, the share of its decisions that are right; runs
    without a fix are left out of both. `median_rms_m`: median of the RMS that positions state, for each truth, and
    `median_error_m` of what they err by. `needed_sd_m`: horizontal RMS error of a fix, alike in all directions, at
    which the right station is chosen with probability 0.95; 0 where no accuracy suffices. `by_pings`: what more pings
    give.
    `wrong_integer`: simulated share of pings past the stations whose integers were resolved wrongly. `known_pool`:
    bounds of what one ping at the start of the leg could tell of the pinger at each station to who knows the pool;
    `right_to_first_wall` and `right_whole_burst`: probability of the right station with errors of that size, alike in
    all directions. `with_echoes`: what places by echoes make of the same runs, where they were asked for.
    """

    title: str
    array: str
    pinger: str
    route: Route
    trials: int
    seed: int
    spread_m: float
    none_prior: float
    truths: tuple[str, ...]
    answers: tuple[str, ...]
    decided: NDArray[np.int64]
    right: tuple[Interval, ...]
    overall: Interval
    stated: float
    sure_share: Interval
    median_rms_m: Floats
    median_error_m: Floats
    needed_sd_m: float
    wrong_integer: Interval
    wrong_cycle_limit: float
    by_pings: tuple[PingCount, ...]
    known_pool: tuple[KnownPoolBound, ...]
    right_to_first_wall: float
    right_whole_burst: float
    places_m: Floats
    offset_m: Floats
    path_m: Floats
    with_echoes: EchoPlan | None


def station_model(scene: Scene) -> StationModel:
    """The scenario's stations as the vehicle knows them.

    Raises
    ------
    ParameterError
        If the scenario has none.
    """
    if not scene.stations:
        raise SceneError("the scenario has no [[station]]: give the places among which to choose")
    return StationModel(
        places_m=np.array([s.position_m[:2] for s in scene.stations]),
        prior=np.array([s.prior for s in scene.stations]),
        outline_m=water_outline(scene),
        spread_m=scene.study.station_spread_m,
        none_prior=scene.study.none_prior,
    )


def study_stations(
    scene: Scene,
    pinger: Pinger,
    route: Route,
    *,
    trials: int,
    seed: int,
    further: bool = True,
    enough: float | None = None,
    echo_runs: int = 0,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> StationStudy:
    """Confusion of the stations by simulation.

    Parameters
    ----------
    scene : Scene
        With stations.
    pinger : Pinger
        Moved to each station in turn, with the offset that it has from its own station in the scenario.
    route : Route
        Along which the pings are heard.
    trials : int
        Runs for each truth.
    seed : int
        Every truth and number of pings has its own child of it, and each batch of runs a child of that.
    further : bool
        Whether runs of 1, 2, 4, 8 and 16 pings on the same leg are simulated beside the route's; they change none of
        its numbers.
    enough : float, optional
        Share of right stations by the route's pings from which on those further runs are left out. Finished batches
        are then kept in no folder.
    echo_runs : int
        So many runs past each station are rendered and located with a site sketch, to plan with places by echoes; 0:
        without. They change none of the other numbers.
    running : Running
        Who simulates, and where finished batches are kept.
    progress : callable
        Told how many of how many batches are finished.

    Raises
    ------
    ParameterError
        If there are no stations, the run leaves the water, or the pinger is not heard along it.
    """
    model, path, at_stations = station_model(scene), route_positions(scene, route), pingers_at_stations(scene, pinger)
    numbers = sorted({*_FURTHER_PINGS, route.n_pings})
    others = [n for n in numbers if n != route.n_pings] if further else []
    seeds = np.random.SeedSequence(seed).spawn(3 + len(numbers))
    inputs = ("stations", scene, pinger, route, trials, seed, others, *([echo_runs] if echo_runs else []))
    of_number = dict(zip(numbers, seeds[2:], strict=False))
    plans = {
        n: _passing(scene, replace(route, n_pings=n), at_stations, trials, of_number[n], main=n == route.n_pings)
        for n in (route.n_pings, *others)
    }
    away = _elsewhere(scene, pinger, path, trials, seeds[0])
    first, simulated = _RENDERED * echo_runs * len(at_stations) * route.n_pings, cost_of([*plans.values(), away])
    rendered = None
    if echo_runs:
        outlooks, rendered = rendered_places(
            scene,
            at_stations,
            path,
            runs=echo_runs,
            seed=seeds[-1],
            fingerprint=fingerprint("rendered", *inputs),
            running=running,
            progress=lambda done, of: progress(first * done // of, first + simulated),
        )
        plans = {n: replace(plan, echoes=tuple(outlooks)) for n, plan in plans.items()}
        away = replace(away, echoes=_anywhere(outlooks, len(away.pingers)))
    by_accuracy = cache(lambda: _by_accuracy(scene, model, pinger, at_stations, path[0], seeds[1]))
    decided = partial(
        decide, scene, model, fingerprint=fingerprint(*inputs), running=running, heard={}, meanwhile=by_accuracy
    )
    alone, by_echoes = _outcomes(
        model, plans, away, decided, enough=enough, progress=lambda done: progress(first + done, first + simulated)
    )
    return StationStudy(
        **_asked(scene, pinger, model),
        route=route,
        trials=trials,
        seed=seed,
        path_m=path,
        **vars(alone),
        **vars(by_accuracy()),
        with_echoes=None if rendered is None else EchoPlan(by_echoes, rendered),
    )


def _asked(scene: Scene, pinger: Pinger, model: StationModel) -> dict[str, Any]:
    """What `StationStudy` holds of the scene."""
    truths = (*(s.name for s in scene.stations), NONE_OF_THESE)
    return {
        "title": scene.title,
        "array": scene.array.name,
        "pinger": pinger.name,
        "spread_m": model.spread_m,
        "none_prior": model.none_prior,
        "wrong_cycle_limit": scene.study.wrong_cycle_limit,
        "truths": truths,
        "answers": (*truths, NO_FIX),
        "places_m": _places(scene),
        "offset_m": _offset(scene, pinger),
    }


@record
class _ByAccuracy:
    """What error of a fix suffices, bounds with the pool known, and the share of right stations by either."""

    needed_sd_m: float
    known_pool: tuple[KnownPoolBound, ...]
    right_to_first_wall: float
    right_whole_burst: float


def _by_accuracy(
    scene: Scene,
    model: StationModel,
    pinger: Pinger,
    at_stations: tuple[Pinger, ...],
    from_m: Floats,
    seed: np.random.SeedSequence,
) -> _ByAccuracy:
    choice = _Choice(model, _offset(scene, pinger)[:2], np.random.default_rng(seed))
    known_pool = known_pool_bounds(scene, at_stations, from_m)
    # Where nothing is observed, an error as large as the pool.
    errors = np.minimum([[b.to_first_wall_m, b.whole_burst_m] for b in known_pool], scene.pool.extent_m)
    first_wall, whole_burst = (choice.right(error) for error in (errors / np.sqrt(2.0)).T)
    return _ByAccuracy(choice.needed_sd(), known_pool, first_wall, whole_burst)


def _outcomes(
    model: StationModel,
    plans: dict[int, RunsAlong],
    away: RunsAlong,
    decided: Callable[..., tuple[list[list[Decisions]], list[list[Decisions]]]],
    *,
    enough: float | None,
    progress: Callable[[int], None],
) -> tuple[Outcome, Outcome]:
    """By bearings alone and with places by echoes, of plans by their number of pings, the main one first.

    The others are left out where the main one's share of right stations is `enough`. `decided` is `decide` with all but
    the plans, `progress` is told how many pings' worth of the simulated runs is finished.
    """
    main, *others = plans
    at_once = [main, *others] if enough is None else [main]
    part = [*(plans[n] for n in at_once), away]
    passes = [list(found) for found in decided(part, progress=lambda done, of: progress(done))]
    if enough is not None and others and _outcome_of(model, at_once, passes[0]).overall.value < enough:
        behind = cost_of(part)
        rest = decided([plans[n] for n in others], progress=lambda done, of: progress(behind + done))
        at_once = [main, *others]
        passes = [[found[0], *more, found[1]] for found, more in zip(passes, rest, strict=True)]
    alone, by_echoes = (_outcome_of(model, at_once, found) for found in passes)
    return alone, by_echoes


def _outcome_of(model: StationModel, numbers: list[int], found: list[list[Decisions]]) -> Outcome:
    """Of decisions past the stations with so many pings, the main number first, and those past a pinger anywhere."""
    *passing, elsewhere = found
    return outcome(model, [*passing[0], together(elsewhere)], sorted(dict(zip(numbers, passing, strict=True)).items()))


def pingers_at_stations(scene: Scene, pinger: Pinger) -> tuple[Pinger, ...]:
    """The pinger at each station in turn, with the offset that it has from its own."""
    return tuple(_moved(scene, pinger, place) for place in _places(scene) + _offset(scene, pinger))


def _passing(
    scene: Scene,
    route: Route,
    pingers: tuple[Pinger, ...],
    trials: int,
    seed: np.random.SeedSequence,
    *,
    main: bool,
) -> RunsAlong:
    """Runs past the stations. The more pings a run has the longer it takes: beside the main ones fewer of them."""
    runs = trials if main else max(min(trials, 50), min(trials, 200 // route.n_pings))
    count = len(pingers)
    return RunsAlong(route_positions(scene, route), pingers, (runs,) * count, tuple(seed.spawn(count)))


def _elsewhere(scene: Scene, pinger: Pinger, path: Floats, trials: int, seed: np.random.SeedSequence) -> RunsAlong:
    """Runs past a pinger that stands anywhere in the water: a few places, the runs shared out."""
    place_seed, *run_seeds = seed.spawn(_ELSEWHERE + 1)
    rng, corners = np.random.default_rng(place_seed), water_outline(scene)
    places: list[Floats] = []
    while len(places) < _ELSEWHERE:
        place = np.append(rng.uniform(corners.min(axis=0), corners.max(axis=0)), 0.0)
        place[2] = min(pinger.position_m[2], 0.9 * float(scene.pool.floor_depth_m(place)))
        if scene.pool.contains(place) and np.min(np.linalg.norm(place - path, axis=-1)) > 1.0:
            places.append(place)
    shares = tuple(len(part) for part in np.array_split(np.arange(trials), _ELSEWHERE))
    return RunsAlong(path, tuple(_moved(scene, pinger, place) for place in places), shares, tuple(run_seeds))


def _anywhere(outlooks: list[EchoOutlook], count: int) -> tuple[EchoOutlook, ...]:
    """Of so many pingers that stand at no station: any run past a station is as good."""
    found = [outlook.found for outlook in outlooks]
    usable, off = np.concatenate([f.usable for f in found]), np.concatenate([f.off_m for f in found])
    pooled = FoundPlaces(usable, off, found[0].given_up)
    return (replace(outlooks[0], found=pooled),) * count


def _places(scene: Scene) -> Floats:
    return np.array([s.position_m for s in scene.stations])


def _offset(scene: Scene, pinger: Pinger) -> Floats:
    """From its station to the pinger (3,) [m]; zero for a pinger that is nearer to no station than stations are."""
    places = _places(scene)
    apart = np.array(pinger.position_m) - places
    level = np.linalg.norm(apart[:, :2], axis=-1)
    nearest = int(np.argmin(level))
    between = np.linalg.norm(places[:, None, :2] - places[None, :, :2], axis=-1)
    closest = float(np.min(between[between > 0], initial=np.inf))
    beside = level[nearest] <= min(0.5 * closest, 4.0 * scene.study.station_spread_m)
    return apart[nearest] if beside else np.zeros(3)


def _moved(scene: Scene, pinger: Pinger, place: Floats) -> Pinger:
    """The pinger at another place, raised off the floor or pushed into the water where it would stand outside."""
    here = np.array(place, dtype=float)
    here[2] = np.clip(here[2], 0.01, max(0.95 * float(scene.pool.floor_depth_m(here)), 0.02))
    if not scene.pool.contains(here):
        raise SceneError(
            f"{pinger.name} moved to ({here[0]:.2f}, {here[1]:.2f}) m would stand outside the water: its offset from "
            "its station does not suit all stations"
        )
    return pinger.model_copy(update={"position_m": tuple(here.tolist())})


class _Choice:
    """Choices by fixes whose errors are alike in all directions."""

    def __init__(self, model: StationModel, offset: Floats, rng: np.random.Generator) -> None:
        n = len(model.prior)
        self.model, self.truth = model, rng.choice(n, size=_TRIALS_FOR_ACCURACY, p=model.prior / model.prior.sum())
        self.place, self.unit = model.places_m[self.truth] + offset, rng.normal(size=(_TRIALS_FOR_ACCURACY, 2))

    def right(self, sd: Floats) -> float:
        """Probability of the right station with errors of this deviation along x and y at each station, (n,) [m]."""
        at = np.asarray(sd)[self.truth]
        covariance = at[:, None, None] ** 2 * np.eye(2)
        chosen = decisions_by_fix(self.place + at[:, None] * self.unit, covariance, self.model)
        return float(np.mean(chosen == self.truth))

    def needed_sd(self) -> float:
        """Horizontal RMS error at which the right station has probability 0.95 to be chosen; 0: at none [m]."""
        n = len(self.model.prior)
        low, high = 1e-3, float(np.ptp(self.model.outline_m, axis=0).max())
        if self.right(np.full(n, low)) < TARGET:
            return 0.0
        for _ in range(14):
            middle = float(np.sqrt(low * high))
            low, high = (middle, high) if self.right(np.full(n, middle)) >= TARGET else (low, middle)
        return float(np.sqrt(2.0) * low)
