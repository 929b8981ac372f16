"""Whole runs, many of them: how often they commit to the right station, to a wrong one, or not in the time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, median_interval, rate_interval
from acoustics.base.record import record
from acoustics.base.regions import error_ellipse, inside_region
from acoustics.base.result import Result
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import Route
from acoustics.study.execution import ALONE, Arrays, Running, fingerprint, run_chunks
from acoustics.study.live import CommitRule
from acoustics.study.rehearse.play import OUTCOMES, PlayedRuns, play
from acoustics.study.stations import station_model, study_stations

_RUNS_AT_ONCE = 4  # a chunk; each shares the echoes of the places to choose from
_MOMENTS = 6  # of the first run, for a series of pictures
_OF_EACH_RUN = ("outcome", "time_s", "distance_m", "stops", "stated", "source_m", "fix_m", "covariance_m2")
_STATION_TRIALS = 8, 100  # at least and at most, for each station


@record
class Moment:
    """What a run had stated after so many of its pings: position (2,) [m] and 95 % ellipse; None where it had none."""

    pings: int
    time_s: float
    fix_m: Floats | None
    half_length_m: float | None
    half_width_m: float | None
    azimuth_deg: float | None


@record
class RehearsedRun:
    """One run from above: believed and true places at the pings (n, 3), the pinger's, and the position found [m].

    The ellipse is the 95 % one that the vehicle stated; None where it found no position. `moments`: up to six, evenly
    spread over the pings, the last the end.
    """

    believed_m: Floats
    true_m: Floats
    source_m: Floats
    fix_m: Floats
    half_length_m: float | None
    half_width_m: float | None
    azimuth_deg: float | None
    outcome: str
    station: str
    time_s: float
    moments: tuple[Moment, ...]


@record
class Rehearsal(Result):
    """Outcomes of simulated runs, with 95 % intervals.

    `shares`: of `outcomes`. `time_s`, `distance_m`, `stops`: medians of the runs that commit; None of fewer than two.
    `stated`: mean probability at which they commit, to be held against `right_of_committed`. `covered`: share of the
    committed runs whose 95 % ellipse holds the pinger. `stations_right`: what `stations` says of its usual run, four
    pings on 4 m ahead, by simulation at TDOA level.
    """

    title: str
    array: str
    pinger: str
    runs: int
    seed: int
    commit_probability: float
    wrong_station_cost_s: float | None
    time_limit_s: float
    outcomes: tuple[str, ...]
    shares: tuple[Interval, ...]
    time_s: Interval | None
    distance_m: Interval | None
    stops: Interval | None
    stated: float | None
    right_of_committed: Interval | None
    covered: Interval | None
    stations_right: Interval
    first: RehearsedRun


def study_rehearsal(
    scene: Scene,
    pinger: Pinger,
    rule: CommitRule,
    *,
    runs: int,
    seed: int,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Rehearsal:
    """Play whole runs in simulated time through the loop of `fuse -`.

    Each run draws the pinger's station by the priors and its place about it, the array's errors, the instruments' and
    the navigation's. The vehicle listens where the scene has it, then obeys the waypoints, straight, at
    `study.speed_m_s`, and hears every ping on its way: at a stop with the scene's noise, in motion with the loudest
    of its noise states. Samples are rendered with echoes for 0.2 s about each ping, so that false pings between them
    are left out. A run ends where the loop commits, or at `study.time_limit_s`.

    Parameters
    ----------
    rule : CommitRule
        When to commit.
    runs : int
        How many.
    seed : int
        Of everything random.

    Raises
    ------
    ParameterError
        Without stations, or with nowhere to listen.
    """
    station_model(scene)  # refuses a scene without stations before anything is played
    if runs < 1:
        raise ParameterError(f"runs={runs}: expected 1 or more")
    seeds = np.random.SeedSequence(seed).spawn(runs)
    tasks = [
        PlayedRuns(scene, pinger, rule, tuple(seeds[k : k + _RUNS_AT_ONCE])) for k in range(0, runs, _RUNS_AT_ONCE)
    ]
    parts = run_chunks(
        play,
        tasks,
        running=running,
        fingerprint=fingerprint("rehearse", scene, pinger, rule, runs, seed),
        progress=progress,
    )
    joined = {name: np.concatenate([part[name] for part in parts]) for name in _OF_EACH_RUN}
    committed = joined["outcome"] < 2
    n, rng = int(committed.sum()), np.random.default_rng(np.random.SeedSequence(seed).spawn(runs + 1)[-1])

    def median(name: str) -> Interval | None:
        return median_interval(joined[name][committed].astype(float), rng) if n > 1 else None

    off = (joined["fix_m"] - joined["source_m"])[committed, :2]
    inside = inside_region(off, joined["covariance_m2"][committed])
    trials = int(np.clip(runs, *_STATION_TRIALS))
    usual = Route(4, 4.0, scene.vehicle.heading_deg)
    study = study_stations(scene, pinger, usual, trials=trials, seed=seed, further=False)
    return Rehearsal(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        runs=runs,
        seed=seed,
        commit_probability=rule.probability,
        wrong_station_cost_s=rule.wrong_station_cost_s,
        time_limit_s=scene.study.time_limit_s,
        outcomes=OUTCOMES,
        shares=tuple(rate_interval(int(np.sum(joined["outcome"] == k)), runs) for k in range(len(OUTCOMES))),
        time_s=median("time_s"),
        distance_m=median("distance_m"),
        stops=median("stops"),
        stated=float(joined["stated"][committed].mean()) if n else None,
        right_of_committed=rate_interval(int(np.sum(joined["outcome"] == 0)), n) if n else None,
        covered=rate_interval(int(inside.sum()), n) if n else None,
        stations_right=study.overall,
        first=_first(scene, parts[0]),
    )


def _first(scene: Scene, part: Arrays) -> RehearsedRun:
    length, width, azimuth = _ellipse(part["covariance_m2"][0])
    n = len(part["sounded_s"])
    return RehearsedRun(
        believed_m=np.asarray(part["believed_m"], dtype=float),
        true_m=np.asarray(part["true_m"], dtype=float),
        source_m=part["source_m"][0],
        fix_m=part["fix_m"][0],
        half_length_m=length,
        half_width_m=width,
        azimuth_deg=azimuth,
        outcome=OUTCOMES[int(part["outcome"][0])],
        station=scene.stations[int(part["truth"][0])].name,
        time_s=float(part["time_s"][0]),
        moments=tuple(_moment(part, k) for k in np.unique(np.linspace(0, n - 1, min(_MOMENTS, n)).round().astype(int))),
    )


def _moment(part: Arrays, k: int) -> Moment:
    fix = part["stated_m"][k]
    return Moment(
        int(k) + 1,
        float(part["sounded_s"][k]),
        fix if np.isfinite(fix).all() else None,
        *_ellipse(part["stated_m2"][k]),
    )


def _ellipse(covariance_m2: Floats) -> tuple[float | None, float | None, float | None]:
    """Half axes [m] and azimuth [deg] of the 95 % ellipse; None where there is none."""
    if not np.isfinite(covariance_m2).all():
        return None, None, None
    found = error_ellipse(covariance_m2)
    return float(found.semi_major), float(found.semi_minor), float(np.rad2deg(found.azimuth))
