"""Print the share of wrong integers that `spacing` and `place` simulate of single pings, beside rendered ones.

    python tests/benchmarks/turned.py [--arrays uneven,square-500,hull-4] [--pings 480] [--seeds 6]

In Mallard Basin, within 20 cm of where the vehicle stands, all round. `uneven` is the array that `spacing` sets beside
the square, `square-500` the square of 500 mm; other names are shipped arrays. Simulated: the mean over so many seeds,
each of 24 places, and by the noise that the estimator states alone, which is not for bursts as weak as here. How many of
the latter's intervals hold the mean over the seeds says whether they know how few places were drawn. About a minute and
a half an array.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from random_scenes import random_poses

from acoustics.base.intervals import Interval, rate_interval
from acoustics.scene.array import Array
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.draws import BearingOutcome, simulate_turned, turned_about
from acoustics.study.draws.turned_bearings import _linearised

sys.path.insert(0, str(Path(__file__).parents[1]))
from rendered import rendered_bearings  # noqa: E402

ARRAYS = "uneven,square-100,square-300,square-500,mixed-5,hull-4"
UNEVEN_M = np.array([[0.406, -0.161, 0.0], [0.169, 0.25, 0.0], [-0.212, 0.25, 0.0], [-0.308, -0.25, 0.0]])
BEARINGS = np.arange(24) * np.pi / 12
DRAWS = 84


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--arrays", default=ARRAYS)
    parser.add_argument("--pings", type=int, default=480)
    parser.add_argument("--seeds", type=int, default=6)
    options = parser.parse_args()
    for name in options.arrays.split(","):
        scene = with_array(name)
        seen = rendered(scene, options.pings)
        told, stated = zip(*(simulated(scene, seed) for seed in range(options.seeds)), strict=True)
        middle = np.mean([one.wrong_integer.value for one in stated])
        holding = sum(one.wrong_integer.low <= middle <= one.wrong_integer.high for one in stated)
        print(
            f"{name:12s} rendered {text(seen)} | simulated {100 * np.mean([one.wrong_integer.value for one in told]):.2f} "
            f"({' '.join(f'{100 * one.wrong_integer.value:.1f}' for one in told)}) | by stated noise {100 * middle:.2f}, "
            f"in {holding} of {options.seeds} intervals",
            flush=True,
        )


def with_array(name: str) -> Scene:
    scene = load_scene(shipped("examples")["mallard-basin"])
    if name == "uneven":
        array = Array.from_positions(UNEVEN_M)
    elif name.startswith("square-"):
        square = 5e-4 * float(name.removeprefix("square-")) * np.array([[1, 1, 0], [-1, 1, 0], [-1, -1, 0], [1, -1, 0]])
        array = Array.from_positions(square)
    else:
        array = load_array(name)
    return scene.model_copy(update={"array": array.model_copy(update={"mount_m": scene.array.mount_m})})


def rendered(scene: Scene, pings: int) -> Interval:
    places, heading = random_poses(scene, pings, np.random.default_rng(11))
    found = rendered_bearings(scene, scene.pingers[0], places, heading, seed=11)
    given = found["outcome"] == 0
    return rate_interval(int(found["wrong_integer"][given].sum()), int(given.sum()))


def simulated(scene: Scene, seed: int) -> tuple[BearingOutcome, BearingOutcome]:
    """As the studies do, and by stated noise alone."""
    rng = np.random.default_rng(seed)
    heard = turned_about(scene, scene.pingers[0], BEARINGS, rng)
    assert heard is not None
    told = BearingOutcome.of(simulate_turned(heard, DRAWS * len(BEARINGS), rng), rng)
    return told, BearingOutcome.of(_linearised(heard, DRAWS, rng, 1), rng)


def text(share: Interval) -> str:
    return f"{100 * share.value:.2f} % ({100 * share.low:.2f} to {100 * share.high:.2f})"


if __name__ == "__main__":
    main()
