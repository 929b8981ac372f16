"""Print how often the predictions of `spacing` lie in the intervals of its simulation, and what it recommends.

    python tests/benchmarks/spacing.py [--scenes 60] [--first 0] [--trials 500] [--seed 1]

Random scenes, as in agreement.py. A row is a spacing that is simulated: about nine of each sweep, and the recommended
one. A prediction is far off where it is beyond twice or half of the interval's ends: 95 % intervals of even a perfect
prediction miss one row in twenty. About a second and a half a scene.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import dataclass

import numpy as np
from random_scenes import random_scene

from acoustics.base.errors import ParameterError
from acoustics.base.intervals import Interval, rate_interval
from acoustics.present.text.tables import table
from acoustics.study.spacing.recommendation import Curves, recommended
from acoustics.study.spacing.sweep import Sweep, common_spacings
from acoustics.study.spacing.work import Work

PARTS = ((0.0, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, np.inf))  # of half a wavelength
LEAST_DEG = 1e-3


@dataclass(frozen=True)
class Row:
    """A prediction beside its simulation: RMS error [deg] and share of wrong integers."""

    scene: int
    array: str
    half_wavelengths: float
    predicted: tuple[float, float]
    simulated: tuple[Interval, Interval]

    def inside(self, k: int) -> bool:
        """Whether the error (0) or the share (1) that is predicted lies in the simulation's interval."""
        one = self.simulated[k]
        return bool(one.low <= self.predicted[k] <= one.high) or (np.isinf(self.predicted[k]) and np.isinf(one.high))

    def far(self, k: int) -> bool:
        one = self.simulated[k]
        return bool(not 0.5 * one.low <= self.predicted[k] <= 2.0 * one.high) and not self.inside(k)


def study(seed: int, trials: int) -> tuple[list[Row], str]:
    """Rows of a random scene, and what its own simulation says against its recommendation; empty where nothing does."""
    scene = random_scene(seed)
    sweep = Sweep.of(scene, scene.pingers[0])
    spacing, rates = common_spacings([sweep]), np.array(scene.study.sample_rates_hz)
    curves = Curves.of(sweep, spacing, rates)
    work = Work(lambda done, total: None, 1)
    choice, _, simulated = recommended([sweep], spacing, [curves], rates, trials=trials, seed=seed, work=work)
    at = np.searchsorted(spacing, simulated.spacing_m)
    rows = [
        Row(seed, scene.array.name, d / sweep.half_wavelength_m, (curves.expected[k], curves.wrong[k]), both)
        for d, k, both in zip(
            simulated.spacing_m, at, zip(simulated.rms_deg, simulated.wrong_integer, strict=True), strict=True
        )
    ]
    error, wrong = next(r.simulated for r, d in zip(rows, simulated.spacing_m, strict=True) if d == choice.spacing_m)
    plan = scene.study
    if not choice.meets_target:
        return rows, ""
    if error.low > plan.bearing_target_deg:
        return rows, f"{error.value:.3g} deg simulated, {plan.bearing_target_deg:g} wanted"
    if wrong.low > plan.wrong_cycle_limit:
        return rows, f"{100 * wrong.value:.2g} % wrong integers simulated, {100 * plan.wrong_cycle_limit:g} allowed"
    return rows, ""


def line(name: str, rows: list[Row]) -> tuple[str, ...]:
    cells = []
    for k in (0, 1):
        share = rate_interval(sum(r.inside(k) for r in rows), len(rows))
        cells.append(f"{100 * share.value:.0f} ({100 * share.low:.0f} to {100 * share.high:.0f})")
        cells.append(f"{100 * np.mean([r.far(k) for r in rows]):.0f}")
    return (name, str(len(rows)), *cells)


def main() -> None:
    warnings.simplefilter("ignore")
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--trials", type=int, default=500)
    parser.add_argument("--worst", type=int, default=10, help="rows to list that are farthest off")
    options = parser.parse_args()
    rows: list[Row] = []
    against, refused = [], 0
    for seed in range(options.first, options.first + options.scenes):
        try:
            some, verdict = study(seed, options.trials)
        except ParameterError:
            refused += 1
            continue
        rows += some
        against += [(seed, verdict)] if verdict else []
    print(f"{options.scenes - refused} random scenes, {refused} refused, {options.trials} simulated pings a row\n")
    parts = [
        line(f"{low:g} to {high:g} half wavelengths", some)
        for low, high in PARTS
        if (some := [r for r in rows if low < r.half_wavelengths <= high])
    ]
    arrays = [line(name, [r for r in rows if r.array == name]) for name in sorted({r.array for r in rows})]
    header = ("", "rows", "error inside, %", "far off, %", "wrong integers inside, %", "far off, %")
    print(table(header, [*parts, *arrays, line("all", rows)]))
    print(f"\nrecommendations that their own simulation contradicts: {len(against)} {against or ''}")
    for r in sorted(rows, key=_off)[: -options.worst - 1 : -1]:
        one, share = r.simulated
        print(
            f"scene {r.scene}, {r.array}, {r.half_wavelengths:.2f}: {r.predicted[0]:.3g} deg, simulated {one.value:.3g} "
            f"({one.low:.3g} to {one.high:.3g}); {100 * r.predicted[1]:.3g} %, simulated {100 * share.value:.3g}"
        )


def _off(r: Row) -> float:
    """How far outside its interval an error is, as the logarithm of a ratio."""
    predicted, low, high = (
        min(max(v, LEAST_DEG), 180.0) for v in (r.predicted[0], r.simulated[0].low, r.simulated[0].high)
    )
    return float(max(np.log(low / predicted), np.log(predicted / high), 0.0))


if __name__ == "__main__":
    main()
