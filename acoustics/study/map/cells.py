"""The grid of a pool map: where its cells lie, and how each sees the pinger."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.propagate.multipath_free_window import multipath_free_map_s, multipath_free_windows
from acoustics.propagate.sight import hydrophones_reached
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

Over = Literal["vehicle", "pinger"]

_MOST_CELLS = 200_000
_NEAREST_M = 0.05  # nearer the pinger touches the vehicle


@record
class Cells:
    """Centres of a grid's columns x (n_x,) and rows y (n_y,) [m], and those of its places that can be.

    `places_m`, shape (n_y, n_x, 3), are positions of the vehicle or of the pinger, as `over` says; `wet`, shape
    (n_y, n_x), whether the array and the pinger are in the water there and apart.
    """

    over: Over
    x_m: Floats
    y_m: Floats
    places_m: Floats
    wet: NDArray[np.bool_]

    def spread(self, values: Floats) -> Floats:
        """Values of the wet cells, shape (n_wet,), on the grid, (n_y, n_x); NaN elsewhere."""
        grid = np.full(self.wet.shape, np.nan)
        grid[self.wet] = values
        return grid


def grid_cells(scene: Scene, pinger: Pinger, *, over: Over, step_m: float, headings: Floats) -> Cells:
    """Lay a grid over the pool, or over `study.map_extent_m`.

    Parameters
    ----------
    over : "vehicle" or "pinger"
        What stands in the cells: the vehicle, at `study.map_depth_m` or its own depth, or the pinger, at its own.
    step_m : float
        About the side of a cell [m].
    headings : ndarray, shape (n_headings,)
        At all of which the array must be wet [rad].

    Raises
    ------
    ParameterError
        If there is no outline, no cell in the water, or too many.
    """
    if scene.study.map_extent_m is not None:
        low, high = np.array(scene.study.map_extent_m[:2]), np.array(scene.study.map_extent_m[2:])
    elif scene.pool.outline_m is not None:
        low, high = np.min(scene.pool.outline_m, axis=0), np.max(scene.pool.outline_m, axis=0)
    else:
        raise SceneError("study.map_extent_m is missing: open water has no outline to map")
    counts = np.maximum(np.round((high - low) / step_m), 1).astype(int)
    if counts.prod() > _MOST_CELLS:
        raise ParameterError(f"map_step_m = {step_m:g} gives {counts.prod():,} cells; at most {_MOST_CELLS:,}")
    x, y = (lo + (np.arange(n) + 0.5) * (hi - lo) / n for lo, hi, n in zip(low, high, counts, strict=True))
    own_depth = scene.study.map_depth_m or scene.vehicle.position_m[2]
    depth = own_depth if over == "vehicle" else pinger.position_m[2]
    places = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), depth)], axis=-1)
    waypoints, pingers = waypoints_and_pingers(scene, pinger, over, places)
    wet = np.ones(places.shape[:2], dtype=bool)
    for heading in headings:
        hydrophones = scene.vehicle.pose_at(waypoints, heading).to_site(scene.array.positions_m)
        apart = np.linalg.norm(hydrophones - pingers[..., None, :], axis=-1) > _NEAREST_M
        wet &= np.all(scene.pool.contains(hydrophones) & apart, axis=-1)
    wet &= scene.pool.contains(pingers) & (np.linalg.norm(waypoints - pingers, axis=-1) > _NEAREST_M)
    if not wet.any():
        what = f"map_depth_m = {depth:g}: the array is" if over == "vehicle" else f"{pinger.name} at {depth:g} m is"
        raise SceneError(f"{what} out of the water in every cell")
    return Cells(over, x, y, places, wet)


def sources_seen(scene: Scene, pinger: Pinger, cells: Cells, heading: float) -> Floats:
    """The pinger [m], shape (n_wet, 3), in the frame that stands level in the vehicle and heads with it."""
    waypoints, pingers = waypoints_and_pingers(scene, pinger, cells.over, cells.places_m[cells.wet])
    return Pose(np.zeros(3), 0.0, 0.0, heading).to_body(pingers - waypoints)


def reached_in_cells(scene: Scene, pinger: Pinger, cells: Cells, heading: float) -> NDArray[np.bool_]:
    """Which hydrophones neither walls, floor nor bodies of the vehicle hide from the pinger, (n_wet, n_hydrophones)."""
    waypoints, pingers = waypoints_and_pingers(scene, pinger, cells.over, cells.places_m[cells.wet])
    return hydrophones_reached(scene, scene.vehicle.pose_at(waypoints, heading), pingers)


def windows_seen(scene: Scene, pinger: Pinger, cells: Cells, heading: float) -> Floats:
    """Multipath-free windows [s], shape (n_wet,), as `multipath_free_windows` gives them.

    With the pinger in the cells, echoes count even where a body of the vehicle blocks them: some windows are then
    shorter than they need be.
    """
    turned = scene.vehicle.model_copy(update={"heading_deg": float(np.rad2deg(heading))})
    places = cells.places_m[cells.wet]
    if cells.over == "vehicle":
        return multipath_free_windows(scene.model_copy(update={"vehicle": turned}), pinger, places)
    # Sound takes the same paths both ways: each hydrophone in turn stands as the source, the places receive.
    windows = [
        multipath_free_map_s(
            scene,
            places[:, None],
            hydrophone,
            frequency_hz=pinger.frequency_hz,
            horizon_s=pinger.length_s,
            threshold_db=scene.study.multipath_threshold_db,
        )
        for hydrophone in turned.pose.to_site(scene.array.positions_m)
    ]
    reached = reached_in_cells(scene, pinger, cells, heading).T
    return np.where(reached.any(axis=0), np.min(np.where(reached, windows, pinger.length_s), axis=0), 0.0)


def waypoints_and_pingers(scene: Scene, pinger: Pinger, over: Over, places_m: Floats) -> tuple[Floats, Floats]:
    """Positions of the vehicle and of the pinger [m], shape (..., 3) each."""
    fixed = np.array(pinger.position_m if over == "vehicle" else scene.vehicle.position_m)
    other = np.broadcast_to(fixed, places_m.shape)
    return (places_m, other) if over == "vehicle" else (other, places_m)
