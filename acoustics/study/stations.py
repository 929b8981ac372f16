"""To which station would we go? Simulated runs for each true station, and the decisions made from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acoustics.errors import ParameterError
from acoustics.estimate.station import NONE_OF_THESE, StationModel, decisions, station_posterior
from acoustics.geometry import Floats
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.runs import (
    Course,
    course_positions,
    fuse_simulated,
    simulate_runs,
    source_area,
    water_outline,
)
from acoustics.study.statistics import Interval, rate_interval

NO_FIX = "no fix"
TARGET = 0.95
_ELSEWHERE = 8  # places of a pinger that stands at none of the stations
_FURTHER_PINGS = (1, 2, 4, 8, 16)
_TRIALS_FOR_ACCURACY = 8_000
_MOST_RUNS_AT_ONCE = 250


@dataclass(frozen=True)
class PingCount:
    """Probability of the right station, all stations by their priors, from so many pings over the same leg."""

    pings: int
    right: Interval


@dataclass(frozen=True)
class StationStudy:
    """Decisions over simulated runs.

    `decided[t, d]`: runs whose truth is `truths[t]` and whose decision is `answers[d]`; the last truth is a pinger at
    none of the stations, the last two answers are 'none of these' and 'no fix'. `right`: share of right decisions for
    each truth, with 95 % intervals; `overall`: by the priors, stations only; `stated`: mean probability that the
    vehicle itself gives its decision, to be compared with `sure_share`, the share of its decisions that are right; runs
    without a fix are left out of both. `needed_sd_m`: horizontal RMS error of a fix, alike in all directions, at which
    the right station is chosen with probability 0.95; 0 where no accuracy suffices. `by_pings`: what more pings give.
    """

    title: str
    array: str
    pinger: str
    course: Course
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
    needed_sd_m: float
    by_pings: tuple[PingCount, ...]
    places_m: Floats
    offset_m: Floats
    path_m: Floats


def station_model(scene: Scene) -> StationModel:
    """The scenario's stations as the vehicle believes in them.

    Raises
    ------
    ParameterError
        If the scenario has none.
    """
    if not scene.stations:
        raise ParameterError("the scenario has no [[station]]: give the places among which to choose")
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
    course: Course,
    *,
    trials: int,
    seed: int,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> StationStudy:
    """Confusion of the stations by simulation.

    Parameters
    ----------
    scene : Scene
        With stations.
    pinger : Pinger
        Moved to each station in turn, with the offset that it has from its own station in the scenario.
    course : Course
        Along which the pings are heard.
    trials : int
        Runs for each truth.
    seed : int
        Every truth and number of pings has its own child of it.

    Raises
    ------
    ParameterError
        If there are no stations, the run leaves the water, or the pinger is not heard along it.
    """
    model = station_model(scene)
    offset = _offset(scene, pinger)
    path = course_positions(scene, course)
    counts = sorted({*_FURTHER_PINGS, course.n_pings})
    seeds = np.random.SeedSequence(seed).spawn(2 + len(counts))
    truths = (*(s.name for s in scene.stations), NONE_OF_THESE)
    total = len(counts) * len(scene.stations) + 1

    def done(k: int) -> None:
        progress(k, total)

    # The more pings a run has the longer it takes: fewer of them.
    by_pings, main = [], None
    for k, (n, child) in enumerate(zip(counts, seeds[2:], strict=True)):
        chosen = n == course.n_pings
        runs = trials if chosen else max(min(trials, 50), min(trials, 200 // n))
        where = path if chosen else course_positions(scene, Course(n, course.leg_m, course.course_deg))
        drawn = [
            _decide(scene, _moved(scene, pinger, station + offset), where, model, runs, grandchild)
            for station, grandchild in zip(_places(scene), child.spawn(len(scene.stations)), strict=True)
        ]
        by_pings.append(PingCount(n, _overall(model, [d.chosen == t for t, d in enumerate(drawn)])))
        main = drawn if chosen else main
        done((k + 1) * len(scene.stations))
    if main is None:
        raise ParameterError(f"n_pings={course.n_pings}: not among the numbers studied")  # pragma: no cover
    drawn = [*main, _elsewhere(scene, pinger, path, model, trials, seeds[0])]
    done(total)
    answers = (*truths, NO_FIX)
    decided = np.array([np.bincount(d.chosen, minlength=len(answers)) for d in drawn])
    sure = np.concatenate([d.stated[d.chosen < len(truths)] for d in main])
    hits = sum(int(decided[t, t]) for t in range(len(main)))
    fixes = sum(int(decided[t, : len(truths)].sum()) for t in range(len(main)))
    return StationStudy(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        course=course,
        trials=trials,
        seed=seed,
        spread_m=model.spread_m,
        none_prior=model.none_prior,
        truths=truths,
        answers=answers,
        decided=decided,
        right=tuple(rate_interval(int(decided[t, t]), int(decided[t].sum())) for t in range(len(truths))),
        overall=_overall(model, [d.chosen == t for t, d in enumerate(main)]),
        stated=float(sure.mean()) if sure.size else 0.0,
        sure_share=rate_interval(hits, fixes) if fixes else Interval(0.0, 0.0, 1.0),
        median_rms_m=np.array([d.rms_m for d in drawn]),
        needed_sd_m=_needed_sd(model, offset[:2], np.random.default_rng(seeds[1])),
        by_pings=tuple(by_pings),
        places_m=_places(scene),
        offset_m=offset,
        path_m=path,
    )


@dataclass(frozen=True)
class _Decisions:
    """Of runs (n,): answers by index, the probability stated for each, and the median RMS error stated."""

    chosen: NDArray[np.intp]
    stated: Floats
    rms_m: float


def _decide(
    scene: Scene, pinger: Pinger, path: Floats, model: StationModel, runs: int, seed: np.random.SeedSequence
) -> _Decisions:
    """Simulate runs, fuse each, and choose."""
    area, no_fix = source_area(scene), len(model.prior) + 1
    chosen, stated, rms = [], [], []
    sizes = [min(_MOST_RUNS_AT_ONCE, runs - low) for low in range(0, runs, _MOST_RUNS_AT_ONCE)]
    for n, child in zip(sizes, seed.spawn(len(sizes)), strict=True):
        try:
            simulated = simulate_runs(scene, pinger, path, n_runs=n, rng=np.random.default_rng(child))
        except ParameterError:  # not to be heard from here: that is an answer too
            chosen.append(np.full(n, no_fix))
            stated.append(np.zeros(n))
            rms.append(np.full(n, np.inf))
            continue
        fix = fuse_simulated(scene, simulated, area=area)
        covariance = fix.covariance_m2[:, :2, :2]
        posterior = station_posterior(fix.position_m[:, :2], covariance, model, area=area)
        # A long ellipse is still evidence: only a run that names no place at all gives no fix.
        lost = ~np.isfinite(fix.position_m).all(axis=-1)
        chosen.append(np.where(lost, no_fix, decisions(posterior)))
        stated.append(posterior.max(axis=-1))
        rms.append(np.sqrt(np.trace(covariance, axis1=1, axis2=2)))
    return _Decisions(np.concatenate(chosen), np.concatenate(stated), float(np.median(np.concatenate(rms))))


def _elsewhere(
    scene: Scene, pinger: Pinger, path: Floats, model: StationModel, trials: int, seed: np.random.SeedSequence
) -> _Decisions:
    """Decisions where the pinger stands anywhere in the water: a few places, the runs shared out."""
    place_seed, *run_seeds = seed.spawn(_ELSEWHERE + 1)
    rng, corners = np.random.default_rng(place_seed), model.outline_m
    places: list[Floats] = []
    while len(places) < _ELSEWHERE:
        place = np.append(rng.uniform(corners.min(axis=0), corners.max(axis=0)), 0.0)
        place[2] = min(pinger.position_m[2], 0.9 * float(scene.pool.floor_depth_m(place)))
        if scene.pool.contains(place) and np.min(np.linalg.norm(place - path, axis=-1)) > 1.0:
            places.append(place)
    shares = [len(part) for part in np.array_split(np.arange(trials), _ELSEWHERE)]
    parts = [
        _decide(scene, _moved(scene, pinger, place), path, model, n, child)
        for place, n, child in zip(places, shares, run_seeds, strict=True)
        if n
    ]
    return _Decisions(
        np.concatenate([p.chosen for p in parts]),
        np.concatenate([p.stated for p in parts]),
        float(np.median([p.rms_m for p in parts])),
    )


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
        raise ParameterError(
            f"{pinger.name} moved to ({here[0]:.2f}, {here[1]:.2f}) m would stand outside the water: its offset from "
            "its station does not suit all stations"
        )
    return pinger.model_copy(update={"position_m": tuple(here.tolist())})


def _overall(model: StationModel, right: list[NDArray[np.bool_]]) -> Interval:
    """Share of right decisions, stations weighted by their priors, with the interval of as many equal runs."""
    weights = model.prior / model.prior.sum()
    share = float(sum(w * r.mean() for w, r in zip(weights, right, strict=True)))
    runs = sum(len(r) for r in right)
    effective = max(1, int(runs / (len(right) * np.sum(weights**2))))
    around = rate_interval(int(round(share * effective)), effective)
    return Interval(share, min(around.low, share), max(around.high, share))


def _needed_sd(model: StationModel, offset: Floats, rng: np.random.Generator) -> float:
    """Horizontal RMS error, alike in all directions, at which the right station has probability 0.95 to be chosen."""
    n = len(model.prior)
    truth = rng.choice(n, size=_TRIALS_FOR_ACCURACY, p=model.prior / model.prior.sum())
    place, unit = model.places_m[truth] + offset, rng.normal(size=(_TRIALS_FOR_ACCURACY, 2))

    def right(sd: float) -> float:
        covariance = np.broadcast_to(sd**2 * np.eye(2), (len(truth), 2, 2))
        return float(np.mean(decisions(station_posterior(place + sd * unit, covariance, model)) == truth))

    low, high = 1e-3, float(np.ptp(model.outline_m, axis=0).max())
    if right(low) < TARGET:
        return 0.0
    for _ in range(14):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if right(middle) >= TARGET else (low, middle)
    return float(np.sqrt(2.0) * low)
