"""Task stations: the places of which the pinger marks one."""

from __future__ import annotations

from acoustics.scene.model import Name, Point, Positive, SceneModel


class Station(SceneModel):
    """A candidate station; priors are weights and need not add up to one."""

    name: Name
    position_m: Point
    prior: Positive = 1.0
