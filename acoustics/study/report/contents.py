"""Everything that the report tells of a scene, worked out once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.budget import Budget, study_budget
from acoustics.study.check import Summary, summary
from acoustics.study.draws import Route
from acoustics.study.live import CommitRule
from acoustics.study.map import KNOWN_POOL_CELLS, MapChoices, PoolMap, map_pool
from acoustics.study.rehearse import Rehearsal, study_rehearsal
from acoustics.study.report.live import LiveModel, live_model
from acoustics.study.sound_speed import WaterColumn, water_column
from acoustics.study.spacing import SpacingStudy, study_spacing
from acoustics.study.stations import TARGET, StationStudy, study_stations
from acoustics.study.validate import Validation, choose_design, choose_estimator, validate_estimator

_LEG_M, _LEG_PINGS = 4.0, 4
_ECHO_CELLS = 4
# Processor time [ms] of the parts at the default size in a pool, measured to a factor of two; by it goes the time left.
_SPACING, _MAP, _STATIONS, _RENDERED, _PAGE = 2_000, 4_000, 2_000, 1_500, 2_500
_A_REHEARSED_RUN = 15_000

Progress = Callable[[int, int], None]


@dataclass
class _Parts:
    """The progress of studies one after the other, told as that of the whole page."""

    progress: Progress
    total: int
    begun: int = 0

    def next(self, cost: int) -> Progress:
        """What the next part is to tell of itself."""
        before, self.begun = self.begun, self.begun + cost
        return lambda done, of: self.progress(before + cost * done // max(of, 1), self.total)


@record
class Report:
    """The studies of one scene and pinger, and what is needed to repeat them."""

    scene: Scene
    pinger: Pinger
    scenario: str
    scenario_sha256: str
    version: str
    seed: int
    trials: int
    summary: Summary
    water: WaterColumn
    spacing: SpacingStudy
    budget: Budget
    pool_map: PoolMap | None
    stations: StationStudy | None
    validation: Validation
    rehearsal: Rehearsal | None
    live: LiveModel


def study_report(
    scene: Scene,
    pinger: Pinger,
    scenario: Path,
    *,
    trials: int,
    seed: int,
    progress: Progress,
    runs: int = 0,
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
        Simulated pings at each spacing. A cell of the map gets a hundredth of them, each true station a fiftieth as
        runs, and a fiftieth is rendered sample by sample.
    seed : int
        Of all simulations.
    progress : callable
        Told how much is behind, of a whole that holds the drawing of the page too.
    runs : int
        Rehearsed from samples to the decision, 10 to 20 s of processor time each; 0 for none.

    Raises
    ------
    ParameterError
        As the studies do.
    """
    costs = _SPACING, _MAP if scene.mapped else 0, _STATIONS if scene.stations else 0, _RENDERED, _PAGE
    parts = _Parts(progress, sum(costs) + runs * _A_REHEARSED_RUN)
    progress(0, parts.total)
    return Report(
        scene=scene,
        pinger=pinger,
        scenario=scenario.name,
        scenario_sha256=hashlib.sha256(scenario.read_bytes()).hexdigest(),
        version=version("pingfix"),
        seed=seed,
        trials=trials,
        summary=summary(scene, pinger, together=scene.pingers),
        water=water_column(scene.water, sorted({0.0, scene.vehicle.position_m[2], pinger.position_m[2]})),
        spacing=study_spacing(scene, scene.pingers, trials=trials, seed=seed, progress=parts.next(costs[0])),
        budget=study_budget(scene, pinger),
        pool_map=_map(scene, pinger, max(trials // 100, 2), seed, parts.next(costs[1])),
        stations=_stations(scene, pinger, max(trials // 50, 8), seed, parts.next(costs[2])),
        validation=validate_estimator(
            scene,
            pinger,
            choose_design(scene, pinger, trials=max(trials // 50, 24), seed=seed),
            choose_estimator("phase"),
            progress=parts.next(costs[3]),
        ),
        rehearsal=study_rehearsal(
            scene, pinger, CommitRule(), runs=runs, seed=seed, progress=parts.next(runs * _A_REHEARSED_RUN)
        )
        if runs
        else None,
        live=live_model(scene, pinger),
    )


def _map(scene: Scene, pinger: Pinger, trials: int, seed: int, progress: Progress) -> PoolMap | None:
    """The map; None for open water of which no extent is given."""
    if not scene.mapped:
        return None
    choices = MapChoices(echo_cells=_ECHO_CELLS, known_pool_cells=KNOWN_POOL_CELLS)
    return map_pool(scene, pinger, trials=trials, seed=seed, choices=choices, progress=progress)


def _stations(scene: Scene, pinger: Pinger, trials: int, seed: int, progress: Progress) -> StationStudy | None:
    """Four pings along four metres ahead, and other numbers of pings where four miss the target; None without
    stations."""
    if not scene.stations:
        return None
    route = Route(_LEG_PINGS, _LEG_M, scene.vehicle.heading_deg)
    return study_stations(scene, pinger, route, trials=trials, seed=seed, enough=TARGET, progress=progress)
