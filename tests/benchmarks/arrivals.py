"""Prints what arrival times add to a fused position: bound, errors and coverage with and without a pinger's clock.

Run as ``python tests/benchmarks/arrivals.py 2000``; a minute on one core. Carrier integers are given, so that the runs
tell of the clock alone; the errors of poses, mounting and sound speed are those of the scenario.
"""

from __future__ import annotations

import sys

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Pose
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import PingClock
from acoustics.present.text.tables import table
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import fuse_simulated, simulate_runs, source_area
from acoustics.study.waypoints import hear, run_information

N_PINGS = 9
SCENE = load_scene(shipped("examples")["mallard-basin"])
SOURCE = np.array(SCENE.pingers[0].position_m)
CRYSTAL = PingClock(pri_s=2.0, pri_sd_s=2e-4, jitter_sd_s=1e-5)  # 100 ppm, 10 us


def ways() -> dict[str, np.ndarray]:
    """True places of the vehicle, (9, 3) [m]: three L of 4 m and 4 m, and a short way straight towards the pinger."""
    corners = {
        "L, nearing": ([6.0, 10.0, 10.0], [5.0, 5.0, 9.0]),
        "L, across first": ([7.0, 7.0, 11.0], [3.0, 7.0, 7.0]),
        "L, away": ([8.0, 8.0, 4.0], [10.0, 6.0, 6.0]),
    }
    ping, depth = np.linspace(0.0, 2.0, N_PINGS), np.full(N_PINGS, SCENE.vehicle.position_m[2])
    found = {
        name: np.stack([*(np.interp(ping, range(3), axis) for axis in xy), depth], -1) for name, xy in corners.items()
    }
    start = np.array(SCENE.vehicle.position_m)
    away = (SOURCE - start) * [1.0, 1.0, 0.0]
    found["2 m towards"] = start + np.linspace(0.0, 2.0, N_PINGS)[:, None] * away / np.linalg.norm(away)
    return found


def bound_m(way: np.ndarray, clock: PingClock | None) -> float:
    """Horizontal RMS error, a bound with the errors of the poses and the array and what is known beforehand [m]."""
    errors, pose, pinger = error_sizes_of(SCENE, SCENE.pingers[0]), SCENE.vehicle.pose, SCENE.pingers[0]
    window = multipath_free_windows(SCENE, pinger, way)
    variance = link_budget(SCENE, pinger, np.linalg.norm(SOURCE - way, axis=-1), window_s=window).carrier_variance_s2
    poses = Pose(way, pose.roll, pose.pitch, np.full(len(way), pose.heading))
    array, speed = SCENE.array.positions_m, SCENE.sound_speed_m_s
    heard = hear(array, poses, SOURCE, variance, way[0], errors, speed, clock=clock)
    legs = np.linalg.norm(np.diff(way, axis=0, prepend=way[:1]), axis=-1)
    since = CRYSTAL.pri_s * np.arange(len(way))
    known = np.zeros((3, 3))
    known[:2, :2], known[2, 2] = source_area(SCENE).information, SCENE.study.pinger_depth_sd_m**-2
    information = run_information(heard, legs, errors.drift_sd_m_per_root_m, since) + known
    return float(np.sqrt(np.trace(np.linalg.inv(information)[:2, :2])))


def rows(name: str, way: np.ndarray, n_runs: int, seed: int) -> list[tuple[str, ...]]:
    """Without and with the clock."""
    found = []
    for label, clock in (("time differences", None), ("and arrival times", CRYSTAL)):
        drawn = simulate_runs(
            SCENE,
            SCENE.pingers[0],
            way,
            n_runs=n_runs,
            rng=np.random.default_rng(seed),
            integers="given",
            clock=clock,
        )
        fix = fuse_simulated(SCENE, drawn, area=source_area(SCENE))
        error, covariance = (fix.position_m - SOURCE)[:, :2], fix.covariance_m2[:, :2, :2]
        rms = rms_interval(np.hypot(*error.T), np.random.default_rng(seed))
        stated = np.sqrt(np.mean(np.trace(covariance, axis1=-2, axis2=-1)))
        inside = rate_interval(int(inside_region(error, covariance).sum()), n_runs)
        row = (name, label, f"{bound_m(way, clock):.2f}", _shown(rms, 1.0), f"{stated:.2f}", _shown(inside, 100.0))
        found.append(row)
    return found


def _shown(value: Interval, factor: float) -> str:
    return f"{factor * value.value:.2f} ({factor * value.low:.2f} to {factor * value.high:.2f})"


def main(n_runs: int) -> None:
    """One table."""
    print(f"{SCENE.title}, {N_PINGS} pings a run, {n_runs} runs a row; 100 ppm, 10 us; 95 % intervals\n")
    header = ("run", "evidence", "RMS m (bound)", "RMS m (simulated)", "RMS m (predicted)", "% inside the 95 % ellipse")
    lines = [row for seed, (name, way) in enumerate(ways().items(), 1) for row in rows(name, way, n_runs, seed)]
    print(table(header, lines))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
