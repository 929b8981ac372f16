"""Whether bent rays stay in the water between the faces that they meet."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.physics.plane_faces import next_face
from acoustics.propagate.images import Bools, Ints, Room

_TOUCHING_M = 1e-6


def in_the_water(room: Room, count: int, ray: Ints, place_m: Floats) -> Bools:
    """Whether rays meet faces at none but the places given, shape (count,); none of a ray that has no places.

    Parameters
    ----------
    room : Room
        With the faces.
    count : int
        How many rays there are.
    ray, place_m : ndarray of int (n_places,) and ndarray (n_places, 3)
        Places along each ray in order [m] and whose they are; chords between them stand for the ray.
    """
    same = ray[1:] == ray[:-1]
    whose, begin, way = ray[1:][same], place_m[:-1][same], np.diff(place_m, axis=0)[same]
    length = np.linalg.norm(way, axis=1)
    long = length > _TOUCHING_M
    whose, begin, way, length = whose[long], begin[long], way[long], length[long]
    _, free = next_face(room.normals, room.offsets_m, room.edges, begin, way / length[:, None])
    clear = np.isin(np.arange(count), ray)
    clear[whose[free < length - _TOUCHING_M]] = False
    return clear
