"""Print how often runs with places by echoes name the right station, rendered and as `stations --echoes` plans it.

    python tests/benchmarks/planned_echoes.py [--runs 40] [--first 0] [--trials 200] [--echo-runs 4] [--sites basin]

Each rendered run goes the whole way: samples as `simulate` makes them, the site sketch, array, instruments and
navigation drawn anew for every run, `locate --site`, and `fuse` without and with `--echoes`. The pinger stands at each
station in turn. The plan is that of `stations --echoes` with a seed of its own. Three sites: Mallard Basin, a tiled
tank of 16 m by 9 m that no scenario knows, and the basin with `hull-4`. Some 5 to 10 s of processor a run.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

import numpy as np

from acoustics.base.intervals import Interval, rate_interval
from acoustics.estimate.fuse import track_of_pings
from acoustics.scene.array import Array
from acoustics.scene.pool import Pool
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.draws import Route, route_positions
from acoustics.study.execution import Running, Workers
from acoustics.study.fuse import FusedRun, RunErrors, errors_of_run, fuse_run
from acoustics.study.rendered_run import rendered_run
from acoustics.study.stations import pingers_at_stations, study_stations

SEED = 77
STATIONS_M = {"red": (12.5, 6.8, 2.0), "white": (13.0, 3.0, 2.0), "green": (9.0, 7.5, 2.0)}
ROUTES = {"basin": Route(4, 4.0, 20.0), "tank": Route(3, 2.0, 10.0), "hull": Route(4, 4.0, 20.0)}


def basin() -> Scene:
    return load_scene(shipped("examples")["mallard-basin"])


def tank() -> Scene:
    base = basin()
    pool = Pool(
        outline_m=((0.0, 0.0), (16.0, 0.0), (16.0, 9.0), (0.0, 9.0)), depth_m=2.4, walls="tile", floor="tile",
        surface_roughness_m=0.003,
    )  # fmt: skip
    array: Array = load_array(shipped("arrays")["tetra-4"]).model_copy(update={"mount_m": (0.2, 0.0, 0.2)})
    stations = tuple(
        base.stations[0].model_copy(update={"name": name, "position_m": place}) for name, place in STATIONS_M.items()
    )
    pinger = base.pingers[0].model_copy(update={"position_m": STATIONS_M["red"], "frequency_hz": 27000.0})
    vehicle = base.vehicle.model_copy(update={"position_m": (3.0, 3.5, 0.7), "heading_deg": 10.0})
    return base.model_copy(
        update={
            "title": "Tank", "pool": pool, "array": array, "stations": stations, "pingers": (pinger,),
            "vehicle": vehicle,
        }
    )  # fmt: skip


def hull() -> Scene:
    return basin().model_copy(update={"array": load_array(shipped("arrays")["hull-4"])})


SITES = {"basin": basin, "tank": tank, "hull": hull}


def one_run(site: str, station: int, run: int) -> tuple[float, ...]:
    """Of the run without and with places by echoes: right station, error [m], a position to go by; then the pings heard,
    and of them those with a usable place and those over 1 m off."""
    scene = SITES[site]()
    pinger = pingers_at_stations(scene, scene.pingers[0])[station]
    rng = np.random.default_rng([SEED, list(SITES).index(site), station, run])
    pings = rendered_run(scene, pinger, route_positions(scene, ROUTES[site]), rng)
    if not pings:
        return (0.0, np.nan, 0.0) * 2 + (0.0, 0.0, 0.0)
    told: list[float] = []
    for by_echoes in (False, True):
        fused: FusedRun = fuse_run(
            pings, track_of_pings(pings), errors_of_run(pings, scene, RunErrors()), scene, by_echoes=by_echoes
        )
        off = float(np.linalg.norm((fused.position_m - pinger.position_m)[:2]))
        told += [float(fused.decision == scene.stations[station].name), off, float(fused.ok)]
    usable = [p.echoes for p in pings if p.echoes is not None and p.echoes.ok]
    far = [np.linalg.norm((e.modes[0].position_m - pinger.position_m)[:2]) > 1.0 for e in usable]
    return (*told, float(len(pings)), float(len(usable)), float(sum(far)))


def planned_row(site: str, options: argparse.Namespace) -> None:
    scene = SITES[site]()
    plan = study_stations(
        scene,
        scene.pingers[0],
        ROUTES[site],
        trials=options.trials,
        seed=options.seed,
        further=False,
        echo_runs=options.echo_runs,
        running=Running(Workers(options.jobs)),
    )
    assert plan.with_echoes is not None
    told = plan.with_echoes.rendered
    for name, found in (("without", plan), ("with", plan.with_echoes.outcome)):
        print(
            f"{site:6s} planned, {options.trials} runs a station, {name:7s} echoes: right {percent(found.overall)}, "
            f"median error {np.mean(found.median_error_m[:-1]):.2f} m (mean over the stations)",
            flush=True,
        )
    print(
        f"{site:6s} by {told.pings} pings of {told.runs} other rendered runs: usable {percent(told.usable)}, of these over 1 m "
        f"off {percent(told.far)}, sketch given up in {percent(told.given_up)} of the runs; variances of the others "
        f"{told.variance_scale:.1f} times the bound's",
        flush=True,
    )


def percent(share: Interval) -> str:
    return f"{100 * share.value:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f})"


def share(found: np.ndarray) -> str:
    return percent(rate_interval(int(found.sum()), len(found)))


def rendered_row(site: str, options: argparse.Namespace) -> None:
    n = len(SITES[site]().stations)
    runs = np.arange(options.first, options.first + options.runs)
    with ProcessPoolExecutor(options.jobs) as pool:
        found = np.array(list(pool.map(one_run, repeat(site), (runs % n).tolist(), runs.tolist())))
    heard, usable, far = found[:, 6:].sum(axis=0)
    for name, (right, off, ok) in zip(("without", "with"), (found[:, :3].T, found[:, 3:6].T), strict=True):
        print(
            f"{site:6s} rendered, {options.runs} runs, {name:7s} echoes: right {share(right)}, position to go by "
            f"{share(ok)}, median error {np.nanmedian(off):.2f} m, RMS of those to go by "
            f"{np.sqrt(np.mean(off[ok > 0] ** 2)) if ok.any() else np.nan:.2f} m",
            flush=True,
        )
    print(
        f"{site:6s} of {heard:.0f} pings {usable:.0f} with a usable place, of these {far:.0f} over 1 m off", flush=True
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--trials", type=int, default=200, help="of the plan, for each station; 0: no plan")
    parser.add_argument("--echo-runs", type=int, default=4, help="of the plan, past each station")
    parser.add_argument("--seed", type=int, default=5, help="of the plan")
    parser.add_argument("--sites", nargs="*", default=list(SITES), choices=list(SITES))
    options = parser.parse_args()
    for site in options.sites:
        if options.trials:
            planned_row(site, options)
        if options.runs:
            rendered_row(site, options)


if __name__ == "__main__":
    main()
