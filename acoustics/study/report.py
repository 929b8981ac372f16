"""Everything that the report tells of a scene, worked out once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.budget import Budget, study_budget
from acoustics.study.live_model import LiveModel, live_model
from acoustics.study.outlook import Outlook, outlook
from acoustics.study.pool_map import PoolMap, map_pool
from acoustics.study.spacing import SpacingStudy, study_spacing
from acoustics.study.water_column import WaterColumn, water_column

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Report:
    """The studies of one scene and pinger, and what is needed to repeat them."""

    scene: Scene
    pinger: Pinger
    scenario: str
    scenario_sha256: str
    version: str
    seed: int
    trials: int
    outlook: Outlook
    water: WaterColumn
    spacing: SpacingStudy
    budget: Budget
    pool_map: PoolMap | None
    live: LiveModel


def study_report(
    scene: Scene, pinger: Pinger, scenario: Path, *, trials: int, seed: int, progress: Callable[[str], Progress]
) -> Report:
    """Run the studies that the report shows.

    Parameters
    ----------
    scene : Scene
        As read from `scenario`.
    pinger : Pinger
        One of the scene's.
    scenario : Path
        The file, whose hash goes into the report.
    trials : int
        Simulated pings at each spacing; a map's cell gets a hundredth of them.
    seed : int
        Of all simulations.
    progress : callable
        Given the name of a study, returns what is told of its progress.

    Raises
    ------
    ParameterError
        As the studies do.
    """
    return Report(
        scene=scene,
        pinger=pinger,
        scenario=scenario.name,
        scenario_sha256=hashlib.sha256(scenario.read_bytes()).hexdigest(),
        version=version("pingfix"),
        seed=seed,
        trials=trials,
        outlook=outlook(scene, pinger),
        water=water_column(scene.water, sorted({0.0, scene.vehicle.position_m[2], pinger.position_m[2]})),
        spacing=study_spacing(scene, pinger, trials=trials, seed=seed, progress=progress("of the spacings")),
        budget=study_budget(scene, pinger),
        pool_map=_map(scene, pinger, max(trials // 100, 2), seed, progress("of the map")),
        live=live_model(scene, pinger),
    )


def _map(scene: Scene, pinger: Pinger, trials: int, seed: int, progress: Progress) -> PoolMap | None:
    """The map; None for open water of which no extent is given."""
    if scene.pool.outline_m is None and scene.study.map_extent_m is None:
        return None
    return map_pool(scene, pinger, trials=trials, seed=seed, progress=progress)
