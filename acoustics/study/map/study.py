"""How far off will one ping's fix be, over the pool, and to which station does it send us?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.accuracy.link_budget import LinkBudget
from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, median_interval, unless_guessed
from acoustics.base.record import record
from acoustics.scene.clearance import room_m
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import own_arrivals
from acoustics.study.execution import ALONE, Arrays, Running, fingerprint, run_chunks
from acoustics.study.map.ambiguity import wrong_integers_in_cells
from acoustics.study.map.bounds import CellBounds, bounds_in_cells, with_link, worst_bounds
from acoustics.study.map.cells import Cells, grid_cells
from acoustics.study.map.echoes import EchoChunk, echo_chunks, echo_places, gather_echoes, heard_of_chunk
from acoustics.study.map.fixes import CellFixes, FixChunk, FixModel, fix_chunks, fixes_of_chunk, gather_fixes
from acoustics.study.map.known_pool import known_pool_in_cells
from acoustics.study.map.listening import ListeningPlace, listening_place
from acoustics.study.map.own_estimator import MeasuredCells, measured_in_cells, own_estimator_in_cells
from acoustics.study.map.result import MapChoices, PoolMap
from acoustics.study.map.station_summary import station_map
from acoustics.study.map.stations import Chooser, Sights

__all__ = ["MapChoices", "PoolMap", "map_pool"]

_HEADINGS = 24
_FIXES_FOR_A_PING = 6_000  # take as long as one ping rendered and located, with echoes and without; measured
_USUAL = MapChoices()


def map_pool(
    scene: Scene,
    pinger: Pinger,
    *,
    trials: int,
    seed: int,
    step_m: float | None = None,
    choices: MapChoices = _USUAL,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> PoolMap:
    """Bounds and simulation of a fix from one ping, over a grid.

    Parameters
    ----------
    scene : Scene
        The vehicle's roll and pitch are kept; its depth, where it moves, is `study.map_depth_m`, else its own.
    pinger : Pinger
        One of the scene's.
    trials : int
        Simulated fixes for each cell; 0 for bounds alone.
    seed : int
        Seed of the simulation; every chunk of cells has its own child of it.
    step_m : float, optional
        Step of the grid [m]; `study.map_step_m` by default.
    choices : MapChoices
        What the map is over and of.
    running : Running
        Who simulates, and where finished chunks are kept.
    progress : callable, optional
        Told after every chunk of cells how many of how many are simulated.

    Raises
    ------
    ParameterError
        If the grid has no cell in the water, or too many.

    Notes
    -----
    The fixes simulated are at the level of delays: they have the right cycle, and noise and shift by echoes of the
    vehicle's own window; pings at chosen cells are rendered to show what echoes do. Hydrophones that a body of
    `[[mounting.shadow]]` keeps from the pinger do not count. The worst heading of a cell is that of the largest
    position error by the bound, and its bearing error is the largest too. Bounds count the burst up to the first
    strong echo. Simulated fixes, wrong integers, stations and the place to listen at are those of the vehicle's own
    estimator, whose window is measured in some cells and told from the multipath-free one in the others.
    """
    step = scene.study.map_step_m if step_m is None else step_m
    rng = np.random.default_rng(scene.study.seed)
    model = _fix_model(scene, pinger, trials, choices)
    told = _told(scene, pinger, model, choices, step, rng)
    fixes = _fix_chunks(model, told.own, told.stations, seed)
    chosen = echo_places(scene, told.cells, told.at.heading, told.at.heard, choices.echo_cells)
    echoes = echo_chunks(scene, pinger, told.cells, told.at.heading, chosen, pings=choices.echo_pings, seed=seed)
    tasks: list[FixChunk | EchoChunk] = [*echoes, *fixes]  # the longest first
    inputs = [scene.model_dump(mode="json", by_alias=True), pinger.name, asdict(choices), step, trials, seed]
    results = run_chunks(
        _simulated,
        tasks,
        running=running,
        fingerprint=fingerprint("map", *inputs),
        cost=_cost,
        progress=progress,
    )
    simulated = gather_fixes(len(told.wrong), fixes, results[len(echoes) :])
    failed = 1 - (1 - simulated.refused) * (1 - told.wrong)
    spread = told.cells.spread
    return PoolMap(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        over=choices.over,
        heading_deg=None if choices.heading == "worst" else scene.vehicle.heading_deg,
        site_position=choices.site_position,
        trials=trials,
        seed=seed,
        wrong_cycle_limit=scene.study.wrong_cycle_limit,
        **_predicted_values(told, worst=choices.heading == "worst"),
        simulated_m=spread(simulated.rms_m),
        simulated_low_m=spread(simulated.low_m),
        simulated_high_m=spread(simulated.high_m),
        refused=spread(simulated.refused),
        failed=spread(failed),
        simulated_over_predicted=_agreement(simulated, told.own.position_m, seed),
        stations=None
        if told.stations is None
        else station_map(*told.stations, told.cells, told.own.heard, simulated.chosen),
        echoes=gather_echoes(echoes, results[: len(echoes)], seed=seed),
        own_estimator=own_estimator_in_cells(scene, pinger, told.cells, told.measured, rng),
        known_pool=known_pool_in_cells(
            scene, pinger, told.cells, told.at, most=choices.known_pool_cells, site_position=choices.site_position
        ),
        listen=_listen(scene, told, simulated, failed if trials else np.full_like(failed, np.nan)),
    )


@record
class _Told:
    """What is told of the cells before anything is simulated there.

    `at`: bounds by the multipath-free window; `own`: by that of the vehicle's own estimator, `measured` in some;
    `wrong`: predicted share of wrong integers, (n_cells,); `stations`: None where there are not two.
    """

    cells: Cells
    at: CellBounds
    measured: MeasuredCells
    own: CellBounds
    wrong: Floats
    stations: tuple[Chooser, Sights] | None
    extent_m: float

    def position_m(self, of: CellBounds) -> Floats:
        return unless_guessed(of.position_m, self.extent_m)

    def bearing_deg(self, of: CellBounds) -> Floats:
        return np.rad2deg(unless_guessed(of.bearing_sd, BEARING_GUESS_SD))


def _told(
    scene: Scene, pinger: Pinger, model: FixModel, choices: MapChoices, step_m: float, rng: np.random.Generator
) -> _Told:
    bow, count = np.deg2rad(scene.vehicle.heading_deg), _HEADINGS if choices.heading == "worst" else 1
    headings = bow + np.arange(count) * 2 * np.pi / _HEADINGS
    cells = grid_cells(scene, pinger, over=choices.over, step_m=step_m, headings=headings)
    at = worst_bounds([bounds_in_cells(scene, pinger, model, cells, heading) for heading in headings])
    measured = measured_in_cells(scene, pinger, cells, at.heading, rng)
    own = with_link(model, at, _own_link(scene, pinger, at, measured))
    chooser = Chooser.of(scene)
    stations = None if chooser is None else (chooser, _sights(scene, pinger, cells, own))
    wrong = _wrong_integers(scene, pinger, model, own)
    return _Told(cells, at, measured, own, wrong, stations, scene.pool.extent_m)


def _predicted_values(told: _Told, *, worst: bool) -> dict[str, Any]:
    """What `PoolMap` holds of them, on the grid."""
    cells, at = told.cells, told.at
    return {
        "depth_m": float(cells.places_m[0, 0, 2]),
        "x_m": cells.x_m,
        "y_m": cells.y_m,
        "worst_heading_deg": cells.spread(np.rad2deg(at.heading) % 360) if worst else None,
        "multipath_free_s": cells.spread(at.window_s),
        "shadowed": cells.spread(1 - at.reached.mean(axis=-1)),
        "bearing_deg": cells.spread(told.bearing_deg(at)),
        "position_m": cells.spread(told.position_m(at)),
        "own_position_m": cells.spread(told.position_m(told.own)),
        "wrong_integer": cells.spread(told.wrong),
    }


def _listen(scene: Scene, told: _Told, simulated: CellFixes, failed: Floats) -> ListeningPlace | None:
    cells = told.cells
    places = cells.places_m[cells.wet][:, :2]
    return listening_place(
        places,
        np.linalg.norm(told.at.source_m[:, :2], axis=-1),
        room_m=room_m(scene, places, pingers=True) if cells.over == "vehicle" else np.full(len(places), np.inf),
        bearing_deg=told.bearing_deg(told.own),
        predicted_m=told.position_m(told.own),
        wrong_integer=told.wrong,
        simulated_m=simulated.rms_m,
        failed=failed,
    )


def _cost(chunk: FixChunk | EchoChunk) -> int:
    """In simulated fixes; a few hundred for what comes with any chunk."""
    if isinstance(chunk, EchoChunk):
        return _FIXES_FOR_A_PING * len(chunk.trials)
    return 500 + len(chunk.cells) * max(chunk.model.trials, 1)


def _simulated(chunk: FixChunk | EchoChunk) -> Arrays:
    return fixes_of_chunk(chunk) if isinstance(chunk, FixChunk) else heard_of_chunk(chunk)


def _fix_model(scene: Scene, pinger: Pinger, trials: int, choices: MapChoices) -> FixModel:
    pose, sizes, bent = scene.vehicle.pose, error_sizes_of(scene, pinger), scene.bending_profile
    own_depth = scene.vehicle.position_m[2]
    depth = (scene.study.map_depth_m or own_depth) if choices.over == "vehicle" else own_depth
    return FixModel(
        hydrophones_m=Pose(np.zeros(3), pose.roll, pose.pitch, 0.0).to_site(scene.array.positions_m),
        sound_speed_m_s=scene.sound_speed_m_s,
        sizes=sizes if choices.site_position else replace(sizes, position_sd_m=0.0),
        source_depth_sd_m=float(np.hypot(scene.study.pinger_depth_sd_m, scene.vehicle.depth_sd_m)),
        trials=trials,
        profile=None if bent is None else bent.below(depth),
    )


def _own_link(scene: Scene, pinger: Pinger, at: CellBounds, measured: MeasuredCells) -> LinkBudget:
    """The link by the window of the vehicle's own estimator, in all cells."""
    range_m, some = np.linalg.norm(at.source_m, axis=-1), measured.some
    arrivals = own_arrivals(scene, pinger, measured.pings, range_m[some], at.window_s[some])
    return arrivals.link(scene, pinger, range_m, at.window_s)


def _wrong_integers(scene: Scene, pinger: Pinger, model: FixModel, at: CellBounds) -> Floats:
    """Predicted probability of a wrong cycle in each cell; 1 where no two hydrophones hear the pinger."""
    wrong = np.ones(len(at.source_m))
    for hydrophones, cells in at.patterns():
        some = tuple(scene.array.hydrophones[k] for k in hydrophones)
        heard = scene.model_copy(update={"array": scene.array.model_copy(update={"hydrophones": some})})
        link = LinkBudget(**{name: values[cells] for name, values in vars(at.link).items()})
        place = model.of(hydrophones).hydrophones_m
        wrong[cells] = wrong_integers_in_cells(heard, pinger, place, at.source_m[cells], link)
    return wrong


def _fix_chunks(model: FixModel, at: CellBounds, stations: tuple[Chooser, Sights] | None, seed: int) -> list[FixChunk]:
    if not model.trials:
        return []
    models = [(model.of(hydrophones), cells) for hydrophones, cells in at.patterns()]
    return fix_chunks(models, at.source_m, at.link.carrier_variance_s2, stations, seed=seed)


def _sights(scene: Scene, pinger: Pinger, cells: Cells, at: CellBounds) -> Sights:
    places = cells.places_m[cells.wet][:, :2]
    waypoints, pingers = (
        (places, pinger.position_m[:2]) if cells.over == "vehicle" else (scene.vehicle.position_m[:2], places)
    )
    return Sights(
        np.broadcast_to(waypoints, places.shape), np.broadcast_to(pingers, places.shape), at.heading, at.information
    )


def _agreement(simulated: CellFixes, predicted_m: Floats, seed: int) -> Interval | None:
    """Median over cells of the simulated RMS over the one predicted, where every ping gave a fix."""
    sure = (simulated.refused == 0) & np.isfinite(predicted_m) & (predicted_m > 0)
    if sure.sum() < 2:
        return None
    return median_interval(simulated.rms_m[sure] / predicted_m[sure], np.random.default_rng(seed))
