"""Print how often a run past stations in a lake names the right one, by rendered pings and as `stations` predicts it.

    python tests/benchmarks/lake.py [--runs 60] [--first 0] [--trials 200] [--seed 1]

Eight metres of water, 37.5 kHz, five hydrophones at uneven places some 0.8 m apart, a slow burst (24 dB in the
window) and mounting of 3 mm: most single pings have wrong integers, and stations 4 m apart are 7 degrees
apart. Four pings on 4 m, from 33 m away; the pinger stands about one of the stations, drawn anew for each run as are
mounting, skew and the errors of the navigation. Each ping is rendered and located as in `rehearse`, and the run fused
as `fuse` does it with a scenario. About two seconds a run.
"""

from __future__ import annotations

import argparse

import numpy as np
from directions import percent

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.frames import wrap_angle
from acoustics.base.intervals import rate_interval
from acoustics.base.mixtures import credible_level_on_map
from acoustics.estimate.fuse import track_of_pings
from acoustics.scene.array import Array
from acoustics.scene.pool import Pool
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.draws import Route, SimulatedVehicle
from acoustics.study.fuse import FusedRun, RunErrors, errors_of_run, fuse_run
from acoustics.study.locate import heard_ping
from acoustics.study.stations import study_stations

PLACES_M = ((0.42, 0.04, 0.0), (0.26, -0.32, 0.06), (-0.04, 0.34, -0.04), (-0.22, -0.18, 0.1), (-0.4, 0.12, 0.0))
TOLERANCE_M, SKEW_SD_S = 3e-3, 5e-7
STATIONS_M = {"teal": (40.0, 12.0, 7.0), "white": (38.5, 15.7, 7.0), "red": (41.2, 8.2, 7.0)}
ROUTE = Route(n_pings=4, leg_m=4.0, leg_deg=20.0)
SURE = 0.999


def lake() -> Scene:
    base = load_scene(shipped("examples")["fennel-reservoir"])
    pinger = base.pingers[0].model_copy(
        update={"frequency_hz": 37500.0, "position_m": STATIONS_M["teal"], "source_level_db": 163.0, "q": 25.0}
    )
    stations = tuple(
        base.stations[0].model_copy(update={"name": name, "position_m": place}) for name, place in STATIONS_M.items()
    )
    vehicle = base.vehicle.model_copy(update={"position_m": (9.0, 1.0, 1.5), "heading_deg": 20.0})
    return base.model_copy(
        update={
            "title": "Lake",
            "pool": Pool(depth_m=8.0, floor=base.pool.floor, surface_roughness_m=base.pool.surface_roughness_m),
            "pingers": (pinger,),
            "stations": stations,
            "vehicle": vehicle,
            "array": Array.from_positions(np.array(PLACES_M), tolerance_m=TOLERANCE_M),
            "recorder": base.recorder.model_copy(update={"skew_sd_s": SKEW_SD_S}),
        }
    )


def rendered(scene: Scene, seed: np.random.SeedSequence) -> tuple[FusedRun | None, str, np.ndarray]:
    """What a run is fused to, None where nothing was heard; the station at which the pinger is, and its place."""
    rng = np.random.default_rng(seed)
    truth = scene.stations[int(rng.integers(len(scene.stations)))]
    off = rng.normal(size=2) * scene.study.station_spread_m
    place = tuple(np.add(truth.position_m, [*off, 0.0]).tolist())
    pinger = scene.pingers[0].model_copy(update={"position_m": place})
    vehicle = SimulatedVehicle(scene, error_sizes_of(scene, pinger), rng)
    array_seed, start, pings = int(rng.integers(2**63)), vehicle.believed_m.copy(), []
    heading = vehicle.heading
    for k in range(ROUTE.n_pings):
        along = ROUTE.leg_m * k / (ROUTE.n_pings - 1)
        vehicle.go(start + along * np.array([np.cos(heading), np.sin(heading), 0.0]), np.inf)
        pose = vehicle.true_pose()
        true, believed = (
            {"position_m": tuple(at.tolist())}
            | {
                f"{name}_deg": float(np.rad2deg(wrap_angle(a)))
                for name, a in zip(("roll", "pitch", "heading"), turns, strict=True)
            }
            for at, turns in (
                (np.asarray(pose.position_m), (pose.roll, pose.pitch, pose.heading)),
                (vehicle.believed_m, (scene.vehicle.pose.roll, scene.vehicle.pose.pitch, vehicle.heading)),
            )
        )
        here = scene.model_copy(update={"pingers": (pinger,), "vehicle": scene.vehicle.model_copy(update=true)})
        noise_seed = np.random.SeedSequence(int(rng.integers(2**63)))
        ping = heard_ping(here, believed, array_seed=array_seed, noise_seed=noise_seed, at_s=pinger.pri_s * k)
        pings += [] if ping is None else [ping]
    if not pings:
        return None, truth.name, np.array(place)
    run = fuse_run(pings, track_of_pings(pings), errors_of_run(pings, scene, RunErrors()), scene)
    return run, truth.name, np.array(place)


def level(run: FusedRun, place: np.ndarray) -> float:
    """Content of the smallest region of the run's places that holds one."""
    means, covariances, weights = [run.position_m[:2]], [run.covariance_m2[:2, :2]], [1.0]
    if run.modes:
        from_axes = [
            np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
            for a in (np.deg2rad(m.azimuth_deg) for m in run.modes)
        ]
        means, weights = [m.position_m[:2] for m in run.modes], [m.weight for m in run.modes]
        scale = -2.0 * np.log(0.05)
        covariances = [
            turn @ np.diag(np.square([m.semi_major_95_m, m.semi_minor_95_m]) / scale) @ turn.T
            for turn, m in zip(from_axes, run.modes, strict=True)
        ]
    return credible_level_on_map(place[:2], np.array(means), np.array(covariances), np.array(weights))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--trials", type=int, default=200, help="of `stations`, for each station")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    scene = lake()
    if options.trials:
        told = study_stations(scene, scene.pingers[0], ROUTE, trials=options.trials, seed=options.seed, further=False)
        print(f"`stations`: right in {percent(told.overall)}, wrong integers {percent(told.wrong_integer)}", flush=True)
    right = heard = stated = 0.0
    levels: dict[int, float] = {}
    for k in range(options.first, options.first + options.runs):
        run, truth, place = rendered(scene, np.random.SeedSequence([options.seed, k]))
        if run is None:
            continue
        heard += 1
        right += run.decision == truth
        stated += max(run.probabilities)
        if run.ok:
            levels[k] = level(run, place)
    n, given = options.runs, len(levels)
    held = sum(found <= 0.95 for found in levels.values())
    outside = [k for k, found in levels.items() if found > SURE]
    print(
        f"rendered, {n} runs from {options.first}: right in {percent(rate_interval(int(right), n))}, stated "
        f"{100 * stated / max(heard, 1):.0f} %; ok in {given}, of these inside their 95 % region "
        f"{percent(rate_interval(held, given)) if given else '-'}, outside that of {100 * SURE:g} % "
        f"{percent(rate_interval(len(outside), given)) if given else '-'}"
        f"{': runs ' + ', '.join(map(str, outside)) if outside else ''}"
    )


if __name__ == "__main__":
    main()
