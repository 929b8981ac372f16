"""A vehicle that goes where it is sent, as far as its navigation knows where that is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.scene import Scene


@dataclass
class SimulatedVehicle:
    """Where the navigation believes the vehicle to be, and where it is, by the error model that the fusion assumes.

    Lasting errors of heading, log, start and depth are drawn once; the dead reckoning walks with the way, and roll,
    pitch and heading err anew at each pose.
    """

    scene: Scene
    errors: ErrorSizes
    rng: np.random.Generator
    believed_m: Floats = field(init=False)
    heading: float = field(init=False)
    travelled_m: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        vehicle = self.scene.vehicle
        self.believed_m, self.heading = np.array(vehicle.position_m), float(np.deg2rad(vehicle.heading_deg))
        self._origin_m = self.believed_m.copy()
        self._start_m = self.rng.normal(size=3) * self.errors.start_sd_m
        self._bias = float(self.rng.normal() * self.errors.heading_bias_sd)
        self._scale = float(self.rng.normal() * self.errors.log_scale_sd)
        self._walk_m = np.zeros(2)

    def go(self, towards_m: Floats, at_most_m: float) -> bool:
        """Go straight, bow first, so far at most; whether the vehicle believes that it is there."""
        way = (towards_m - self.believed_m)[:2]
        length = float(np.hypot(*way))
        step = min(length, at_most_m)
        if step > 0:
            self.believed_m = self.believed_m + np.append(way / length * step, 0.0)
            self.heading = float(np.arctan2(way[1], way[0]))
            self.travelled_m += step
            self._walk_m += self.errors.drift_sd_m_per_root_m * np.sqrt(step) * self.rng.normal(size=2)
        return step == length

    def true_pose(self) -> Pose:
        """Where it is, and how it lies there."""
        roll, pitch, heading = self.rng.normal(size=3) * self.errors.attitude_sd
        away = (self.believed_m - self._origin_m)[:2]
        turn = np.array([[np.cos(self._bias), -np.sin(self._bias)], [np.sin(self._bias), np.cos(self._bias)]])
        stray = np.append((1.0 + self._scale) * turn @ away - away + self._walk_m, 0.0)
        held = self.scene.vehicle.pose
        position = self.believed_m + self._start_m + stray
        return Pose(position, held.roll + roll, held.pitch + pitch, self.heading + self._bias + heading)
