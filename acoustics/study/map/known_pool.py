"""What one ping could tell of the position in some cells of a map, to an estimator that knows the pool: bounds."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.echo_bound import echo_bound
from acoustics.base.frames import Floats
from acoustics.base.intervals import unless_guessed
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.map.bounds import CellBounds
from acoustics.study.map.cells import Cells, waypoints_and_pingers

NEAR_M = 0.5
KNOWN_POOL_CELLS = 400  # that a map works out unless told otherwise: about half a second


@record
class KnownPool:
    """Bounds (Cramer-Rao) of the horizontal position from one ping, RMS in metres, by cell, shape (n_cells,).

    `multipath_free_m`: of an estimator that knows nothing of the pool and stops at the first echo. The others know it
    to within its standard deviations and take echoes as measurements: `to_first_wall_m` those before the first echo
    from a wall, `whole_burst_m` all within the burst's length. Infinite: not observed. The shares are those of cells
    under `near_m`.
    """

    x_m: Floats
    y_m: Floats
    multipath_free_m: Floats
    to_first_wall_m: Floats
    whole_burst_m: Floats
    near_m: float
    near_multipath_free: float
    near_to_first_wall: float
    near_whole_burst: float


def known_pool_in_cells(
    scene: Scene, pinger: Pinger, cells: Cells, at: CellBounds, *, most: int, site_position: bool
) -> KnownPool | None:
    """Bounds in so many cells at most, evenly picked; None where none are asked for.

    Parameters
    ----------
    scene, pinger : Scene, Pinger
        With the pool's standard deviations.
    cells : Cells
        Where vehicle or pinger stands.
    at : CellBounds
        The bounds without echoes, and the heading, in each of them.
    most : int
        Cells to work out; each costs about a millisecond.
    site_position : bool
        Whether the position is the site's, or relative to the vehicle.
    """
    if most < 1:
        return None
    waypoints, pingers = waypoints_and_pingers(scene, pinger, cells.over, cells.places_m[cells.wet])
    picked = np.unique(np.linspace(0, len(waypoints) - 1, min(most, len(waypoints))).astype(int))
    bound = echo_bound(
        scene, pinger, waypoints[picked], at.heading[picked], pingers[picked], site_position=site_position
    )
    free, wall, whole = (
        unless_guessed(error, scene.pool.extent_m)
        for error in (at.position_m[picked], bound.to_first_wall_m, bound.whole_burst_m)
    )
    places = cells.places_m[cells.wet][picked]
    return KnownPool(
        x_m=places[:, 0],
        y_m=places[:, 1],
        multipath_free_m=free,
        to_first_wall_m=wall,
        whole_burst_m=whole,
        near_m=NEAR_M,
        near_multipath_free=float(np.mean(free < NEAR_M)),
        near_to_first_wall=float(np.mean(wall < NEAR_M)),
        near_whole_burst=float(np.mean(whole < NEAR_M)),
    )
