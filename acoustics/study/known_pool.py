"""What one ping could tell of the position to who knows the pool, where the vehicle stands: Cramer-Rao bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acoustics.accuracy.echo_bound import echo_bound
from acoustics.base.intervals import unless_guessed
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@dataclass(frozen=True)
class KnownPoolBound:
    """RMS of the horizontal position [m] with the pool known and echoes as measurements; infinite: not observed.

    `to_first_wall_m`: by the sound before the first echo from a wall; `whole_burst_m`: by all within the burst.
    """

    to_first_wall_m: float
    whole_burst_m: float


def known_pool_bound(scene: Scene, pinger: Pinger) -> KnownPoolBound:
    """Bounds of a position in the site from one ping where the vehicle stands."""
    pose = scene.vehicle.pose
    bound = echo_bound(
        scene,
        pinger,
        np.asarray(pose.position_m, dtype=float)[None],
        np.array([pose.heading], dtype=float),
        np.array([pinger.position_m]),
        site_position=True,
    )
    wall, whole = (
        float(unless_guessed(error[0], scene.pool.extent_m)) for error in (bound.to_first_wall_m, bound.whole_burst_m)
    )
    return KnownPoolBound(wall, whole)
