"""Paths seen from above, where the water is level-layered between upright walls over a level floor.

A profile bends rays up and down alone, and an upright wall mirrors their level part as it would in even water: seen
from above they are straight lines from images of the source, past walls that are met in order (`images`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.propagate.images import Ints, Room, polyhedron_images, polyhedron_trace
from acoustics.scene.scene import Scene

_NOT_AT_ONCE_M = 1e-9  # a source on a wall is so far from it


@record
class PlanPaths:
    """Paths seen from above, sorted by receiver, then image; shape (n,) where it is not said.

    Parameters
    ----------
    receiver, image : ndarray of int
        Which receiver, and which of the images, 0 for the source itself.
    across_m : ndarray
        Length [m].
    from_m : ndarray, shape (n, 2)
        Place of the image [m].
    walls : ndarray of int8, shape (n, most)
        Faces of the room that are met, in order from the source; -1 after the last.
    at_m : ndarray, shape (n, most)
        Way from the source to each [m].
    sine : ndarray, shape (n, most)
        Sine of the angle between the way and each wall [1].
    """

    receiver: Ints
    image: Ints
    across_m: Floats
    from_m: Floats
    walls: NDArray[np.int8]
    at_m: Floats
    sine: Floats

    def take(self, which: Ints) -> PlanPaths:
        """Some of the paths, by index."""
        return PlanPaths(
            self.receiver[which],
            self.image[which],
            self.across_m[which],
            self.from_m[which],
            self.walls[which],
            self.at_m[which],
            self.sine[which],
        )


class _Legs(NamedTuple):
    at_m: Floats
    sine: Floats


def plan_paths(scene: Scene, room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats) -> PlanPaths:
    """Paths from a source to receivers (n, 3), each up to its reach (n,) [m], seen from above.

    Raises
    ------
    ParameterError
        If more images may be within reach than are followed in good time.
    """
    count = len(receivers_m)
    if scene.pool.outline_m is None:
        across, none = np.hypot(*(receivers_m - source_m)[:, :2].T), np.zeros((count, 0))
        own, from_m = np.arange(count), np.tile(source_m[:2], (count, 1))
        return PlanPaths(own, np.zeros(count, dtype=np.int64), across, from_m, none.astype(np.int8), none, none)
    plan, first = _plan_room(scene, room)
    places, source = receivers_m * [1.0, 1.0, 0.0], source_m * [1.0, 1.0, 0.0]
    images = polyhedron_images(plan, source, places, reach_m)
    across = np.linalg.norm(places[:, None] - images.position_m, axis=-1)
    receiver, image = np.nonzero(across <= reach_m[:, None])
    trace = polyhedron_trace(plan, source, images.take(image), places[receiver])
    receiver, image = receiver[trace.exists], image[trace.exists]
    from_m, across = images.position_m[image], across[receiver, image]
    legs = _legs(plan, trace.faces, places[receiver], from_m, across)
    walls = np.where(trace.faces >= 0, trace.faces + first, -1).astype(np.int8)
    return PlanPaths(receiver, image, across, from_m[:, :2], walls, *legs)


def _plan_room(scene: Scene, room: Room) -> tuple[Room, int]:
    """The walls of a room alone, each of it a strip about the level of 0, and the number of the first among its faces.

    Raises
    ------
    ParameterError
        If there are none.
    """
    if scene.pool.outline_m is None:
        raise ParameterError("pool.outline_m=None: water without walls has no plan")
    corners = np.array(scene.pool.outline_m)
    walls = np.array([k for k, face in enumerate(scene.pool.faces) if face.name.startswith("wall")])
    high, low = (
        np.pad(corners, ((0, 0), (0, 1)), constant_values=-1.0),
        np.pad(corners, ((0, 0), (0, 1)), constant_values=1.0),
    )
    strips = np.stack([high, np.roll(high, -1, axis=0), np.roll(low, -1, axis=0), low], axis=1)
    return Room(
        normals=room.normals[walls],
        offsets_m=room.offsets_m[walls],
        reflections=tuple(room.reflections[wall] for wall in walls),
        mean_speed_m_s=room.mean_speed_m_s,
        fastest_m_s=room.fastest_m_s,
        outlines_m=strips,
        edges=None if room.edges is None else room.edges[walls],
    ), int(walls[0])


def _legs(plan: Room, walls: NDArray[np.int8], places_m: Floats, from_m: Floats, across_m: Floats) -> _Legs:
    """Way from the source to each wall met and the sine of the angle there, followed back from the receivers."""
    at, sine = np.zeros(walls.shape), np.zeros(walls.shape)
    heading = (from_m - places_m) / np.maximum(across_m, _NOT_AT_ONCE_M)[:, None]
    place, left = places_m.copy(), across_m.copy()
    for k in range(walls.shape[1] - 1, -1, -1):
        row = np.flatnonzero(walls[:, k] >= 0)
        normal, offset = plan.normals[walls[row, k]], plan.offsets_m[walls[row, k]]
        closing = np.einsum("nk,nk->n", heading[row], normal)
        step = (offset - np.einsum("nk,nk->n", place[row], normal)) / closing
        place[row] += step[:, None] * heading[row]
        heading[row] -= 2 * closing[:, None] * normal
        left[row] -= step
        at[row, k], sine[row, k] = np.maximum(left[row], _NOT_AT_ONCE_M), -closing
    return _Legs(at, sine)
