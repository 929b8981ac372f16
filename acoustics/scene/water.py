"""The water: temperature, salinity, and the sound speed and absorption that follow from them."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from functools import cached_property
from itertools import pairwise
from typing import Annotated, Self, TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.base.errors import ValidityWarning
from acoustics.base.frames import Floats
from acoustics.base.table_model import LEAST_ROW_M
from acoustics.physics.absorption import absorption_francois_garrison1982_db_per_km
from acoustics.physics.sound_speed import Layers, absolute_salinity_g_kg, sound_speed_teos10
from acoustics.scene.model import Depth, Positive, SceneModel

TEMPERATURE_RANGE_DEGC = (-2.0, 45.0)
TemperatureDegc = Annotated[
    float,
    Field(strict=True, allow_inf_nan=False, ge=TEMPERATURE_RANGE_DEGC[0], le=TEMPERATURE_RANGE_DEGC[1]),
]
Salinity = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=45)]
LatitudeDeg = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-90, le=90)]
LongitudeDeg = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-180, le=360)]

_Known = TypeVar("_Known")
_MOST_KNOWN = 1_000  # depths and frequencies; a study asks for few
_LATITUDE_WHERE_UNKNOWN_DEG = 45.0  # turns depth into pressure; 0.5 % of it from pole to equator, nothing here


class ProfileRow(SceneModel):
    """One row of a sound-speed profile: temperature and practical salinity at a depth."""

    depth_m: Annotated[Depth, Field(description="Depth of this row.")]
    temperature_degc: Annotated[TemperatureDegc, Field(description="Temperature there.")]
    practical_salinity: Annotated[Salinity, Field(description="Practical salinity there; 0 for fresh water.")] = 0.0


class Water(SceneModel):
    """Uniform water, or rows of a profile between which temperature and salinity are linear.

    Outside the rows the nearest one holds. The tolerances are standard deviations of what the crew knows.
    """

    temperature_degc: Annotated[
        TemperatureDegc | None,
        Field(description="Temperature of the water. A thermometer on a line, at the array's depth."),
    ] = None
    practical_salinity: Annotated[
        Salinity | None,
        Field(
            description=(
                "Practical salinity: about 0.3 to 0.5 in a chlorinated pool, 3 to 6 in a salt pool, 35 in the sea."
            )
        ),
    ] = None
    absolute_salinity_g_kg: Annotated[
        Salinity | None, Field(description="Grams of salt in a kilogram of water; instead of practical_salinity.")
    ] = None
    profile: Annotated[
        tuple[ProfileRow, ...],
        Field(description="Rows of temperature and salinity by depth; instead of one temperature."),
    ] = ()
    latitude_deg: Annotated[
        LatitudeDeg | None, Field(description="Where on the earth; it changes the salinity of sea water a little.")
    ] = None
    longitude_deg: Annotated[LongitudeDeg | None, Field(description="Goes with latitude_deg.")] = None
    # Of sea water, where the absorption formula holds; at a pinger's frequency a pool's lower one makes no difference.
    ph: Annotated[
        Annotated[float, Field(strict=True, ge=5, le=10)],
        Field(description="Acidity, for the absorption of sea water."),
    ] = 8.0
    density_kg_m3: Annotated[
        Positive, Field(description="Density of the water, for echoes: 998 fresh, 1025 in the sea.")
    ] = 998.0
    temperature_tolerance_degc: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=10)], Field(description="How well the temperature is known.")
    ] = 0.5
    salinity_tolerance_g_kg: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=10)], Field(description="How well the salinity is known.")
    ] = 0.1

    @model_validator(mode="after")
    def _one_description(self) -> Self:
        if self.profile:
            clash = [
                k
                for k in ("temperature_degc", "practical_salinity", "absolute_salinity_g_kg")
                if k in self.model_fields_set
            ]
            if clash:
                raise ValueError(f"{clash[0]} and profile exclude each other; keep one of them")
            depths = [row.depth_m for row in self.profile]
            if any(b - a < LEAST_ROW_M for a, b in pairwise(depths)):
                raise ValueError(f"profile rows must be sorted by depth_m, {LEAST_ROW_M:g} m apart at least")
        elif self.temperature_degc is None:
            raise ValueError("temperature_degc is missing (or give profile rows)")
        if self.practical_salinity is not None and self.absolute_salinity_g_kg is not None:
            raise ValueError("practical_salinity and absolute_salinity_g_kg exclude each other; keep one of them")
        if (self.latitude_deg is None) != (self.longitude_deg is None):
            raise ValueError("latitude_deg and longitude_deg go together; give both or neither")
        return self

    @cached_property
    def _knots(self) -> tuple[Floats, Floats, Floats]:
        """Depth [m], temperature [degC] and absolute salinity [g/kg] of the rows, each of shape (n_rows,)."""
        rows = self.profile or (
            ProfileRow(
                depth_m=0.0,
                temperature_degc=self.temperature_degc or 0.0,
                practical_salinity=self.practical_salinity or 0.0,
            ),
        )
        depth = np.array([row.depth_m for row in rows])
        temperature = np.array([row.temperature_degc for row in rows])
        if self.absolute_salinity_g_kg is not None:
            return depth, temperature, np.full(1, self.absolute_salinity_g_kg)
        salinity = absolute_salinity_g_kg(
            np.array([row.practical_salinity for row in rows]),
            depth_m=depth,
            latitude_deg=self.latitude_deg,
            longitude_deg=self.longitude_deg,
        )
        return depth, temperature, np.asarray(salinity)

    def at(self, depth_m: ArrayLike) -> tuple[Floats, Floats]:
        """Temperature [degC] and absolute salinity [g/kg] at depths [m] of any shape."""
        depth, temperature, salinity = self._knots
        place = np.asarray(depth_m, dtype=float)
        return np.interp(place, depth, temperature), np.interp(place, depth, salinity)

    def sound_speed_m_s(self, depth_m: ArrayLike) -> Floats:
        """Sound speed [m/s] at depths [m] of any shape."""
        if isinstance(depth_m, float):
            return self._once("sound speed", depth_m, lambda: self._sound_speed_m_s(depth_m))
        return self._sound_speed_m_s(depth_m)

    def _sound_speed_m_s(self, depth_m: ArrayLike) -> Floats:
        temperature, salinity = self.at(depth_m)
        latitude = _LATITUDE_WHERE_UNKNOWN_DEG if self.latitude_deg is None else self.latitude_deg
        return sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth_m, latitude_deg=latitude)

    def mean_sound_speed_m_s(self, from_depth_m: ArrayLike, to_depth_m: ArrayLike) -> Floats:
        """Harmonic mean sound speed [m/s] along the straight ray between two depths [m], any shapes."""
        begin, end = np.asarray(from_depth_m, dtype=float), np.asarray(to_depth_m, dtype=float)
        if begin.shape != end.shape:
            begin, end = np.broadcast_arrays(begin, end)
        deepest = max(float(begin.max(initial=0.0)), float(end.max(initial=0.0)), self._deepest_row_m)
        # In steps of 100 m, so that a batch gives the same numbers however it is split.
        return self.layers_to(100.0 * math.ceil(deepest / 100.0)).mean_speed_m_s(begin, end)

    @cached_property
    def _deepest_row_m(self) -> float:
        """Depth to which sound speeds are known at least: that of the last row, 1 m if there is none so deep [m]."""
        return max(float(self._knots[0][-1]), 1.0)

    def layers_to(self, bottom_m: float) -> Layers:
        """Sound speed from the surface to a depth [m] above 0, linear between the rows of temperature and salinity."""

        def worked_out() -> Layers:
            knots = self._knots[0]
            rows = np.unique([0.0, *knots[(knots > 0) & (knots < bottom_m)], bottom_m])
            return Layers.of(rows, self.sound_speed_m_s(rows))

        return self._once("layers", bottom_m, worked_out)

    def _once(self, what: str, at: float, work_out: Callable[[], _Known]) -> _Known:
        """What stays the same from ping to ping, worked out when it is first asked for."""
        found = self._known.get((what, at))
        if found is None:
            if len(self._known) >= _MOST_KNOWN:
                self._known.clear()
            found = self._known[what, at] = work_out()
        return cast(_Known, found)

    @cached_property
    def _known(self) -> dict[tuple[str, float], object]:
        return {}

    def sound_speed_slopes(self, depth_m: ArrayLike) -> tuple[Floats, Floats]:
        """Change of the sound speed by temperature [m/s/K] and by salinity [m/s/(g/kg)] at depths [m] of any shape."""
        temperature, salinity = self.at(depth_m)

        def speed(t: Floats, s: Floats) -> Floats:
            return sound_speed_teos10(t, absolute_salinity_g_kg=s, depth_m=depth_m)

        with warnings.catch_warnings():
            # Half a degree over the edge of the range is no news where the water itself is inside it.
            warnings.simplefilter("ignore", ValidityWarning)
            by_temperature = speed(temperature + 0.5, salinity) - speed(temperature - 0.5, salinity)
            by_salinity = speed(temperature, salinity + 1.0) - speed(temperature, salinity)
        return by_temperature, by_salinity

    def sound_speed_sd_m_s(self, depth_m: float) -> float:
        """Standard deviation [m/s] of the sound speed that follows from the two tolerances (first order)."""
        by_temperature, by_salinity = self.sound_speed_slopes(depth_m)
        return float(
            np.hypot(by_temperature * self.temperature_tolerance_degc, by_salinity * self.salinity_tolerance_g_kg)
        )

    def absorption_db_per_km(self, frequency_hz: ArrayLike, depth_m: float = 1.0) -> Floats:
        """Absorption [dB/km] at frequencies [Hz] of any shape, for the water at one depth [m]."""

        def worked_out() -> Floats:
            temperature, salinity = self.at(depth_m)
            return absorption_francois_garrison1982_db_per_km(
                frequency_hz, temperature_degc=temperature, salinity_psu=salinity, depth_m=depth_m, ph=self.ph
            )

        if isinstance(frequency_hz, float) and depth_m == 1.0:
            return self._once("absorption", frequency_hz, worked_out)
        return worked_out()
