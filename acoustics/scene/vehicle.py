"""The vehicle: where it stands, how big it is, and how well it knows both."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from pydantic import Field

from acoustics.geometry import Floats, Pose
from acoustics.scene.model import Name, NotNegative, Point, SceneModel

AngleDeg = Annotated[float, Field(strict=True, ge=-360, le=360)]
Metres = Annotated[float, Field(strict=True, gt=0, le=1000)]
SpreadDeg = Annotated[float, Field(strict=True, ge=0, le=180)]  # beyond it nothing at all is known
TiltDeg = Annotated[float, Field(strict=True, ge=-90, le=90)]


class Vehicle(SceneModel):
    """Pose at the listening post, standard deviations of the navigation, and the box that hydrophones may span."""

    name: Name = "vehicle"
    position_m: Point
    roll_deg: AngleDeg = 0.0
    pitch_deg: TiltDeg = 0.0
    heading_deg: AngleDeg = 0.0
    heading_sd_deg: SpreadDeg = 2.0
    roll_sd_deg: SpreadDeg = 0.5
    pitch_sd_deg: SpreadDeg = 0.5
    depth_sd_m: NotNegative = 0.05
    position_sd_m: NotNegative = 0.0
    hull_m: tuple[Metres, Metres, Metres] = (0.8, 0.5, 0.3)

    @property
    def pose(self) -> Pose:
        """The pose with its angles in radians."""
        roll, pitch, heading = np.deg2rad([self.roll_deg, self.pitch_deg, self.heading_deg])
        return Pose(np.array(self.position_m), roll, pitch, heading)

    @property
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
