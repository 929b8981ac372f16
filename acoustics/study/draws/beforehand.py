"""What the vehicle knows of a pinger before it hears it: where that may be, and its clock."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.polygons import convex_hull
from acoustics.estimate.fuse import PingClock, SourceArea, uniform_over
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


def water_outline(scene: Scene) -> Floats:
    """Corners (k, 2) [m] of where a pinger may be, of a convex polygon: estimators take no other.

    The convex hull of the pool's outline; else the map's extent; else the box of all places in the scenario, half as
    large again.
    """
    if scene.pool.outline_m is not None:
        return convex_hull(scene.pool.outline_m)
    if scene.study.map_extent_m is not None:
        low, high = np.array(scene.study.map_extent_m[:2]), np.array(scene.study.map_extent_m[2:])
    else:
        places = [p.position_m[:2] for p in scene.pingers] + [s.position_m[:2] for s in scene.stations]
        places.append(scene.vehicle.position_m[:2])
        low, high = np.min(places, axis=0), np.max(places, axis=0)
        grow = 0.25 * np.maximum(high - low, 10.0)
        low, high = low - grow, high + grow
    return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])


def source_area(scene: Scene) -> SourceArea:
    """A broad normal distribution with the mean and covariance of a place anywhere in the water."""
    return uniform_over(water_outline(scene))


def pinger_clock(pinger: Pinger) -> PingClock | None:
    """What is known of a pinger's clock; None where its `pri_sd_ppm` is not. An arrival may be out by half a cycle."""
    if pinger.pri_sd_ppm is None:
        return None
    jitter = float(np.hypot(pinger.start_jitter_s, 0.5 / pinger.frequency_hz))
    return PingClock(pinger.pri_s, 1e-6 * pinger.pri_sd_ppm * pinger.pri_s, jitter)
