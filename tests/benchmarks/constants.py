"""Halve and double every tuned number of the estimators, and print which figures of accuracy move.

    python tests/benchmarks/constants.py [tdoa detect locate direction position fuse calibrate]

Same seeds throughout, so a figure that stays to the last digit does not depend on the number at all. A number that
moves nothing here is free to be rounded; one that moves a figure has its row here, and its reason where it is used.
Limits of memory, sizes of chunks and counts of iterations are left out by name.
"""

from __future__ import annotations

import contextlib
import importlib
import pkgutil
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np

import acoustics
from acoustics.base.frames import wrap_angle
from acoustics.base.regions import inside_region
from acoustics.present.text.tables import table

sys.path.insert(0, str(Path(__file__).parent))
import detection  # noqa: E402
import fusion  # noqa: E402
import waveform_accuracy as waveform  # noqa: E402

LEFT_OUT = re.compile(
    r"AT_ONCE|CHUNK|MOST_|LARGEST_BYTES|LARGEST_FILE|ROUNDING|NEGLIGIBLE|COLUMNS|PARAMETERS|^SOURCE$|KEPT$"
)
SAME_BUT_FOR_NOISE = 0.05  # of a figure: some two standard errors of an RMS or a share from this many pings
# From (12, 6) to the pinger, heading 20 deg: what the true bearing is, near enough for a median.
POOL_BEARING = float(np.arctan2(2.0, 8.0) - np.deg2rad(20.0))
Figures = dict[str, float]


def constants(package: str) -> Iterator[tuple[str, str, object]]:
    """Module, name and value of every tuned number of a sub-package of `estimate`, each once."""
    home = importlib.import_module(f"acoustics.estimate.{package}")
    for info in pkgutil.iter_modules(home.__path__):
        module = importlib.import_module(f"{home.__name__}.{info.name}")
        text = Path(str(module.__file__)).read_text(encoding="utf-8")
        for name in re.findall(r"^(_?[A-Z][A-Z0-9_]+)(?:: [^=\n]+)? = ", text, re.MULTILINE):
            value = getattr(module, name)
            numbers = value if isinstance(value, tuple) else (value,)
            plain = all(isinstance(v, int | float) and not isinstance(v, bool) for v in numbers)
            if plain and numbers and not LEFT_OUT.search(name):
                yield module.__name__, name, value


@contextlib.contextmanager
def changed(name: str, value: object, factor: float) -> Iterator[None]:
    """The number scaled wherever it is known by its name; probabilities and shares stay below 1."""

    def scaled(v: float) -> float:
        if isinstance(v, int):
            return max(round(v * factor), 1)
        return 1.0 - (1.0 - v) / factor if 0.5 < v < 1.0 else v * factor

    new = tuple(scaled(v) for v in value) if isinstance(value, tuple) else scaled(value)
    holders = [m for k, m in sys.modules.items() if k.startswith("acoustics.estimate") and vars(m).get(name) == value]
    for module in holders:
        setattr(module, name, new)
    try:
        yield
    finally:
        for module in holders:
            setattr(module, name, value)


def of_samples() -> Figures:
    """Bearings in the pool, its echoes and all, in the open and near walls; and wrong integers of a wide square."""
    figures: Figures = {}
    places = {"": waveform.POSES[1:6:2], " near walls": waveform.NEAR_WALLS}
    for method, where in (("phase", ""), ("phase", " near walls"), ("correlation", "")):
        rows = [waveform.pool_row(pose, method, None, 160) for pose in places[where]]
        error, sd = (np.concatenate([row[i] for row in rows]) for i in (0, 1))
        figures |= {
            f"{method}{where} RMS deg": float(np.sqrt(np.mean(error**2))),
            f"{method}{where} inside": float(np.mean(np.abs(error) < 1.96 * sd)),
            f"{method}{where} given": float(np.mean([row[2] for row in rows])),
        }
    case = waveform.cycle_row(waveform.CYCLE_CASES[3], 1000)
    return figures | {"wrong integers": case["simulated"].value, "wrong, stated": float(case["own"])}


def of_recordings() -> Figures:
    """Pings of a weak pinger found in noise, and pings of the practice pool located with their echoes."""
    stream, starts = detection.noisy_train(12.0, 60.0, 3)
    options = detection.LocateOptions()
    notes = detection.sidecar(detection.RATE, detection.REPETITION_S)
    found = np.array([p.time_s for p in detection.locate(stream, notes, options)])
    near = np.abs(found[:, None] - starts).min(axis=1) < 5e-3 if len(found) else np.zeros(0, bool)
    pings = acoustics.locate(pool_recording()).pings
    ok = [p for p in pings if p.ok and p.candidates]
    off = [abs(wrap_angle(p.candidates[0].bearing - POOL_BEARING)) for p in ok]
    return {
        "missed of 120": float(len(starts) - near.sum()),
        "false": float((~near).sum()),
        "in the pool, heard": float(len(pings)),
        "in the pool, ok": float(len(ok)),
        "in the pool, median error deg": float(np.rad2deg(np.median(off))) if ok else np.nan,
        "in the pool, sd deg": float(np.rad2deg(np.median([p.candidates[0].bearing_sd for p in ok]))) if ok else np.nan,
    }


@cache
def pool_recording() -> Path:
    """Twelve pings of the practice pool, 9 m from the pinger, as `simulate` records them."""
    folder = Path(tempfile.mkdtemp())
    scene = fusion.SCENE.changed({"vehicle.position_m": (12.0, 6.0, 0.8)})
    acoustics.simulate(scene, folder / "pool.wav", pings=12, seed=1)
    return folder / "pool.wav"


def of_runs() -> Figures:
    """Fused runs of eight pings, a fifth of them outliers: along an L and straight towards the pinger."""
    figures: Figures = {}
    ways = fusion.ways()
    for name in ("L-shaped", "8 m towards"):
        drawn = fusion.simulate_runs(
            fusion.SCENE, fusion.SCENE.pingers[0], ways[name], n_runs=200, rng=np.random.default_rng(5), wrong_share=0.2
        )
        fix = fusion.fuse_simulated(fusion.SCENE, drawn, area=fusion.source_area(fusion.SCENE))
        stated = fix.ok | (fix.reason == fusion.RANGE_UNSEEN)
        error, covariance = (fix.position_m - fusion.SOURCE)[stated, :2], fix.covariance_m2[stated, :2, :2]
        figures |= {
            f"{name} inside": float(inside_region(error, covariance).mean()),
            f"{name} RMS m": float(np.sqrt(np.mean(np.sum(error**2, axis=-1)))),
            f"{name} stated": float(stated.mean()),
        }
    return figures


def of_calibration() -> Figures:
    """Planned calibration runs: what they recover, of what they left out."""
    from acoustics.study.calibrate import RunPlan, plan_calibration

    result = plan_calibration(fusion.SCENE, fusion.SCENE.pingers[0], RunPlan(), runs=30, seed=1)
    return {
        "cycles right": result.cycles_right.value,
        "left out": float(result.left_out),
        "refused": float(result.refused),
    }


FIGURES: dict[str, Callable[[], Figures]] = {
    "tdoa": of_samples,
    "direction": of_recordings,
    "detect": of_recordings,
    "locate": of_recordings,
    "fuse": of_runs,
    "calibrate": of_calibration,
}


def row(base: Figures, module: str, name: str, value: object, figures: Callable[[], Figures]) -> tuple[str, ...]:
    """What halving and doubling one number does to the figure that it moves most."""
    moved = []
    for factor in (0.5, 2.0):
        with changed(name, value, factor), np.errstate(all="ignore"):
            try:
                now = figures()
            except Exception as error:  # a number out of its range is an answer, too
                moved.append((np.inf, f"{type(error).__name__}"))
                continue
        change = {k: abs(now[k] - base[k]) / max(abs(base[k]), 1e-9) for k in base if now[k] != base[k]}
        if not change:
            moved.append((0.0, "same"))
            continue
        most = max(change, key=lambda k: change[k])
        moved.append((change[most], f"{most} {base[most]:.3g} -> {now[most]:.3g}"))
    verdict = "none" if not any(m for m, _ in moved) else "flat" if max(moved)[0] < SAME_BUT_FOR_NOISE else "moves"
    return f"{module.removeprefix('acoustics.estimate.')}.{name}", f"{value}", moved[0][1], moved[1][1], verdict


def main(packages: list[str]) -> None:
    for package in packages or FIGURES:
        figures = FIGURES[package]
        base = figures()
        print(f"\n{package}: " + ", ".join(f"{k} {v:.3g}" for k, v in base.items()), flush=True)
        rows = [row(base, *constant, figures) for constant in constants(package)]
        print(table(("number", "as it is", "halved", "doubled", "effect"), rows), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
