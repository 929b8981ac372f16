"""How much room a vehicle has at a place: the distance from what it must not touch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.polygons import clearance
from acoustics.scene.scene import Scene

ROOM_M = 1.0  # kept where there is as much; our choice, no source


def room_m(scene: Scene, places_m: Floats, *, pingers: bool) -> Floats:
    """Horizontal distance (n,) of places (n, 2 or more) from the nearest wall or station, and pinger if asked [m].

    Negative in a zone to keep out of and outside the pool; infinite where there is nothing.
    """
    things = [station.position_m[:2] for station in scene.stations]
    things += [pinger.position_m[:2] for pinger in scene.pingers] if pingers else []
    room = np.full(len(places_m), np.inf)
    for thing in things:
        room = np.minimum(room, np.linalg.norm(places_m[:, :2] - np.array(thing), axis=-1))
    if scene.pool.outline_m is not None:
        room = np.minimum(room, clearance(scene.pool.outline_m, places_m))
    for zone in scene.keep_outs:
        room = np.where(zone.contains(places_m), -1.0, room)
    return room


def roomy(room: Floats) -> NDArray[np.bool_]:
    """Which places have enough room: a metre, or the most there is; boolean, shape of `room`."""
    return room >= min(ROOM_M, float(room.max(initial=-np.inf)))
