"""Print how well the prediction of a ping's bearing error agrees with rendered pings, over scenes drawn at random.

    python tests/benchmarks/agreement.py [--scenes 60] [--pings 80] [--first 0] [--arrays mixed-5,hull-4] [--integers]

Each scene has its own pool, materials, array, pinger and noise (random_scenes.py). At every pose one ping is rendered,
recorded and located, and another is predicted from the scene alone. An RMS of 80 normal errors is known to 8 %. Where
one ping in some hundreds has a wrong integer and errs by a hundred degrees, the RMS of 80 pings says little: so the
errors with the right integers and the shares of wrong ones stand apart, and so does the RMS of the best 95 % of the
errors, which 80 pings do tell: rare gross errors are not in it, frequent ones are. The efficiency is the bound of the window that
the estimator uses over the rendered RMS: no unbiased estimator has one above 1. About 8 s a scene and process.
With --integers, the 24 settings of arrays of 17 mm to 0.6 m at 12 to 45 dB in which integers may be wrong.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from random_scenes import SETTINGS, integer_setting, random_poses, random_scene

from acoustics.base.frames import Pose
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.scene.scene import Scene
from acoustics.study.draws import draw_blind_bearings, draws_each, measure_blind

sys.path.insert(0, str(Path(__file__).parents[1]))
from rendered import bearing_bound_of_its_window, rendered_bearings  # noqa: E402

MOST_DRAWS = 48
HEADER = (
    "scene array              range depth | RMS deg predicted, rendered (95 %)   ratio | right integers       ratio |"
    " best 95 %            ratio | wrong % predicted, rendered (95 %) | answered % |"
    " efficiency (95 %)"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--pings", type=int, default=80)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--arrays", default="", help="only the scenes with these")
    parser.add_argument("--integers", action="store_true", help=f"{SETTINGS} settings with wide arrays and weak pings")
    options = parser.parse_args()
    print(HEADER, flush=True)
    last = options.first + options.scenes
    scene_of, last = (integer_setting, min(last, SETTINGS)) if options.integers else (random_scene, last)
    scenes = [(seed, scene_of(seed)) for seed in range(options.first, last)]
    some = set(filter(None, options.arrays.split(",")))
    rows = np.array([row(scene, seed, options.pings) for seed, scene in scenes if not some or scene.array.name in some])
    within = {
        name: np.log(np.maximum(ratios, 1e-9))
        for name, ratios in zip(("all pings", "right integers", "best 95 % of the errors"), rows.T, strict=False)
    }
    for name, ratios in within.items():
        off = np.abs(ratios)
        print(
            f"{name}: within 25 % in {100 * np.mean(off < np.log(1.25)):.0f} % of {len(rows)} scenes, "
            f"within a factor of 2 in {100 * np.mean(off < np.log(2)):.0f} %; median ratio "
            f"{np.exp(np.median(ratios)):.2f}"
        )
    print(f"predicted RMS inside the interval of the rendered one: {100 * rows[:, 3].mean():.0f} %")
    print(f"predicted share of wrong integers inside the interval of the rendered one: {100 * rows[:, 4].mean():.0f} %")
    print(f"efficiency above 1 beyond its interval: {100 * rows[:, 5].mean():.0f} %")


def row(scene: Scene, seed: int, pings: int) -> tuple[float, float, float, bool, bool, bool]:
    """Ratios of predicted to rendered RMS, of all, with right integers and of the best 95 %, whether RMS and share are
    inside, and whether the efficiency is above 1 beyond its interval."""
    pinger = scene.pingers[0]
    places, heading = random_poses(scene, pings, np.random.default_rng([7, seed]))
    error, wrong, answered, bound = predicted(scene, places, heading, seed)
    found = rendered_bearings(scene, pinger, places, heading, seed=seed)
    given = found["outcome"] == 0
    seen, seen_wrong = np.rad2deg(found["error"][given]), found["wrong_integer"][given]
    rng = np.random.default_rng(1)
    rms, right = rms_interval(seen, rng), rms_interval(seen[~seen_wrong], rng)
    share = rate_interval(int(seen_wrong.sum()), int(given.sum()))
    expected, of_right = rms_of(error), rms_of(error[~wrong])
    efficiency = Interval(bound / rms.value, bound / rms.high, bound / rms.low)
    best, best_seen = rms_of(best_of(error)), rms_of(best_of(seen))
    ratios = expected / rms.value, of_right / right.value, best / best_seen
    range_m = float(np.linalg.norm(np.array(scene.vehicle.position_m) - pinger.position_m))
    print(
        f"{seed:5d} {scene.array.name:17s} {range_m:6.1f} {float(scene.pool.floor_depth_m(scene.vehicle.position_m)):5.1f} |"
        f" {expected:6.2f} {text(rms):>21s} {ratios[0]:8.2f} | {of_right:6.2f} {right.value:6.2f} {ratios[1]:7.2f} |"
        f" {best:6.2f} {best_seen:6.2f} {ratios[2]:7.2f} | {100 * wrong.mean():6.2f} {text(share, 100):>21s} | {100 * answered:4.0f} {100 * given.mean():4.0f} |"
        f" {text(efficiency):>21s}",
        flush=True,
    )
    return *ratios, rms.low <= expected <= rms.high, share.low <= wrong.mean() <= share.high, efficiency.low > 1.0


def predicted(
    scene: Scene, places: np.ndarray, heading: np.ndarray, seed: int
) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Errors [deg] and wrong integers of the draws that have a bearing, the share that has one, and the bound [deg]."""
    rng, own = np.random.default_rng([8, seed]), scene.vehicle.pose
    pose = Pose(places, own.roll, own.pitch, heading)
    measured = measure_blind(scene, scene.pingers[0], pose, rng)
    draws = draws_each(scene, scene.pingers[0], MOST_DRAWS)
    drawn = draw_blind_bearings(scene, scene.pingers[0], measured, pose, draws=draws, rng=rng)
    given = np.isfinite(drawn.error)
    bound = np.rad2deg(bearing_bound_of_its_window(scene, scene.pingers[0], pose, measured))
    return np.rad2deg(drawn.error[given]), drawn.wrong_integer[given], float(given.mean()), bound


def best_of(errors: np.ndarray) -> np.ndarray:
    """Those up to the 95th percentile of their sizes."""
    size = np.abs(errors)
    return errors[size <= np.quantile(size, 0.95)]


def rms_of(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(errors**2))) if errors.size else np.inf


def text(found: Interval, scale: float = 1.0) -> str:
    return f"{scale * found.value:.2f} ({scale * found.low:.2f}-{scale * found.high:.2f})"


if __name__ == "__main__":
    main()
