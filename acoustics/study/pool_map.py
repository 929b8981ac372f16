"""How far off will one ping's fix be, over the pool?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.accuracy.link_budget import LinkBudget, link_budget
from acoustics.geometry import Floats, Pose, bearing_and_depression
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.chunk_store import fingerprint
from acoustics.study.delay_level import DelayErrors
from acoustics.study.map_cycles import wrong_cycles_in_cells
from acoustics.study.map_fixes import CellFixes, FixModel, fixes_in_cells
from acoustics.study.pool_cells import Cells, Over, grid_cells, sources_seen, windows_seen
from acoustics.study.runner import ALONE, Running
from acoustics.study.statistics import BEARING_GUESS_SD, Interval, median_interval, quantiles

_HEADINGS = 24


@dataclass(frozen=True)
class MapChoices:
    """What a map is over and of.

    Parameters
    ----------
    over : "vehicle" or "pinger"
        What stands in the cells: the vehicle, the pinger being where the scene has it, or the other way round.
    heading : "scene" or "worst"
        The scene's heading, or in each cell the worst of 24.
    site_position : bool
        Whether the position is that in the site, `vehicle.position_sd_m` included, or that relative to the vehicle.
    """

    over: Over = "vehicle"
    heading: Literal["scene", "worst"] = "scene"
    site_position: bool = False


_USUAL = MapChoices()


@dataclass(frozen=True)
class PoolMap:
    """Cells of a grid, shape (n_y, n_x); NaN where nothing can be.

    Bounds (Cramer-Rao, single ping): `bearing_deg` is the standard deviation of the bearing in the site frame,
    heading error included; `position_m` the horizontal RMS error. Prediction: `wrong_cycle`, the probability of one.
    Simulation: `simulated_m`, the RMS of the fixes that the estimator gave, with the ends of its 95 % confidence
    interval, and `refused`, the share for which it named a reason instead. `failed` is the share of pings that give no
    fix or one from a wrong cycle, the two taken as independent. `simulated_over_bound` is the median of that ratio over
    the cells where every ping gave a fix; None where there are fewer than two. Infinite: not observable. `heading_deg`
    is None where each cell has its own worst heading, `worst_heading_deg` then.
    """

    title: str
    array: str
    pinger: str
    over: Over
    depth_m: float
    heading_deg: float | None
    site_position: bool
    trials: int
    seed: int
    x_m: Floats
    y_m: Floats
    worst_heading_deg: Floats | None
    clean_window_s: Floats
    bearing_deg: Floats
    position_m: Floats
    wrong_cycle: Floats
    simulated_m: Floats
    simulated_low_m: Floats
    simulated_high_m: Floats
    refused: Floats
    failed: Floats
    simulated_over_bound: Interval | None

    @property
    def quantiles(self) -> dict[str, Floats]:
        """Median, 90th and 95th percentile over the cells, by what they are of."""
        wet = np.isfinite(self.clean_window_s)
        columns = {"bearing_deg": self.bearing_deg, "position_m": self.position_m, "wrong_cycle": self.wrong_cycle}
        if self.trials:
            columns |= {"simulated_m": self.simulated_m, "refused": self.refused, "failed": self.failed}
        return {name: quantiles(values[wet]) for name, values in columns.items() if not np.isnan(values[wet]).any()}


@dataclass(frozen=True)
class _Bounds:
    """Of the cells at one heading each, shape (n_cells, ...)."""

    heading: Floats
    source_m: Floats
    window_s: Floats
    link: LinkBudget
    bearing_sd: Floats
    position_m: Floats


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
    """Bounds and delay-level simulation of a fix from one ping, over a grid.

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
    The fixes simulated have the right cycle, and echoes shorten the window but do not bias what is inside it. The worst
    heading of a cell is that of the largest position error by the bound, and its bearing error is the largest too.
    """
    own = np.deg2rad(scene.vehicle.heading_deg)
    worst = choices.heading == "worst"
    headings = own + np.arange(_HEADINGS if worst else 1) * 2 * np.pi / _HEADINGS
    step = scene.study.map_step_m if step_m is None else step_m
    cells = grid_cells(scene, pinger, over=choices.over, step_m=step, headings=headings)
    model = _fix_model(scene, pinger, trials, choices)
    at = _worst_of([_bounds(scene, pinger, model, cells, heading) for heading in headings])
    wrong = wrong_cycles_in_cells(scene, pinger, model.hydrophones_m, at.source_m, at.link)
    inputs = [
        scene.model_dump(mode="json", by_alias=True),
        pinger.name,
        choices.over,
        choices.heading,
        step,
        trials,
        seed,
    ]
    simulated = fixes_in_cells(
        model,
        at.source_m,
        at.link.carrier_variance_s2,
        seed=seed,
        fingerprint=fingerprint("map", *inputs, choices.site_position),
        running=running,
        progress=progress,
    )
    spread = cells.spread
    return PoolMap(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        over=choices.over,
        depth_m=float(cells.places_m[0, 0, 2]),
        heading_deg=None if worst else scene.vehicle.heading_deg,
        site_position=choices.site_position,
        trials=trials,
        seed=seed,
        x_m=cells.x_m,
        y_m=cells.y_m,
        worst_heading_deg=spread(np.rad2deg(at.heading) % 360) if worst else None,
        clean_window_s=spread(at.window_s),
        bearing_deg=spread(np.rad2deg(np.where(at.bearing_sd < BEARING_GUESS_SD, at.bearing_sd, np.inf))),
        position_m=spread(at.position_m),
        wrong_cycle=spread(wrong),
        simulated_m=spread(simulated.rms_m),
        simulated_low_m=spread(simulated.low_m),
        simulated_high_m=spread(simulated.high_m),
        refused=spread(simulated.refused),
        failed=spread(1 - (1 - simulated.refused) * (1 - wrong)),
        simulated_over_bound=_agreement(simulated, at.position_m, seed),
    )


def _fix_model(scene: Scene, pinger: Pinger, trials: int, choices: MapChoices) -> FixModel:
    pose, own_sd = scene.vehicle.pose, scene.vehicle.position_sd_m if choices.site_position else 0.0
    return FixModel(
        hydrophones_m=Pose(np.zeros(3), pose.roll, pose.pitch, 0.0).to_site(scene.array.positions_m),
        sound_speed_m_s=scene.sound_speed_m_s,
        errors=DelayErrors(
            np.inf,
            np.inf,
            scene.recorder.timing_sd_s(pinger.frequency_hz),
            scene.array.tolerances_m,
            scene.sound_speed_sd_m_s,
        ),
        source_depth_sd_m=float(np.hypot(scene.study.pinger_depth_sd_m, scene.vehicle.depth_sd_m)),
        attitude_sd=scene.vehicle.attitude_sd,
        position_sd_m=np.array([own_sd, own_sd, 0.0]),
        trials=trials,
    )


def _bounds(scene: Scene, pinger: Pinger, model: FixModel, cells: Cells, heading: float) -> _Bounds:
    source = sources_seen(scene, pinger, cells, heading)
    window = windows_seen(scene, pinger, cells, heading)
    link = link_budget(scene, pinger, np.linalg.norm(source, axis=-1), window_s=window)
    nuisance: dict[str, Any] = {
        "arrival_variance_s2": link.carrier_variance_s2[:, None],
        "element_sd_m": model.errors.element_sd_m,
        "skew_sd_s": model.errors.skew_sd_s,
        "sound_speed_sd_m_s": model.errors.sound_speed_sd_m_s,
        "attitude_sd": model.attitude_sd,
    }
    bearing = bearing_bound(model.hydrophones_m, *bearing_and_depression(source), model.sound_speed_m_s, **nuisance)
    position = position_bound(
        model.hydrophones_m,
        source,
        model.sound_speed_m_s,
        source_depth_sd_m=model.source_depth_sd_m,
        pivot_m=np.zeros(3),
        position_sd_m=model.position_sd_m,
        **nuisance,
    )
    return _Bounds(np.full(len(source), heading), source, window, link, bearing.bearing_sd, position.horizontal_rms_m)


def _worst_of(turned: list[_Bounds]) -> _Bounds:
    """In each cell the heading of the largest position error, and with it the largest bearing error of all."""
    if len(turned) == 1:
        return turned[0]
    bearing = np.array([t.bearing_sd for t in turned])
    position = np.array([t.position_m for t in turned])
    # Where no position is observed at any heading, the bearing decides.
    worst = np.lexsort((bearing, position), axis=0)[-1]
    row = np.arange(len(worst))

    def pick(values: list[Floats]) -> Floats:
        return np.array(values)[worst, row]

    links = [vars(t.link) for t in turned]
    return _Bounds(
        pick([t.heading for t in turned]),
        pick([t.source_m for t in turned]),
        pick([t.window_s for t in turned]),
        LinkBudget(**{name: pick([np.broadcast_to(link[name], row.shape) for link in links]) for name in links[0]}),
        bearing.max(axis=0),
        pick([t.position_m for t in turned]),
    )


def _agreement(simulated: CellFixes, bound_m: Floats, seed: int) -> Interval | None:
    """Median over cells of the simulated RMS over the bound, where every ping gave a fix."""
    sure = (simulated.refused == 0) & np.isfinite(bound_m) & (bound_m > 0)
    if sure.sum() < 2:
        return None
    return median_interval(simulated.rms_m[sure] / bound_m[sure], np.random.default_rng(seed))
