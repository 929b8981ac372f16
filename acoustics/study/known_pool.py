"""What one ping could tell of the position to who knows the pool, where the vehicle stands: Cramer-Rao bounds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.echo_bound import echo_bound
from acoustics.base.intervals import unless_guessed
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@record
class KnownPoolBound:
    """RMS of the horizontal position [m] with the pool known and echoes as measurements; infinite: not observed.

    `to_first_wall_m`: by the sound before the first echo from a wall; `whole_burst_m`: by all within the burst.
    """

    to_first_wall_m: float
    whole_burst_m: float


def known_pool_bound(scene: Scene, pinger: Pinger) -> KnownPoolBound:
    """Bounds of a position in the site from one ping where the vehicle stands."""
    return known_pool_bounds(scene, (pinger,), scene.vehicle.position_m)[0]


def known_pool_bounds(scene: Scene, pingers: Sequence[Pinger], waypoint_m: ArrayLike) -> tuple[KnownPoolBound, ...]:
    """Bounds of the positions of pingers of one burst, each from one ping heard at a waypoint (3,) [m]."""
    n = len(pingers)
    bound = echo_bound(
        scene,
        pingers[0],
        np.tile(np.asarray(waypoint_m, dtype=float), (n, 1)),
        np.full(n, scene.vehicle.pose.heading),
        np.array([pinger.position_m for pinger in pingers]),
        site_position=True,
    )
    wall, whole = (
        unless_guessed(error, scene.pool.extent_m).tolist() for error in (bound.to_first_wall_m, bound.whole_burst_m)
    )
    return tuple(KnownPoolBound(*errors) for errors in zip(wall, whole, strict=True))
