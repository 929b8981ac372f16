"""Decisions after simulated runs past places of a pinger, by batches of runs that any worker may take."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.fuse import FusedFix, StationModel, decisions, station_posterior
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import (
    BlindPings,
    SimulatedRuns,
    fuse_simulated,
    fuse_with_places,
    join_runs,
    measure_along,
    simulate_runs,
    source_area,
)
from acoustics.study.execution import Arrays, Running, run_chunks
from acoustics.study.stations.echoes import EchoOutlook, place_errors

_RUNS_AT_ONCE = 100  # for each place; the runs past all places are fused together
_SAME_PLACE_DECIMALS = 6  # of a metre
# Pings of several pingers are measured together until they are heard at so many places: calls take longer than sums.
_PLACES_AT_ONCE = 40
_BY_ECHOES = "by_echoes_"


HeardAlong = dict[Pinger, dict[tuple[float, ...], Arrays]]  # by pinger and place, what `BlindPings` holds


@record
class RunsAlong:
    """Runs over the same path (n_pings, 3) [m] past each of several pingers: how many, and with which seed.

    With `echoes`, of each pinger, they are decided a second time by places by echoes.
    """

    path_m: Floats
    pingers: tuple[Pinger, ...]
    runs: tuple[int, ...]
    seeds: tuple[np.random.SeedSequence, ...]
    echoes: tuple[EchoOutlook, ...] = ()


@record
class Decisions:
    """Of runs (n,): answers by index, one more than stations for no fix; probability stated; RMS stated and error of
    the position [m]; pings heard, and of them those with a wrong integer."""

    chosen: NDArray[np.intp]
    stated: Floats
    rms_m: Floats
    error_m: Floats
    heard: NDArray[np.intp]
    wrong_integers: NDArray[np.intp]


def together(parts: Iterable[Decisions]) -> Decisions:
    """One after the other."""
    columns = zip(*(vars(d).values() for d in parts), strict=True)
    return Decisions(*(np.concatenate(column) for column in columns))


@record
class _Batch:
    """Some runs of a plan, and what is measured of each of its pingers along the path; None: nothing can be."""

    scene: Scene
    model: StationModel
    plan: RunsAlong
    measured: tuple[BlindPings | None, ...]


@record
class _Listening:
    """Pingers that differ by their places alone, and for each the places (n, 3) [m] at which plans have it heard."""

    scene: Scene
    pingers: tuple[Pinger, ...]
    places_m: tuple[Floats, ...]


def decide(
    scene: Scene,
    model: StationModel,
    plans: Sequence[RunsAlong],
    *,
    fingerprint: str,
    running: Running,
    progress: Callable[[int, int], None],
    heard: HeardAlong | None = None,
    meanwhile: Callable[[], object] = lambda: None,
) -> tuple[list[list[Decisions]], list[list[Decisions]]]:
    """Simulate runs, fuse each, and choose a station: for each plan the decisions past each of its pingers.

    By bearings alone, and with places by echoes: the same where the plan has none.

    Parameters
    ----------
    scene : Scene
        For array, water, noise, navigation and the sizes of all errors.
    model : StationModel
        What the vehicle chooses among.
    plans : sequence of RunsAlong
        What to simulate.
    fingerprint : str
        Of all the study's inputs.
    running : Running
        Who simulates, and where finished batches are kept.
    progress : callable
        Told how many of how many batches are finished.
    heard : dict, optional
        What is measured at the places of the plans, filled: another call that is given it measures none of them anew.
    meanwhile : callable
        As `run_chunks` takes it, while the pings of the plans are measured: few tasks, and one may be left over.
    """
    batches = [_batches(plan) for plan in plans]
    measured = _measured(scene, plans, running, {} if heard is None else heard, meanwhile)
    results = iter(
        run_chunks(
            _decide,
            [
                _Batch(scene, model, batch, of_plan)
                for parts, of_plan in zip(batches, measured, strict=True)
                for batch in parts
            ],
            running=running,
            fingerprint=fingerprint,
            cost=lambda batch: cost_of([batch.plan]),
            progress=progress,
        )
    )
    found = [[(batch, next(results)) for batch in parts] for parts in batches]
    alone, with_echoes = (
        [
            [together(column) for column in zip(*(_apart(*part, prefix) for part in parts), strict=True)]
            for parts in found
        ]
        for prefix in ("", _BY_ECHOES)
    )
    return alone, with_echoes


def cost_of(plans: Sequence[RunsAlong]) -> int:
    """Pings of all runs of plans."""
    return sum(sum(plan.runs) * len(plan.path_m) for plan in plans)


def _measured(
    scene: Scene,
    plans: Sequence[RunsAlong],
    running: Running,
    heard: HeardAlong,
    meanwhile: Callable[[], object],
) -> list[tuple[BlindPings | None, ...]]:
    """Of each plan what is measured of its pingers along the path, each place and pinger measured once for all plans.

    The first plan has its own places by themselves: others change nothing of it. Quick beside the runs, and not kept on
    disk.
    """
    paths: dict[Pinger, list[list[tuple[float, ...]]]] = {}
    for plan in plans:
        for pinger in plan.pingers:
            paths.setdefault(pinger, []).append(_places(plan))
    asked: list[tuple[Pinger, Floats]] = []
    for pinger, (own, *others) in paths.items():
        known = set(heard.get(pinger, ()))
        first = [] if known else own
        further = sorted({place for path in (own, *others) for place in path} - set(first) - known)
        asked += [(pinger, np.array(places)) for places in (first, further) if places]
    tasks = _together(scene, asked)
    found = run_chunks(_listen, tasks, running=replace(running, folder=None), cost=_places_of, meanwhile=meanwhile)
    for task, columns in zip(tasks, found, strict=True):
        for k, (pinger, places) in enumerate(zip(task.pingers, task.places_m, strict=True)):
            pings = {name: columns[f"{k} {name}"] for name in BlindPings.__annotations__ if f"{k} {name}" in columns}
            for row, place in enumerate(map(tuple, places.tolist())):
                if pings:
                    heard.setdefault(pinger, {})[place] = {name: values[row] for name, values in pings.items()}

    def along(plan: RunsAlong, pinger: Pinger) -> BlindPings | None:
        rows: list[Any] = [heard.get(pinger, {}).get(place) for place in _places(plan)]
        return None if None in rows else BlindPings(**{name: np.stack([row[name] for row in rows]) for name in rows[0]})

    return [tuple(along(plan, pinger) for pinger in plan.pingers) for plan in plans]


def _places(plan: RunsAlong) -> list[tuple[float, ...]]:
    return list(map(tuple, np.round(plan.path_m, _SAME_PLACE_DECIMALS).tolist()))


def _together(scene: Scene, asked: Sequence[tuple[Pinger, Floats]]) -> list[_Listening]:
    """What is asked, pingers with places, in parts of some places, each of pingers that differ by their own alone."""
    parts: list[_Listening] = []
    for pinger, places in asked:
        last = parts[-1] if parts else None
        if (
            last is not None
            and _places_of(last) < _PLACES_AT_ONCE
            and last.pingers[0].model_copy(update={"position_m": pinger.position_m}) == pinger
        ):
            parts[-1] = _Listening(scene, (*last.pingers, pinger), (*last.places_m, places))
        else:
            parts.append(_Listening(scene, (pinger,), (places,)))
    return parts


def _places_of(listening: _Listening) -> int:
    return sum(len(places) for places in listening.places_m)


def _listen(listening: _Listening) -> Arrays:
    """What `BlindPings` holds of each pinger, by its number; nothing of one that cannot be listened to."""
    measured = enumerate(_measured_each(listening))
    return {f"{k} {name}": values for k, pings in measured if pings for name, values in vars(pings).items()}


def _measured_each(listening: _Listening) -> list[BlindPings | None]:
    scene, pingers, places_m = listening.scene, listening.pingers, listening.places_m
    try:
        return [*measure_along(scene, pingers, places_m)]
    except ParameterError:
        if len(pingers) == 1:
            return [None]
        alone = (_Listening(scene, (pinger,), (places,)) for pinger, places in zip(pingers, places_m, strict=True))
        return [pings for one in alone for pings in _measured_each(one)]


def _batches(plan: RunsAlong) -> list[RunsAlong]:
    """The runs in batches of fixed size, each with its own children of the seeds."""
    count = -(-max(plan.runs) // _RUNS_AT_ONCE)
    children = [seed.spawn(count) for seed in plan.seeds]
    return [
        replace(
            plan,
            runs=tuple(min(max(runs - k * _RUNS_AT_ONCE, 0), _RUNS_AT_ONCE) for runs in plan.runs),
            seeds=tuple(child[k] for child in children),
        )
        for k in range(count)
    ]


def _apart(batch: RunsAlong, result: Arrays, prefix: str) -> list[Decisions]:
    ends = np.cumsum(batch.runs)[:-1]
    columns = [
        np.split(result[prefix + f.name if prefix + f.name in result else f.name], ends) for f in fields(Decisions)
    ]
    return [Decisions(*parts) for parts in zip(*columns, strict=True)]


def _decide(batch: _Batch) -> Arrays:
    scene, model, plan = batch.scene, batch.model, batch.plan
    total, no_fix = sum(plan.runs), len(model.prior) + 1
    chosen, stated = np.full(total, no_fix), np.zeros(total)
    rms, error = np.full(total, np.inf), np.full(total, np.inf)
    heard, wrong = np.zeros(total, dtype=np.intp), np.zeros(total, dtype=np.intp)
    drawn: list[tuple[int, SimulatedRuns]] = []
    rows = []
    ends = np.cumsum(plan.runs)
    for k, (pinger, n, seed, pings) in enumerate(zip(plan.pingers, plan.runs, plan.seeds, batch.measured, strict=True)):
        if n == 0 or pings is None:
            continue
        rng = np.random.default_rng(seed)
        try:
            drawn.append((k, simulate_runs(scene, pinger, plan.path_m, n_runs=n, rng=rng, measured=pings)))
        except ParameterError:  # not to be heard from here: that is an answer too
            continue
        rows.append(np.arange(ends[k] - n, ends[k]))
    columns: Arrays = {"chosen": chosen, "stated": stated, "rms_m": rms, "error_m": error}
    columns |= {"heard": heard, "wrong_integers": wrong}
    if not drawn:
        return columns
    at = np.concatenate(rows)
    runs = join_runs([part for _, part in drawn])
    fix = fuse_simulated(scene, runs, area=source_area(scene))
    truth = np.concatenate(
        [np.tile(plan.pingers[k].position_m, (len(part), 1)) for (k, _), part in zip(drawn, rows, strict=True)]
    )
    chosen[at], stated[at], rms[at], error[at] = _choice(model, fix, truth)
    heard[at], wrong[at] = runs.run.heard.sum(axis=-1), runs.wrong_integer.sum(axis=-1)
    return columns | (_by_echoes(batch, drawn, rows, fix, columns) if plan.echoes else {})


def _choice(model: StationModel, fix: FusedFix, truth_m: Floats) -> tuple[NDArray[np.intp], Floats, Floats, Floats]:
    """The station that fixes (n,) lead to, the probability stated of it, RMS stated and error on the map [m]."""
    posterior = station_posterior(
        fix.mode_m[..., :2], fix.mode_covariance_m2[..., :2, :2], model, weight=fix.mode_weight
    )
    # A long ellipse is still evidence: only a run that names no place at all gives no fix.
    lost = ~np.isfinite(fix.position_m).all(axis=-1)
    chosen = np.where(lost, len(model.prior) + 1, decisions(posterior))
    rms = np.sqrt(np.trace(fix.covariance_m2[:, :2, :2], axis1=1, axis2=2))
    error = np.linalg.norm((fix.position_m - truth_m)[:, :2], axis=-1)
    return chosen, posterior.max(axis=-1), rms, np.where(lost, np.inf, error)


def _by_echoes(
    batch: _Batch,
    drawn: list[tuple[int, SimulatedRuns]],
    rows: list[NDArray[np.intp]],
    alone: FusedFix,
    columns: Arrays,
) -> Arrays:
    """What changes of the decisions where places by echoes stand for the bearings of their pings."""
    scene, plan = batch.scene, batch.plan
    changed = {name: np.array(columns[name]) for name in ("chosen", "stated", "rms_m", "error_m")}
    first = 0
    for (k, runs), of_runs in zip(drawn, rows, strict=True):
        pinger, outlook, n = plan.pingers[k], plan.echoes[k], len(of_runs)
        seed = plan.seeds[k]
        rng = np.random.default_rng(np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, 0)))
        own = FusedFix(**{name: value[first : first + n] for name, value in vars(alone).items()})
        first += n
        found = outlook.found.drawn(outlook.along(plan.path_m), n, rng)
        errors = place_errors(scene, pinger, plan.path_m, outlook.variance_scale)
        for some, fix in fuse_with_places(scene, pinger, runs, own, errors, found, rng):
            at = of_runs[some]
            for values, new in zip(
                changed.values(), _choice(batch.model, fix, np.array(pinger.position_m)), strict=True
            ):
                values[at] = new
    return {_BY_ECHOES + name: values for name, values in changed.items()}
