"""How far off will one ping's fix be, for a vehicle anywhere in the pool?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.accuracy.link_budget import link_budget
from acoustics.errors import ParameterError
from acoustics.geometry import Floats, Pose, bearing_and_depression
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.delay_level import DelayErrors, simulate_fixes
from acoustics.study.outlook import clean_windows
from acoustics.study.statistics import BEARING_GUESS_SD, Interval, masked_rms, median_interval, quantiles

_MOST_CELLS = 200_000
_FIXES_AT_ONCE = 16_384  # about 20 MB at work


@dataclass(frozen=True)
class PoolMap:
    """Cells of a grid, shape (n_y, n_x); NaN where the vehicle cannot be.

    Bounds (Cramer-Rao, single ping): `bearing_deg` is the standard deviation of the bearing in the site frame,
    heading error included; `position_m` the horizontal RMS error. Simulation: `simulated_m`, the RMS of the fixes
    that the estimator gave, with the ends of its 95 % confidence interval, and `refused`, the share for which it
    named a reason instead. `simulated_over_bound` is the median of that ratio over the cells where every ping gave a
    fix; None where there are fewer than two. Infinite: not observable.
    """

    title: str
    array: str
    pinger: str
    depth_m: float
    heading_deg: float
    trials: int
    seed: int
    x_m: Floats
    y_m: Floats
    clean_window_s: Floats
    bearing_deg: Floats
    position_m: Floats
    simulated_m: Floats
    simulated_low_m: Floats
    simulated_high_m: Floats
    refused: Floats
    simulated_over_bound: Interval | None

    @property
    def quantiles(self) -> dict[str, Floats]:
        """Median, 90th and 95th percentile over the cells, by what they are of."""
        wet = np.isfinite(self.clean_window_s)
        columns = {"bearing_deg": self.bearing_deg, "position_m": self.position_m}
        if self.trials:
            columns |= {"simulated_m": self.simulated_m, "refused": self.refused}
        return {name: quantiles(values[wet]) for name, values in columns.items()}


@dataclass(frozen=True)
class _Simulated:
    """Each of shape (n_cells,)."""

    rms_m: Floats
    low_m: Floats
    high_m: Floats
    refused: Floats


def map_pool(
    scene: Scene,
    pinger: Pinger,
    *,
    trials: int,
    seed: int,
    step_m: float | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> PoolMap:
    """Bounds and delay-level simulation of a fix from one ping, for a grid of vehicle positions.

    Parameters
    ----------
    scene : Scene
        The vehicle's attitude is kept; its depth is `study.map_depth_m`, else its own.
    pinger : Pinger
        One of the scene's.
    trials : int
        Simulated fixes for each cell; 0 for bounds alone.
    seed : int
        Seed of the simulation; every chunk of cells has its own child of it.
    step_m : float, optional
        Step of the grid [m]; `study.map_step_m` by default.
    progress : callable, optional
        Told after every chunk of cells how many of how many are simulated.

    Raises
    ------
    ParameterError
        If the grid has no cell in the water, or too many.

    Notes
    -----
    The cycle is taken as resolved, and echoes shorten the window but do not bias what is inside it.
    """
    x, y, posts, wet = _grid(scene, scene.study.map_step_m if step_m is None else step_m)
    pose = scene.vehicle.pose
    hydrophones = Pose(np.zeros(3), pose.roll, pose.pitch, 0.0).to_site(scene.array.positions_m)
    # Seen from the vehicle, in the frame that stands level in it and heads with it, only the pinger moves.
    source = Pose(posts[wet], 0.0, 0.0, pose.heading).to_body(np.array([pinger.position_m]))[:, 0]
    distance = np.linalg.norm(source, axis=-1)
    window = clean_windows(scene, pinger, posts[wet])
    variance = link_budget(scene, pinger, distance, window_s=window).carrier_variance_s2
    errors = DelayErrors(variance, np.inf, scene.recorder.skew_sd_s, scene.array.tolerances_m, scene.sound_speed_sd_m_s)
    depth_sd = float(np.hypot(scene.study.pinger_depth_sd_m, scene.vehicle.depth_sd_m))
    nuisance: dict[str, Any] = {
        "arrival_variance_s2": variance[:, None],
        "element_sd_m": errors.element_sd_m,
        "skew_sd_s": errors.skew_sd_s,
        "sound_speed_sd_m_s": errors.sound_speed_sd_m_s,
        "attitude_sd": scene.vehicle.attitude_sd,
    }
    bearing = bearing_bound(hydrophones, *bearing_and_depression(source), scene.sound_speed_m_s, **nuisance)
    position = position_bound(
        hydrophones,
        source,
        scene.sound_speed_m_s,
        source_depth_sd_m=depth_sd,
        pivot_m=np.zeros(3),
        **nuisance,
    )
    simulated = _simulate(scene, hydrophones, source, errors, depth_sd, trials, seed, progress)

    def spread(values: Floats) -> Floats:
        grid = np.full(wet.shape, np.nan)
        grid[wet] = values
        return grid

    return PoolMap(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        depth_m=float(posts[0, 0, 2]),
        heading_deg=scene.vehicle.heading_deg,
        trials=trials,
        seed=seed,
        x_m=x,
        y_m=y,
        clean_window_s=spread(window),
        bearing_deg=spread(np.rad2deg(np.where(bearing.bearing_sd < BEARING_GUESS_SD, bearing.bearing_sd, np.inf))),
        position_m=spread(position.horizontal_rms_m),
        simulated_m=spread(simulated.rms_m),
        simulated_low_m=spread(simulated.low_m),
        simulated_high_m=spread(simulated.high_m),
        refused=spread(simulated.refused),
        simulated_over_bound=_agreement(simulated, position.horizontal_rms_m, seed),
    )


def _grid(scene: Scene, step_m: float) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Cell centres x and y [m], vehicle positions (n_y, n_x, 3) [m], and whether the whole array is wet there."""
    if scene.study.map_extent_m is not None:
        low, high = np.array(scene.study.map_extent_m[:2]), np.array(scene.study.map_extent_m[2:])
    elif scene.pool.outline_m is not None:
        low, high = np.min(scene.pool.outline_m, axis=0), np.max(scene.pool.outline_m, axis=0)
    else:
        raise ParameterError("study.map_extent_m is missing: open water has no outline to map")
    counts = np.maximum(np.round((high - low) / step_m), 1).astype(int)
    if counts.prod() > _MOST_CELLS:
        raise ParameterError(f"map_step_m = {step_m:g} gives {counts.prod():,} cells; at most {_MOST_CELLS:,}")
    x, y = (lo + (np.arange(n) + 0.5) * (hi - lo) / n for lo, hi, n in zip(low, high, counts, strict=True))
    depth = scene.study.map_depth_m or scene.vehicle.position_m[2]
    posts = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), depth)], axis=-1)
    pose = scene.vehicle.pose
    hydrophones = Pose(posts, pose.roll, pose.pitch, pose.heading).to_site(scene.array.positions_m)
    wet = np.all(scene.pool.contains(hydrophones), axis=-1)
    if not wet.any():
        raise ParameterError(f"map_depth_m = {depth:g}: the array is out of the water in every cell")
    return x, y, posts, wet


def _simulate(
    scene: Scene,
    hydrophones: Floats,
    source: Floats,
    errors: DelayErrors,
    depth_sd_m: float,
    trials: int,
    seed: int,
    progress: Callable[[int, int], None],
) -> _Simulated:
    """Simulate every cell in which the pinger can be heard."""
    rms, refused = np.full(len(source), np.inf), np.ones(len(source))
    low, high = np.zeros(len(source)), np.full(len(source), np.inf)
    variance = np.asarray(errors.phase_variance_s2)
    heard = np.flatnonzero(np.isfinite(variance)) if trials else np.arange(0)
    at_once = max(1, _FIXES_AT_ONCE // max(trials, 1))
    chunks = [heard[start : start + at_once] for start in range(0, len(heard), at_once)]
    for cells, child in zip(chunks, np.random.SeedSequence(seed).spawn(len(chunks)), strict=True):
        fix = simulate_fixes(
            hydrophones,
            source[cells],
            scene.sound_speed_m_s,
            replace(errors, phase_variance_s2=variance[cells]),
            source_depth_sd_m=depth_sd_m,
            attitude_sd=scene.vehicle.attitude_sd,
            trials=trials,
            rng=np.random.default_rng(child),
        )
        square = np.sum((fix.position_m - source[cells, None])[..., :2] ** 2, axis=-1)
        rms[cells], low[cells], high[cells] = masked_rms(square, fix.ok)
        refused[cells] = 1 - fix.ok.mean(axis=-1)
        progress(int(np.searchsorted(heard, cells[-1])) + 1, len(heard))
    return _Simulated(rms, low, high, refused)


def _agreement(simulated: _Simulated, bound_m: Floats, seed: int) -> Interval | None:
    """Median over cells of the simulated RMS over the bound, where every ping gave a fix."""
    sure = (simulated.refused == 0) & np.isfinite(bound_m) & (bound_m > 0)
    if sure.sum() < 2:
        return None
    return median_interval(simulated.rms_m[sure] / bound_m[sure], np.random.default_rng(seed))
