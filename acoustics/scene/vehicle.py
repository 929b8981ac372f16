"""The vehicle: where it stands, how big it is, and how well it knows both."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.base.frames import Floats, Pose
from acoustics.scene.model import Name, NotNegative, Point, SceneModel

AngleDeg = Annotated[float, Field(strict=True, ge=-360, le=360)]
Metres = Annotated[float, Field(strict=True, gt=0, le=1000)]
SpreadDeg = Annotated[float, Field(strict=True, ge=0, le=180)]  # beyond it nothing at all is known
TiltDeg = Annotated[float, Field(strict=True, ge=-90, le=90)]


class Vehicle(SceneModel):
    """Pose at the listening waypoint, standard deviations of the navigation, and the box that hydrophones may span."""

    name: Annotated[Name, Field(description="Name of the vehicle.")] = "vehicle"
    position_m: Annotated[Point, Field(description="Where it listens, in the site frame: x, y and depth.")]
    roll_deg: Annotated[AngleDeg, Field(description="Roll there, starboard side down positive.")] = 0.0
    pitch_deg: Annotated[TiltDeg, Field(description="Pitch there, bow up positive.")] = 0.0
    heading_deg: Annotated[
        AngleDeg, Field(description="Heading there, clockwise from the site's x axis seen from above.")
    ] = 0.0
    heading_sd_deg: Annotated[
        SpreadDeg,
        Field(description="How well the heading is known. The compass's data sheet, and thrusters on beside it."),
    ] = 2.0
    roll_sd_deg: Annotated[SpreadDeg, Field(description="How well the roll is known.")] = 0.5
    pitch_sd_deg: Annotated[SpreadDeg, Field(description="How well the pitch is known.")] = 0.5
    depth_sd_m: Annotated[NotNegative, Field(description="How well the vehicle's depth is known.")] = 0.05
    position_sd_m: Annotated[NotNegative, Field(description="How well its place is known along x and y.")] = 0.0
    # Of a run: how much of the heading's error lasts, and how dead reckoning by a velocity log goes astray.
    heading_bias_sd_deg: Annotated[
        SpreadDeg | None,
        Field(description="The part of the heading's error that lasts a whole run; left out: all of it."),
    ] = None
    drift_sd_m_per_root_m: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=100)],
        Field(description="How dead reckoning strays: metres after one metre, growing with the root of the way."),
    ] = 0.02
    log_scale_sd: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=0.5)],
        Field(description="How well the scale of the velocity log is known."),
    ] = 0.01
    hull_m: Annotated[
        tuple[Metres, Metres, Metres],
        Field(description="Length, width and height of the box that hydrophones may span."),
    ] = (0.8, 0.5, 0.3)

    @model_validator(mode="after")
    def _bias_is_part_of_the_heading(self) -> Self:
        if self.heading_bias_sd_deg is not None and self.heading_bias_sd_deg > self.heading_sd_deg:
            raise ValueError(
                f"heading_bias_sd_deg = {self.heading_bias_sd_deg:g} is part of heading_sd_deg = "
                f"{self.heading_sd_deg:g} and cannot exceed it"
            )
        return self

    @property
    def lasting_heading_sd(self) -> float:
        """The part of the heading's standard deviation that lasts a whole run [rad]: all of it unless given."""
        given = self.heading_sd_deg if self.heading_bias_sd_deg is None else self.heading_bias_sd_deg
        return float(np.deg2rad(given))

    @property
    def ping_attitude_sd(self) -> Floats:
        """Standard deviations of roll, pitch and heading that are new at each ping [rad], shape (3,)."""
        roll, pitch, heading = self.attitude_sd
        return np.array([roll, pitch, np.sqrt(max(heading**2 - self.lasting_heading_sd**2, 0.0))])

    @cached_property
    def pose(self) -> Pose:
        """The pose with its angles in radians."""
        roll, pitch, heading = np.deg2rad([self.roll_deg, self.pitch_deg, self.heading_deg])
        return Pose(np.array(self.position_m), roll, pitch, heading)

    def pose_at(self, position_m: ArrayLike, heading: ArrayLike | None = None) -> Pose:
        """With its roll and pitch at other places (..., 3) [m], under headings (...) [rad]; its own by default."""
        own = self.pose
        return Pose(position_m, own.roll, own.pitch, own.heading if heading is None else heading)

    @property
    def level_pose(self) -> Pose:
        """Its roll and pitch alone: from the body frame to one about its origin that stands level and heads with it."""
        return self.pose_at(np.zeros(3), 0.0)

    @cached_property
    def attitude_sd(self) -> Floats:
        """Standard deviations of roll, pitch and heading [rad], shape (3,)."""
        return np.deg2rad([self.roll_sd_deg, self.pitch_sd_deg, self.heading_sd_deg])

    def largest_spacing_m(self, positions_m: Floats, shortest_m: float) -> float:
        """Shortest baseline [m] at which an array of this shape fills the hull box.

        Parameters
        ----------
        positions_m : ndarray, shape (n_hydrophones, 3)
            The array's shape [m].
        shortest_m : float
            Its shortest baseline as it stands [m].
        """
        extent = np.ptp(positions_m, axis=0)
        room = np.divide(self.hull_m, extent, out=np.full(3, np.inf), where=extent > 1e-9)
        return float(shortest_m * room.min())
