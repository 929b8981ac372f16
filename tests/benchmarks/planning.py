"""Print what `place` gains over the best shipped array, and `waypoints` over straight and random runs, by example.

Run as ``python tests/benchmarks/planning.py``; about a minute on one core. All are predictions or bounds by the same
measure on both sides; the simulated figures beside them are with 95 % intervals. `place` is asked for as many
hydrophones as the example's array has: for the bearing at the example's range, and for the position at a fifth and two
fifths of it, since from further off one ping tells little of the range.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator

import numpy as np

from acoustics.base.intervals import Interval
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.place.aim import Aim
from acoustics.study.place.study import Line, Placement, study_place
from acoustics.study.waypoints.study import study_waypoints

NEAR = (0.2, 0.4)
TRIALS = 5000


def placements(scene: Scene) -> Iterator[Placement]:
    """For the bearing, and near by for the position."""
    pinger = scene.pingers[0]
    own = float(np.linalg.norm(np.subtract(pinger.position_m, scene.vehicle.position_m)))
    count = min(max(len(scene.array.hydrophones), 3), 8)
    for aim in (Aim(), Aim(of="position", ranges_m=tuple(round(part * own, 1) for part in NEAR))):
        yield study_place(scene, pinger, count, aim=aim, random_starts=3, trials=TRIALS, seed=1)


def place_row(result: Placement) -> str:
    def error(line: Line | None) -> str:
        if line is None:
            return "none"
        value = f"{line.error_deg:.3g} deg" if result.of == "bearing" else f"{line.position_error_m:.3g} m"
        return f"{value} ({line.name})" if line.name != "found" else value

    ranges = ", ".join(f"{r:.1f}" for r in result.range_m)
    check = result.simulated
    simulated = None if check is None else check.right_integer_deg if result.of == "bearing" else check.position_m
    mean = result.mean_error_deg if result.of == "bearing" else result.mean_position_error_m
    return (
        f"{result.title:18} {result.of:9} {ranges:>10} {len(result.hydrophones_m):2d}  {error(result.found):>10}  "
        f"{error(result.best_shipped):30} {result.gain_over_shipped:6.2f}  {error(result.best_scaled):30} "
        f"{result.gain_over_scaled:6.2f}  {mean:.3g}, {interval(simulated)}"
    )


def interval(figure: Interval | None) -> str:
    return "not simulated" if figure is None else f"{figure.value:.3g} ({figure.low:.3g} to {figure.high:.3g})"


def waypoints_row(scene: Scene) -> str:
    result = study_waypoints(scene, scene.pingers[0], trials=400)
    straight, random = result.straight, result.random
    by_random = "none" if random is None else f"{random.median_m:.3g} ({random.low_m:.3g} to {random.high_m:.3g})"
    gains = [
        "-" if gain is None else f"{100 * gain:.0f} %" for gain in (result.gain_over_straight, result.gain_over_random)
    ]
    checked = result.proposed.simulated
    return (
        f"{result.title:18} {len(result.proposed.waypoints)}  {result.prior_size_m:6.2f}  {result.proposed.size_m:8.3g}  "
        f"{'none' if straight is None else f'{straight.size_m:.3g}':>8}  {by_random:22} {gains[0]:>8} {gains[1]:>8}  "
        f"{interval(None if checked is None else checked.rms_m)}"
    )


def main() -> None:
    warnings.simplefilter("ignore")
    scenes = [load_scene(path) for path in shipped("examples").values()]
    print("place: error in the worst direction, predicted; as it is and at the best scale the shipped array with the")
    print("least; gains are ratios. Last: RMS over all directions, predicted, and simulated with the right cycle")
    print(
        f"{'scenario':18} {'of':9} {'range m':>10}  n  {'found':>10}  {'best shipped':30} {'gain':>6}  "
        f"{'best at any scale':30} {'gain':>6}  RMS, simulated (95 %)"
    )
    for scene in scenes:
        for result in placements(scene):
            print(place_row(result), flush=True)
    print(
        "\nwaypoints: RMS of the horizontal error after the run, bound [m]; random: median of 500 sets and middle 95 %"
    )
    print(
        f"{'scenario':18} n  before  proposed  straight  {'random':22} {'straight':>8} {'random':>8}  "
        "RMS of the proposed, simulated (95 %)"
    )
    for scene in scenes:
        print(waypoints_row(scene), flush=True)


if __name__ == "__main__":
    main()
