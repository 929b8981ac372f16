"""Where a sound-speed profile bends rays by so much that it counts."""

from __future__ import annotations

import math

import numpy as np

from acoustics.base.frames import Floats, length
from acoustics.base.record import record
from acoustics.base.table_model import DEEPEST_M
from acoustics.physics.sound_speed import Layers
from acoustics.propagate.images import Bools
from acoustics.scene.scene import Scene

BEND_SHARE = 0.02  # of a period of the carrier: a difference in time that is no longer taken as none
_FASTER = 1.002  # than at the rows no sound speed is
_SHALLOWEST_ROW_M = 1.0  # of the last row, where there is no floor


@record
class Bending:
    """What the water does to straight paths.

    Parameters
    ----------
    gradient_per_s : float
        Steepest gradient of the profile [1/s].
    slowest_m_s, fastest_m_s : float
        Least and largest sound speed [m/s].
    storey_m : float
        Height between surface and floor, between walls where it is deepest; inf where no floor ends the legs [m].
    wide_m : float
        Width of the array [m].
    least_s : float
        Difference in time that counts [s].
    """

    gradient_per_s: float
    slowest_m_s: float
    fastest_m_s: float
    storey_m: float
    wide_m: float
    least_s: float

    def counts(self, across_m: Floats, upright_m: Floats) -> Bools:
        """Whether it counts for paths so long, seen from above and in height unfolded at surface and floor [m]."""
        share = np.minimum(1.0, self.storey_m / np.maximum(upright_m, 1e-9))
        return self.counts_on_legs(np.hypot(across_m, upright_m), share * across_m)

    def counts_on_legs(self, length_m: Floats | float, leg_m: Floats | float) -> Bools:
        """Whether it counts for paths so long with legs between two reflections whose level part is so long [m].

        A chord r of a circle of radius ``c / (g cos(theta))`` is passed sooner by ``r a^2 g^2 / (24 c^3)`` than at the
        speed along it, a being its level part; at its end the direction is another by ``a g / (2 c)``, which is a
        difference in time over the array. Each leg of a path that is reflected at level faces is such a chord.
        """
        turned = leg_m * self.gradient_per_s / self.slowest_m_s
        sooner = length_m * turned**2 / (24 * self.slowest_m_s)
        over_array = self.wide_m * turned / (2 * self.slowest_m_s)
        return np.asarray(np.maximum(sooner, over_array) > self.least_s)


def bending(scene: Scene, elements_m: Floats, source_m: Floats, *, frequency_hz: float) -> Bending:
    """What the scene's profile does to paths from a source to hydrophones (..., 3) [m]."""
    level = scene.pool.is_level
    if level:
        floor = float(scene.pool.floor_planes.planes[0, 0])
    else:
        places = np.concatenate([elements_m.reshape(-1, 3), source_m[None]])
        floor = float(scene.pool.floor_depth_m(places).max())
    layers = profile_layers(scene, float(elements_m[..., 2].max(initial=source_m[2])), floor)
    upright = level or walls_on_a_slope(scene)
    return Bending(
        gradient_per_s=layers.steepest_per_s,
        slowest_m_s=layers.slowest_m_s,
        fastest_m_s=_FASTER * layers.fastest_m_s,
        storey_m=scene.pool.deepest_m if upright else np.inf,
        wide_m=scene.array.diagonal_m,
        least_s=BEND_SHARE / frequency_hz,
    )


def bends(scene: Scene, elements_m: Floats, source_m: Floats, *, frequency_hz: float, horizon_s: float = 0.0) -> Bools:
    """Whether the direct path or one that comes so soon after it may be bent, to hydrophones (..., n, 3) [m]; (...).

    Without walls, over a floor that is not level, all paths are, or none, as the direct one.
    """
    walls = scene.pool.outline_m is not None
    water = bending(scene, elements_m, source_m, frequency_hz=frequency_hz)
    if walls:
        # Not even where all of the longest path that there can be is level.
        farthest = water.fastest_m_s * (
            math.hypot(scene.pool.extent_m, scene.pool.deepest_m) / water.slowest_m_s + horizon_s
        )
        if not water.counts_on_legs(farthest, farthest):
            return np.zeros(elements_m.shape[:-2], dtype=bool)
    off = elements_m.mean(axis=-2) - source_m
    direct_m = length(off)
    across = np.hypot(off[..., 0], off[..., 1])
    if horizon_s == 0 or not (walls or scene.pool.is_level):
        return water.counts_on_legs(direct_m, across)
    longest = water.fastest_m_s * (direct_m / water.slowest_m_s + horizon_s)
    return water.counts_on_legs(longest, np.sqrt(longest**2 - off[..., 2] ** 2) if walls else across)


def walls_on_a_slope(scene: Scene) -> bool:
    """Whether walls stand on a floor that is not level: past walls bent rays are there found beside straight paths."""
    return scene.pool.outline_m is not None and not scene.pool.is_level


def profile_rows(scene: Scene, deepest_m: float, floor_m: float) -> tuple[Floats, Floats]:
    """Depths from the surface to the floor, or to a depth without one, and the sound speed there."""
    layers = profile_layers(scene, deepest_m, floor_m)
    return layers.depth_m, layers.speed_m_s


def profile_layers(scene: Scene, deepest_m: float, floor_m: float) -> Layers:
    """The same as layers of constant gradient."""
    bottom = floor_m if np.isfinite(floor_m) else min(max(deepest_m, _SHALLOWEST_ROW_M), DEEPEST_M)
    return scene.water.layers_to(bottom)
