"""Instrument readings of a recording: the truth with errors of the scene's tolerances."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.physics.sound_speed import sound_speed_teos10
from acoustics.scene.scene import Scene
from acoustics.scene.water import TEMPERATURE_RANGE_DEGC

_SALTIEST_G_KG = 45.0


@record
class InstrumentReadings:
    """What the crew reads off its instruments and was told of the pingers: the truth with errors of the tolerances."""

    pose: Pose
    temperature_degc: float
    absolute_salinity_g_kg: float
    pinger_depth_m: Floats

    @cached_property
    def sound_speed_m_s(self) -> float:
        """Of such water at the depth that the navigation gives [m/s]."""
        depth = max(float(np.asarray(self.pose.position_m)[2]), 0.0)
        speed = sound_speed_teos10(
            self.temperature_degc, absolute_salinity_g_kg=self.absolute_salinity_g_kg, depth_m=depth
        )
        return float(speed)


def draw_readings(scene: Scene, rng: np.random.Generator) -> InstrumentReadings:
    """Pose as the navigation gives it, and water as a thermometer and a salinometer at the vehicle do."""
    vehicle, water = scene.vehicle, scene.water
    spread = np.array([vehicle.position_sd_m, vehicle.position_sd_m, vehicle.depth_sd_m])
    position = np.array(vehicle.position_m) + rng.standard_normal(3) * spread
    roll, pitch, heading = rng.standard_normal(3) * vehicle.attitude_sd
    true = vehicle.pose
    pose = Pose(position, true.roll + roll, true.pitch + pitch, true.heading + heading)
    depth = vehicle.position_m[2]
    temperature, salinity = (float(value) for value in water.at(depth))
    temperature += rng.standard_normal() * water.temperature_tolerance_degc
    temperature = min(max(temperature, TEMPERATURE_RANGE_DEGC[0]), TEMPERATURE_RANGE_DEGC[1])
    salinity += rng.standard_normal() * water.salinity_tolerance_g_kg
    salinity = min(max(salinity, 0.0), _SALTIEST_G_KG)
    depths = np.array([pinger.position_m[2] for pinger in scene.pingers])
    depths = np.maximum(depths + rng.standard_normal(len(depths)) * scene.study.pinger_depth_sd_m, 0.0)
    return InstrumentReadings(pose, temperature, salinity, depths)
