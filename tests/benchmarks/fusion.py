"""How often the 95 % ellipse of a fused position holds the truth, and how large it is: a simulation in the pool.

python tests/benchmarks/fusion.py [runs a row, 2000] [skew of each channel in us, that of the scenario]
"""

from __future__ import annotations

import sys
import time

import numpy as np

from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.regions import error_ellipse, inside_region
from acoustics.estimate.fuse.fusion import RANGE_UNSEEN
from acoustics.present.text.tables import table
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import Route, fuse_simulated, route_positions, simulate_runs, source_area

RUNS = 2000
N_PINGS = 8
BASE = load_scene(shipped("examples")["mallard-basin"])
SKEW_S = float(sys.argv[2]) * 1e-6 if len(sys.argv) > 2 else BASE.recorder.skew_sd_s
SCENE = BASE.model_copy(update={"recorder": BASE.recorder.model_copy(update={"skew_sd_s": SKEW_S})})
SOURCE = np.array(SCENE.pingers[0].position_m)


def ways() -> dict[str, np.ndarray]:
    """True places of the vehicle, (8, 3) [m]: with a turn, on a slant, and straight towards the pinger."""
    ping = range(N_PINGS)
    turn = [np.interp(ping, [0, 4, 7], [8.0, 16.0, 17.0]), np.interp(ping, [0, 4, 7], [2.0, 2.0, 9.0])]
    away = SOURCE - SCENE.vehicle.position_m
    towards = float(np.rad2deg(np.arctan2(away[1], away[0])))
    return {
        "L-shaped": np.stack([*turn, np.full(N_PINGS, SCENE.vehicle.position_m[2])], axis=-1),
        "8 m across": route_positions(SCENE, Route(N_PINGS, 8.0, -15.0)),
        "8 m towards": route_positions(SCENE, Route(N_PINGS, 8.0, towards)),
    }


def row(name: str, way: np.ndarray, wrong: float, n_runs: int, seed: int) -> tuple[str, ...]:
    start = time.process_time()
    drawn = simulate_runs(
        SCENE, SCENE.pingers[0], way, n_runs=n_runs, rng=np.random.default_rng(seed), wrong_share=wrong
    )
    fix = fuse_simulated(SCENE, drawn, area=source_area(SCENE))
    seconds = time.process_time() - start
    error, covariance = (fix.position_m - SOURCE)[:, :2], fix.covariance_m2[:, :2, :2]
    inside = inside_region(error, covariance)
    ellipse = error_ellipse(covariance)
    line = fix.reason == RANGE_UNSEEN
    stated = fix.ok | line
    rms = np.sqrt(np.mean(np.sum(error[stated] ** 2, axis=-1)))
    predicted = np.sqrt(np.mean(np.trace(covariance[stated], axis1=-2, axis2=-1)))
    given = int(fix.ok.sum())
    return (
        name,
        f"{100 * wrong:.0f} %",
        _percent(rate_interval(int(inside[stated].sum()), int(stated.sum()))),
        f"{100 * given / n_runs:.1f} %",
        _percent(rate_interval(int(inside[fix.ok].sum()), given)) if given else "-",
        f"{100 * line.mean():.1f} %",
        f"{rms:.2f}",
        f"{rms / predicted:.2f}",
        f"{np.median(ellipse.semi_major):.2f} by {np.median(ellipse.semi_minor):.2f}",
        f"{np.median(np.pi * ellipse.semi_major * ellipse.semi_minor):.1f}",
        f"{seconds:.1f}",
    )


def _percent(share: Interval) -> str:
    return f"{100 * share.value:.1f} ({100 * share.low:.1f} to {100 * share.high:.1f})"


def main(n_runs: int) -> None:
    print(
        f"{SCENE.title}, {N_PINGS} pings a run, {n_runs} runs a row, errors of the poses included, skew "
        f"{1e6 * SKEW_S:g} us; 95 % intervals\n"
    )
    header = ("run", "wrong pings", "inside, all stated", "given", "inside, of given", "line only", "RMS m")
    header += ("over predicted", "semi-axes m, median", "area m2, median", "CPU s")
    rows = [
        row(name, way, wrong, n_runs, seed)
        for seed, (name, way) in enumerate(ways().items(), 1)
        for wrong in (0.0, 0.2)
    ]
    print(table(header, rows))
    print(
        "\nAll stated: positions given and lines of bearing, each with its region; what is left was refused otherwise."
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else RUNS)
