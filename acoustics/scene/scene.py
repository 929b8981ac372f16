"""The scene: everything that exists in one place, checked to fit together."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.base.checks import whole_metres
from acoustics.base.frames import Floats
from acoustics.base.polygons import contains
from acoustics.base.table_model import all_wrong, same_names
from acoustics.physics.levels import power_sum_db
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.scene.array import Array
from acoustics.scene.keep_out import KeepOut
from acoustics.scene.model import DEEPEST_M, SceneModel, Title
from acoustics.scene.mounting import Mounting
from acoustics.scene.noise import Noise
from acoustics.scene.pinger import FARTHEST_HEARD_M, Pinger
from acoustics.scene.plan import Plan
from acoustics.scene.pool import Pool
from acoustics.scene.recorder import Recorder
from acoustics.scene.station import Station
from acoustics.scene.vehicle import Vehicle
from acoustics.scene.water import Water

_CONTACT_M = 0.01  # nearer than this a pinger and a hydrophone are in each other's place


class Scene(SceneModel):
    """Water, pool, pingers, array, recorder, noise, vehicle, mounting, stations, and the plan of study."""

    title: Annotated[Title, Field(description="What the place is called.")] = "untitled"
    water: Annotated[Water, Field(description="The water.")]
    pool: Annotated[
        Pool, Field(description="Outline, floor and what they are made of; left out: open water without a floor.")
    ] = Pool()
    pingers: Annotated[
        Annotated[tuple[Pinger, ...], Field(alias="pinger", min_length=1, max_length=32)],
        Field(description="The pingers, one table each."),
    ]
    array: Annotated[
        Array,
        Field(description="The array: `use` names a shipped one, `file` one beside the scenario, or its hydrophones."),
    ]
    recorder: Annotated[Recorder, Field(description="The recorder.")] = Recorder()
    noise: Annotated[Noise, Field(description="Noise at the hydrophones.")] = Noise()
    vehicle: Annotated[Vehicle, Field(description="The vehicle, where it listens and how well it knows that.")]
    mounting: Annotated[Mounting, Field(description="Where hydrophones may be mounted.")] = Mounting()
    stations: Annotated[
        Annotated[tuple[Station, ...], Field(alias="station", max_length=64)],
        Field(description="The places of which a pinger marks one."),
    ] = ()
    keep_outs: Annotated[
        Annotated[tuple[KeepOut, ...], Field(alias="keep_out", max_length=64)],
        Field(description="Where the vehicle must not go."),
    ] = ()
    study: Annotated[Plan, Field(description="What the questions are asked for.")] = Plan()

    @model_validator(mode="after")
    def _everything_in_the_water(self) -> Self:
        wet = [(f"pinger[{i}].position_m", p.name, p.position_m) for i, p in enumerate(self.pingers, 1)]
        wet += [(f"station[{i}].position_m", s.name, s.position_m) for i, s in enumerate(self.stations, 1)]
        wet += [("vehicle.position_m", self.vehicle.name, self.vehicle.position_m)]
        hydrophones = self.vehicle.pose.to_site(self.array.positions_m)
        vehicle_wet = self.pool.contains(self.vehicle.position_m)
        # With the vehicle outside its hydrophones are as well: one thing to change.
        wet += [
            ("array", f"hydrophone {h.name!r}", tuple(np.round(r, 3).tolist()))
            for h, r in zip(self.array.hydrophones, hydrophones, strict=True)
            if vehicle_wet
        ]
        dry = [
            f"{key}: {name} at {list(place)} is outside the water; {self._water_at(place)}"
            for key, name, place in wet
            if not self.pool.contains(place)
        ]
        faults = same_names([p.name for p in self.pingers], "pingers")
        faults += same_names([s.name for s in self.stations], "stations")
        if coarse := whole_metres([h.position_m for h in self.array.hydrophones], self.vehicle.hull_m):
            faults.append(f"array.hydrophone: {coarse}")
        faults += dry + self._in_the_way() + self._contacts() + self._too_far() + self._too_slow()
        all_wrong("scene", faults)
        return self

    def _in_the_way(self) -> list[str]:
        return [
            f"keep_out[{i}].outline_m: {zone.name} has vehicle.position_m inside; move one of them"
            for i, zone in enumerate(self.keep_outs, 1)
            if zone.contains(self.vehicle.position_m)
        ]

    def _contacts(self) -> list[str]:
        vehicle = np.vstack([self.vehicle.pose.to_site(self.array.positions_m), self.vehicle.position_m])
        return [
            f"pinger[{i}].position_m: {pinger.name} lies within {100 * _CONTACT_M:g} cm of a hydrophone or of "
            "vehicle.position_m; move one of them"
            for i, pinger in enumerate(self.pingers, 1)
            if np.min(np.linalg.norm(vehicle - np.array(pinger.position_m), axis=-1)) < _CONTACT_M
        ]

    def _too_far(self) -> list[str]:
        away = [float(np.linalg.norm(np.subtract(p.position_m, self.vehicle.position_m))) for p in self.pingers]
        return [
            f"pinger[{i}].position_m: {pinger.name} is {far / 1e3:,.0f} km from vehicle.position_m, and beyond "
            f"{FARTHEST_HEARD_M / 1e3:g} km no pinger is heard; move one of them"
            for i, (pinger, far) in enumerate(zip(self.pingers, away, strict=True), 1)
            if far > FARTHEST_HEARD_M
        ]

    def _too_slow(self) -> list[str]:
        rate = self.recorder.sample_rate_hz
        return [
            f"recorder.sample_rate_hz: {rate:g} Hz is not over twice the band of pinger[{i}], which ends at "
            f"{pinger.band_hz[1]:g} Hz"
            for i, pinger in enumerate(self.pingers, 1)
            if 2 * pinger.band_hz[1] >= rate
        ]

    def _water_at(self, place: ArrayLike) -> str:
        depth = min(float(self.pool.floor_depth_m(place)), DEEPEST_M)
        if self.pool.outline_m is None:
            return f"its z must lie between 0 and {depth:g} m"
        low, high = np.min(self.pool.outline_m, axis=0), np.max(self.pool.outline_m, axis=0)
        across = f"x {low[0]:g} to {high[0]:g} m, y {low[1]:g} to {high[1]:g} m"
        level = np.asarray(place, dtype=float)[:2]
        if np.all((level > low) & (level < high)) and not contains(self.pool.outline_m, level):
            return f"it lies in a corner of {across} that pool.outline_m leaves out"
        return f"the pool spans {across}, and there z 0 to {depth:.2f} m, counted downwards"

    @property
    def mapped(self) -> bool:
        """Whether there is an extent to map: a pool's outline, or `study.map_extent_m` of open water."""
        return self.pool.outline_m is not None or self.study.map_extent_m is not None

    @cached_property
    def sound_speed_m_s(self) -> float:
        """Sound speed at the vehicle [m/s]: what the vehicle would assume."""
        return float(self.water.sound_speed_m_s(self.vehicle.position_m[2]))

    @cached_property
    def sound_speed_sd_m_s(self) -> float:
        """Standard deviation of the sound speed at the vehicle [m/s]."""
        return self.water.sound_speed_sd_m_s(self.vehicle.position_m[2])

    @property
    def bending_profile(self) -> SoundSpeedProfile | None:
        """Sound speed by depth, which bends direct rays; None where it is not given by depth.

        It ends at the floor where one is known to be nowhere deeper: no ray turns below that.
        """
        if len(self.water.profile) < 2:
            return None
        depth = np.array([row.depth_m for row in self.water.profile])
        known = self.pool.outline_m is not None or self.pool.depth_m is not None
        floor = self.pool.deepest_m if known else np.inf
        depth = np.append(depth[depth < floor], floor) if depth[0] < floor < depth[-1] else depth
        return SoundSpeedProfile(depth, self.water.sound_speed_m_s(depth))

    def noise_density_db(self, frequency_hz: ArrayLike) -> Floats:
        """Ambient, self and quantisation noise as pressure [dB re 1 uPa^2/Hz], the least sensitive hydrophone's."""
        sensitivity = min(h.sensitivity_db_re_v_per_upa for h in self.array.hydrophones)
        steps_db = 10 * np.log10(self.recorder.quantisation_pressure_density(sensitivity) / 1e-12)
        water_db = self.noise.density_db(frequency_hz)
        return power_sum_db(water_db, steps_db + 0 * np.asarray(water_db))
