"""Places on the line from the pinger through the vehicle."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.frames import Floats
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


def waypoints_along_line(scene: Scene, pinger: Pinger, wished_m: ArrayLike) -> tuple[Floats, Floats]:
    """Ranges [m] and vehicle positions (n_ranges, 3) [m] on the line from the pinger through the vehicle.

    Of the ranges wished those at which the vehicle, at its depth, is in the water; and the vehicle's own.
    """
    source, vehicle = np.array(pinger.position_m), np.array(scene.vehicle.position_m)
    across = vehicle[:2] - source[:2]
    across = across / max(float(np.hypot(*across)), 1e-9)
    drop = source[2] - vehicle[2]
    own = float(np.linalg.norm(source - vehicle))
    ranges = np.unique([*(r for r in np.asarray(wished_m) if r > abs(drop)), own])
    reach = np.sqrt(np.maximum(ranges**2 - drop**2, 0.0))
    waypoints = np.column_stack([source[:2] + reach[:, None] * across, np.full(len(ranges), vehicle[2])])
    wet = scene.pool.contains(waypoints, margin_m=float(np.abs(scene.array.positions_m).max())) | (ranges == own)
    return ranges[wet], waypoints[wet]
