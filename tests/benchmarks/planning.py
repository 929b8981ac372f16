"""Print what `place` gains over the best shipped array, `waypoints` over straight and random runs, and a site sketch
over none, by example.

    python tests/benchmarks/planning.py [place waypoints echoes] [--echo-runs 8] [--trials 200]

A minute each on one core, `echoes` two. All are predictions or bounds by the same measure on both sides; the simulated
figures beside them are with 95 % intervals. `place` is asked for as many hydrophones as the example's array has: for the
bearing at the example's range, and for the position at a fifth and two fifths of it, since from further off one ping
tells little of the range. `echoes` is about one ping: the share of cells in which its position could be good to 0.5 m
(bounds, at most 1,000 cells, `map --trials 0`), and the share of simulated pings from the vehicle's place that lead to
the right station (`stations --pings 1 --echoes`), with places as often as in so many rendered pings a station.
"""

from __future__ import annotations

import argparse
import os
import warnings
from collections.abc import Iterator

import numpy as np

from acoustics.base.intervals import Interval
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.draws import Route
from acoustics.study.map import MapChoices, map_pool
from acoustics.study.place.aim import Aim
from acoustics.study.place.study import Line, Placement, study_place
from acoustics.study.stations import study_stations
from acoustics.study.waypoints.study import study_waypoints

NEAR = (0.2, 0.4)
TRIALS = 5000
CELLS = 1000
PARTS = ("place", "waypoints", "echoes")


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


def cells_row(scene: Scene) -> str:
    """Shares of cells under half a metre, and the processor time of the whole map."""
    before = os.times()
    result = map_pool(scene, scene.pingers[0], trials=0, seed=1, choices=MapChoices(known_pool_cells=CELLS))
    spent = sum(os.times()[:2]) - sum(before[:2])
    known = result.known_pool
    assert known is not None
    shares = (known.near_multipath_free, known.near_to_first_wall, known.near_whole_burst)
    return " | ".join([f"{len(known.x_m)}", *(f"{100 * share:.3g} %" for share in shares), f"{spent:.1f}"])


def one_ping_row(scene: Scene, echo_runs: int, trials: int) -> str:
    """Right stations by one ping, without and with places by echoes."""
    route = Route(1, 0.0, scene.vehicle.heading_deg)
    plan = study_stations(scene, scene.pingers[0], route, trials=trials, seed=1, further=False, echo_runs=echo_runs)
    assert plan.with_echoes is not None
    told = plan.with_echoes.rendered
    return (
        " | ".join(share(part) for part in (plan.overall, plan.with_echoes.outcome.overall, told.usable, told.far))
        + f" | {told.pings}"
    )


def share(figure: Interval) -> str:
    return f"{100 * figure.value:.0f} % ({100 * figure.low:.0f} to {100 * figure.high:.0f})"


def print_places(scenes: list[Scene]) -> None:
    print("place: error in the worst direction, predicted; as it is and at the best scale the shipped array with the")
    print("least; gains are ratios. Last: RMS over all directions, predicted, and simulated with the right cycle")
    print(
        f"{'scenario':18} {'of':9} {'range m':>10}  n  {'found':>10}  {'best shipped':30} {'gain':>6}  "
        f"{'best at any scale':30} {'gain':>6}  RMS, simulated (95 %)"
    )
    for scene in scenes:
        for result in placements(scene):
            print(place_row(result), flush=True)


def print_waypoints(scenes: list[Scene]) -> None:
    print(
        "\nwaypoints: RMS of the horizontal error after the run, bound [m]; random: median of 500 sets and middle 95 %"
    )
    print(
        f"{'scenario':18} n  before  proposed  straight  {'random':22} {'straight':>8} {'random':>8}  "
        "RMS of the proposed, simulated (95 %)"
    )
    for scene in scenes:
        print(waypoints_row(scene), flush=True)


def print_echoes(scenes: list[Scene], echo_runs: int, trials: int) -> None:
    print(
        "\n| site | cells | under 0.5 m by the direct sound (bound) | to the first echo from a wall (bound) | whole burst "
        "(bound) | CPU s of the map | one ping, right station (simulated) | with places by echoes (simulated) | usable "
        "places (rendered) | of these over 1 m off | pings |\n" + "| --- " * 11 + "|"
    )
    for scene in scenes:
        print(f"| {scene.title} | {cells_row(scene)} | {one_ping_row(scene, echo_runs, trials)} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", default=list(PARTS), help=f"of {', '.join(PARTS)}; default: all")
    parser.add_argument("--echo-runs", type=int, default=8, help="pings rendered for each station")
    parser.add_argument("--trials", type=int, default=200, help="simulated pings for each station")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    scenes = [load_scene(path) for path in shipped("examples").values()]
    if "place" in options.parts:
        print_places(scenes)
    if "waypoints" in options.parts:
        print_waypoints(scenes)
    if "echoes" in options.parts:
        print_echoes(scenes, options.echo_runs, options.trials)


if __name__ == "__main__":
    main()
