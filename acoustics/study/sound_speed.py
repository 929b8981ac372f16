"""What the water is at a few depths: the answer of `pingfix sound-speed`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.scene.water import Water


@record
class WaterColumn(Result):
    """Water by depth, each of shape (n_depths,)."""

    depth_m: Floats
    temperature_degc: Floats
    absolute_salinity_g_kg: Floats
    sound_speed_m_s: Floats
    per_degc_m_s: Floats


def water_column(water: Water, depth_m: Sequence[float]) -> WaterColumn:
    """Sound speed at depths [m], and how much one degree changes it.

    Raises
    ------
    ParameterError
        If a depth is negative or above 11,000 m.
    """
    depths = np.asarray(depth_m, dtype=float)
    if np.any(~np.isfinite(depths) | (depths < 0) | (depths > 11_000)):
        raise ParameterError(f"depth_m = {depths.tolist()}: expected depths from 0 to 11000 m, positive downwards")
    temperature, salinity = water.at(depths)
    per_degc, _ = water.sound_speed_slopes(depths)
    return WaterColumn(depths, temperature, salinity, water.sound_speed_m_s(depths), per_degc)
