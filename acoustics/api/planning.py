"""The questions before the water, each by the name of its command.

All take a scene; `pinger` is one of its pingers or a pinger's name, by default the first; `seed` and `trials` stand in
the scene's plan of study unless they are given. `jobs` processes work a long study, and `resume` names a folder that
keeps its finished parts; the numbers depend on neither.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from acoustics.api.choices import chosen_pinger, chosen_seed, running
from acoustics.base.errors import ParameterError
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.budget import Budget, study_budget
from acoustics.study.calibrate import CalibrationPlan, RunPlan
from acoustics.study.calibrate import plan_calibration as _plan_calibration
from acoustics.study.check import Summary, summary
from acoustics.study.checklist import DayPlan, plan_day
from acoustics.study.compare import Comparison, compare_scenes
from acoustics.study.draws import Route
from acoustics.study.live import CommitRule
from acoustics.study.map import KNOWN_POOL_CELLS, MapChoices, PoolMap, map_pool, usual_echo_cells
from acoustics.study.place import Aim, Placement, study_place
from acoustics.study.rehearse import Rehearsal, study_rehearsal
from acoustics.study.sound_speed import WaterColumn, water_column
from acoustics.study.spacing import SpacingStudy, study_spacing
from acoustics.study.stations import StationStudy, study_stations
from acoustics.study.validate import (
    Limits,
    Validation,
    choose_design,
    choose_estimator,
    chosen_secret,
    validate_estimator,
)
from acoustics.study.waypoints import WaypointsStudy, study_waypoints


def check(scene: Scene, pinger: str | Pinger | None = None) -> Summary:
    """What the scene implies: sound speed, wavelength, free spacing, what the array observes, the link by range."""
    return summary(scene, chosen_pinger(scene, pinger), together=scene.pingers if pinger is None else ())


def checklist(scene: Scene, pinger: str | Pinger | None = None) -> DayPlan:
    """What a crew brings, sets, measures and does on the day, safety first."""
    return plan_day(scene, chosen_pinger(scene, pinger))


def compare(scenes: Mapping[str, Scene], pinger: str | None = None) -> Comparison:
    """Two to six scenes side by side, by the names they are given under, each held against the first.

    `pinger` names one that they all have; by default the first of each.
    """
    return compare_scenes(scenes, {name: chosen_pinger(scene, pinger) for name, scene in scenes.items()})


def sound_speed(scene: Scene, depth_m: Sequence[float] = (0.0, 2.0, 5.0, 10.0)) -> WaterColumn:
    """Sound speed by depth [m] (TEOS-10), and what a wrong temperature costs."""
    return water_column(scene.water, depth_m)


def spacing(
    scene: Scene, pinger: str | Pinger | None = None, *, trials: int | None = None, seed: int | None = None
) -> SpacingStudy:
    """How far apart, and what sample rate: the scene's array scaled, every spacing with so many simulated pings.

    Without `pinger` spacing and rate serve all of the scene's.
    """
    return study_spacing(
        scene,
        scene.pingers if pinger is None else (chosen_pinger(scene, pinger),),
        trials=scene.study.trials if trials is None else trials,
        seed=chosen_seed(scene, seed),
    )


def place(
    scene: Scene,
    pinger: str | Pinger | None = None,
    *,
    hydrophones: int | None = None,
    of: Literal["bearing", "position"] = "bearing",
    criterion: Literal["worst", "mean"] = "worst",
    sector_deg: tuple[float, float] | None = None,
    depressions_deg: Sequence[float] = (),
    ranges_m: Sequence[float] = (),
    starts: int = 3,
    seed: int | None = None,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> Placement:
    """Where on the vehicle to mount the hydrophones.

    Parameters
    ----------
    hydrophones : int, optional
        3 to 8; as many as the scene's array by default.
    of, criterion : str
        What shall err least, in the worst direction or on average.
    sector_deg : (from, to), optional
        Bearings that matter, clockwise from the bow; all round by default.
    depressions_deg, ranges_m : sequence of float
        Where the pinger is heard from; by default where the scene has it.
    starts : int
        Random starts of the search.
    """
    low, high = (None, None) if sector_deg is None else sector_deg
    result = study_place(
        scene,
        chosen_pinger(scene, pinger),
        min(max(len(scene.array.hydrophones), 3), 8) if hydrophones is None else hydrophones,
        aim=Aim(of, criterion == "worst", low, high, tuple(depressions_deg), tuple(ranges_m)),
        random_starts=starts,
        trials=scene.study.trials,
        seed=chosen_seed(scene, seed),
        running=running(jobs, resume),
    )
    return result.drawn_over(scene)


def map(
    scene: Scene,
    pinger: str | Pinger | None = None,
    *,
    trials: int = 50,
    step_m: float | None = None,
    over: Literal["vehicle", "pinger"] = "vehicle",
    heading: Literal["scene", "worst"] = "scene",
    site_position: bool = False,
    echo_cells: int | None = None,
    echo_pings: int = 6,
    seed: int | None = None,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> PoolMap:
    """How far off one ping's fix is, over the pool.

    Parameters
    ----------
    trials : int
        Simulated fixes a cell; 0 for bounds alone.
    step_m : float, optional
        Step of the grid [m]; the scene's by default.
    over : str
        What stands in the cells: the vehicle, or the pinger with the vehicle where it is.
    heading : str
        The vehicle's heading in the scene, or in each cell the worst of 24.
    site_position : bool
        Whether the error of the vehicle's own position counts.
    echo_cells, echo_pings : int
        At so many cells so many pings are rendered, to show what echoes do; at 6 by default, at none without trials.
    """
    source = chosen_pinger(scene, pinger)
    result = map_pool(
        scene,
        source,
        trials=trials,
        seed=chosen_seed(scene, seed),
        step_m=step_m,
        choices=MapChoices(
            over,
            heading,
            site_position,
            usual_echo_cells(trials) if echo_cells is None else echo_cells,
            echo_pings,
            KNOWN_POOL_CELLS,
        ),
        running=running(jobs, resume),
    )
    return result.drawn_over(scene, source)


def budget(scene: Scene, pinger: str | Pinger | None = None) -> Budget:
    """Which cause makes how much of the error of bearing and position, and what to improve first."""
    return study_budget(scene, chosen_pinger(scene, pinger))


def stations(
    scene: Scene,
    pinger: str | Pinger | None = None,
    *,
    pings: int = 4,
    leg_m: float = 4.0,
    leg_deg: float | None = None,
    trials: int = 100,
    by_echoes: bool = False,
    echo_runs: int = 4,
    seed: int | None = None,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> StationStudy:
    """How often a run of so many pings along a leg, by default ahead, ends at the right station.

    With `by_echoes` also for a crew with a site sketch, by `echo_runs` runs past each station that are rendered and
    located with one (experimental).
    """
    route = Route(pings, leg_m, scene.vehicle.heading_deg if leg_deg is None else leg_deg)
    result = study_stations(
        scene,
        chosen_pinger(scene, pinger),
        route,
        trials=trials,
        echo_runs=echo_runs if by_echoes else 0,
        seed=chosen_seed(scene, seed),
        running=running(jobs, resume),
    )
    return result.drawn_over(scene)


def rehearse(
    scene: Scene,
    pinger: str | Pinger | None = None,
    *,
    runs: int = 40,
    commit_probability: float = 0.95,
    wrong_station_cost_s: float | None = None,
    seed: int | None = None,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> Rehearsal:
    """How whole runs end, from samples to the decision: at the right station, a wrong one, or not in the time.

    They commit from a probability on; or, where the cost of a wrong station is given in seconds of the run, when
    listening once more costs more time than the mistakes it is expected to save.
    """
    result = study_rehearsal(
        scene,
        chosen_pinger(scene, pinger),
        CommitRule(commit_probability, wrong_station_cost_s),
        runs=runs,
        seed=chosen_seed(scene, seed),
        running=running(jobs, resume),
    )
    return result.drawn_over(scene)


def waypoints(
    scene: Scene,
    pinger: str | Pinger | None = None,
    *,
    prior: Literal["stations", "pool"] | None = None,
    criterion: Literal["rms", "area"] = "rms",
    step_m: float | None = None,
    trials: int = 400,
    by_echoes: bool = False,
    echo_pings: int = 16,
    seed: int | None = None,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> WaypointsStudy:
    """Where to stop and listen next; how many waypoints, their pings, speed and time stand in the scene's study.

    With `by_echoes` also for a crew with a site sketch, by `echo_pings` pings that are rendered and located with one
    (experimental).
    """
    result = study_waypoints(
        scene,
        chosen_pinger(scene, pinger),
        prior=prior,
        criterion=criterion,
        step_m=step_m,
        trials=trials,
        seed=chosen_seed(scene, seed),
        echo_pings=echo_pings if by_echoes else 0,
        running=running(jobs, resume),
    )
    return result.drawn_over(scene)


def validate(
    scene: Scene,
    estimator: str | Sequence[str] = "phase",
    pinger: str | Pinger | None = None,
    *,
    trials: int = 288,
    range_m: Sequence[float] = (),
    energy_ratio_db: Sequence[float] = (),
    echoes: Sequence[bool] = (False, True),
    limits: Limits | None = None,
    time_limit_s: float = 10.0,
    seed: int | None = None,
    secret: str | None = None,
    each_ping: bool = False,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> Validation:
    """How good an estimator is on rendered pings whose truth is known.

    Parameters
    ----------
    estimator : str or sequence of str
        A built-in method (phase, correlation, phat, onset), `module:function`, or a program with its arguments.
    range_m, energy_ratio_db : sequence of float
        Where the pings are sounded and how strong (2E/N0); by default from the scene.
    echoes : sequence of bool
        Without, with, or both.
    limits : Limits, optional
        Held against the unfavourable end of each interval.
    time_limit_s : float
        Of a program, for one ping [s].
    secret : str, optional
        Hexadecimal digits from which, with the seed, the pings are drawn; nothing: from the seed alone. By default new
        for a program, which could read the seed. The result's design has it.
    each_ping : bool
        Whether the result tells of each ping.
    """
    program = not isinstance(estimator, str)
    secret = chosen_secret(secret, of_program=program)
    source = chosen_pinger(scene, pinger)
    design = choose_design(
        scene,
        source,
        trials=trials,
        seed=chosen_seed(scene, seed),
        range_m=tuple(range_m),
        energy_ratio_db=tuple(energy_ratio_db),
        echoes=tuple(echoes),
        secret=secret,
    )
    if isinstance(estimator, str):
        asked = choose_estimator(estimator)
    else:
        asked = choose_estimator(program=tuple(estimator), time_limit_s=time_limit_s)
    bounds = Limits() if limits is None else limits
    return validate_estimator(
        scene, source, design, asked, limits=bounds, each_ping=each_ping, running=running(jobs, resume)
    )


def plan_calibration(
    scene: Scene,
    pinger: str | Pinger | None = None,
    *,
    plan: RunPlan | None = None,
    runs: int = 200,
    seed: int | None = None,
    jobs: int = 1,
    resume: str | Path | None = None,
) -> CalibrationPlan:
    """What a calibration run, the vehicle turning near a known source, would tell of the array."""
    if runs < 2:
        raise ParameterError(f"runs={runs}: expected 2 or more")
    return _plan_calibration(
        scene,
        chosen_pinger(scene, pinger),
        RunPlan() if plan is None else plan,
        runs=runs,
        seed=chosen_seed(scene, seed),
        running=running(jobs, resume),
    )
