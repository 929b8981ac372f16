"""Print the ratios that pingfix promises, each pair measured side by side in one run.

    python tests/benchmarks/run.py

Alternates the two sides of each ratio, and prints median and spread (half the range) over the rounds. Needs the
test extra. Not a test: timings on a busy machine are not to fail a build.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares

from acoustics.estimate.delays import Delays
from acoustics.estimate.position import locate_source
from acoustics.physics.time_of_flight import difference_matrix, spherical_time
from acoustics.scenario import load_scene, shipped
from acoustics.study.pool_map import map_pool

ROUNDS = 5
SPEED = 1480.0


def seconds(work: Callable[[], object], clock: Callable[[], float]) -> float:
    start = clock()
    work()
    return clock() - start


def ratio(
    slow: Callable[[], object],
    fast: Callable[[], object],
    scale: float = 1.0,
    clock: Callable[[], float] = time.process_time,
) -> tuple[float, float]:
    """Median and half range of time of `slow` over time of `fast`, times `scale`, over alternating rounds.

    The clock counts this process's own time on all cores, so that a busy machine does not blur the ratio.
    """
    values = [scale * seconds(slow, clock) / seconds(fast, clock) for _ in range(ROUNDS)]
    return float(np.median(values)), float(np.ptp(values) / 2)


def position_fixes() -> tuple[str, float, float, str]:
    """Batch of fixes against a loop over scipy's least_squares from the same information, answers compared."""
    rng = np.random.default_rng(1)
    batch, loop = 20_000, 100
    hydrophones = np.array([[0.35, -0.2, 0.1], [0.35, 0.2, 0.1], [-0.35, 0.2, 0.1], [-0.35, -0.2, 0.3], [0, 0, -0.2]])
    source = np.array([3.0, 1.0, 1.5]) + rng.normal(size=(batch, 3)) * 0.3
    difference = difference_matrix(len(hydrophones))
    delay = (spherical_time(hydrophones, source, SPEED) + 1e-8 * rng.normal(size=(batch, 5))) @ difference.T
    covariance = 1e-16 * difference @ difference.T
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))

    def by_scipy(jac: str = "2-point") -> np.ndarray:
        def residual(place: np.ndarray, k: int) -> np.ndarray:
            return whiten @ (difference @ spherical_time(hydrophones, place, SPEED) - delay[k])

        return np.array(
            [
                least_squares(residual, source[k], args=(k,), jac=jac, xtol=1e-14, ftol=1e-14, gtol=1e-14).x
                for k in range(loop)
            ]
        )

    def in_a_batch() -> np.ndarray:
        return locate_source(Delays(delay, covariance), hydrophones, SPEED).position_m

    # Timed with scipy's default derivative; compared with its finer one, whose answers are good to below a micrometre.
    apart = float(np.abs(by_scipy("3-point") - in_a_batch()[:loop]).max())
    return ("position fixes, batch over scipy loop", *ratio(by_scipy, in_a_batch, batch / loop), f"{apart:.1e} m apart")


def help_text() -> tuple[str, float, float, str]:
    """`pingfix --help` against an empty click program, each in a new process."""
    empty = "import click\n@click.command()\ndef main(): pass\nmain()"
    ours = [sys.executable, "-m", "acoustics.cli.main", "--help"]

    def run(command: list[str]) -> Callable[[], object]:
        return lambda: [subprocess.run(command, capture_output=True, check=True) for _ in range(5)]

    return (
        "pingfix --help over an empty click program",
        *ratio(run(ours), run([sys.executable, "-c", empty, "--help"]), clock=time.perf_counter),
        "target 2",
    )


def pool_map(trials: int) -> tuple[str, float, float, str]:
    """Seconds for a map of the shipped pool of about 6,000 cells."""
    scene = load_scene(shipped("examples")["mallard-basin"])
    times = []
    for _ in range(3):
        start = time.perf_counter()
        result = map_pool(scene, scene.pingers[0], trials=trials, seed=1, step_m=0.23)
        times.append(time.perf_counter() - start)
    cells = int(np.isfinite(result.clean_window_s).sum())
    name = f"map, {cells} cells, " + (f"{trials} fixes a cell [s]" if trials else "bounds [s]")
    return name, float(np.median(times)), float(np.ptp(times) / 2), "seconds, not a ratio"


def main() -> None:
    print(f"{'what':52} {'median':>9} {'spread':>8}  note")
    for measure in (position_fixes, help_text, lambda: pool_map(0), lambda: pool_map(20), lambda: pool_map(200)):
        name, median, spread, note = measure()
        print(f"{name:52} {median:9.2f} {spread:8.2f}  {note}", flush=True)


if __name__ == "__main__":
    main()
