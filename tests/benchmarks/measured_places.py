"""Print how often the ellipse of `fuse` holds the pinger after recordings from two places that a crew measured.

    python tests/benchmarks/measured_places.py [--runs N] [--dead-reckoned] [mallard-basin ...]

What a crew does with files: `simulate` where the vehicle of a shipped site stands and at a second place, the heading's
error lasting, `locate` both, `fuse` their pings. In the last case their bearings cross by 3 degrees alone, of an array
that tells them to a fraction of one. With --dead-reckoned the same pings are fused as if compass and log had
made the second place of the first. A run is some two seconds of processor time.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from directions import percent

import acoustics
from acoustics.base.intervals import rate_interval
from acoustics.base.regions import inside_region
from acoustics.io.ping import Ping
from acoustics.present.text.tables import number, table
from acoustics.scene.scenario import shipped
from acoustics.scene.scene import Scene

# Site, array of the vehicle or None for its own, second place and heading there.
CASES: dict[str, tuple[str, str | None, tuple[float, float, float], float]] = {
    "mallard-basin": ("mallard-basin", None, (16.0, 2.0, 0.8), 60.0),
    "fennel-reservoir": ("fennel-reservoir", None, (25.0, 0.0, 2.0), 80.0),
    "quay-nine": ("quay-nine", None, (35.0, 12.0, 2.0), 60.0),
    "quay-nine-hull-4": ("quay-nine", "hull-4", (32.0, 28.0, 2.0), 80.0),
}
HEADING_SD_DEG, PINGS = 3.0, 3


def recorded(
    scene: Scene, place: tuple[float, float, float], heading_deg: float, seed: int, folder: Path
) -> list[Ping]:
    """Pings of both recordings of one run, whose seed is of all errors that they share."""
    pings: list[Ping] = []
    second = scene.changed({"vehicle.position_m": place, "vehicle.heading_deg": heading_deg})
    for name, stop in (("first", scene), ("second", second)):
        recording = folder / f"{name}.wav"
        acoustics.simulate(stop, recording, pings=PINGS, seed=seed, force=True)
        pings += acoustics.locate(recording)
    return pings


def runs(name: str, count: int, *, dead_reckoned: bool) -> Iterator[acoustics.FusedRun]:
    """The answers to runs at a site."""
    site, array, place, heading_deg = CASES[name]
    scene = acoustics.load_scene(shipped("examples")[site]).changed({"vehicle.heading_sd_deg": HEADING_SD_DEG})
    if array is not None:
        scene = scene.changed({"array": acoustics.load_array(array)})
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(count):
            pings = recorded(scene, place, heading_deg, seed, Path(folder))
            yield acoustics.fuse(pings, scene=scene, dead_reckoned=dead_reckoned)


def row(name: str, count: int, *, dead_reckoned: bool) -> tuple[str, ...]:
    source = np.array(acoustics.load_scene(shipped("examples")[CASES[name][0]]).pingers[0].position_m)
    told = [run for run in runs(name, count, dead_reckoned=dead_reckoned) if run.ok]
    off = np.array([run.position_m - source for run in told])[:, :2]
    inside = inside_region(off, np.array([run.covariance_m2 for run in told])[:, :2, :2])
    return (
        name,
        f"{len(told)} of {count}",
        percent(rate_interval(int(inside.sum()), len(told))),
        number(float(np.sqrt(np.mean(np.sum(off**2, axis=-1))))),
        number(float(np.median([run.semi_major_95_m for run in told]))),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--dead-reckoned", action="store_true")
    parser.add_argument("cases", nargs="*", default=list(CASES), metavar="CASE")
    asked = parser.parse_args()
    header = ("case", "runs with a position", "95 % ellipse holds it, %", "RMS m", "semi-major axis m, median")
    print(table(header, [row(name, asked.runs, dead_reckoned=asked.dead_reckoned) for name in asked.cases]))


if __name__ == "__main__":
    main()
