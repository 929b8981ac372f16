"""Task stations: the places of which the pinger marks one."""

from __future__ import annotations

from acoustics.base.site import StationPlace
from acoustics.scene.model import SceneModel


class Station(StationPlace, SceneModel):
    """A candidate station; priors are weights and need not add up to one."""
