"""Whether direct sound leads from a source to places in the water: past corners, and in spite of bent rays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.frames import Floats, Pose
from acoustics.physics.plane_faces import next_face
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.images import Bools
from acoustics.scene.scene import Scene

_SAME_PLACE_M = 1e-7
_SOON_S = 1e-4  # echoes are not asked for


def in_sight(scene: Scene, places_m: ArrayLike, source_m: ArrayLike) -> Bools:
    """Whether direct sound reaches places past the pool's own faces.

    Parameters
    ----------
    scene : Scene
        With the pool; in one that is convex everything is in sight.
    places_m : array_like, shape (..., 3)
        Places in the water [m].
    source_m : array_like, shape (..., 3)
        Sources in the water [m], broadcasting with the places.

    Returns
    -------
    ndarray of bool, shape (...)
    """
    places, source = np.broadcast_arrays(np.asarray(places_m, dtype=float), np.asarray(source_m, dtype=float))
    edges = scene.pool.face_edges
    if edges is None:
        return np.ones(places.shape[:-1], dtype=bool)
    toward = (places - source).reshape(-1, 3)
    length = np.linalg.norm(toward, axis=-1)
    heading = toward / np.maximum(length, 1e-12)[:, None]
    _, way = next_face(*scene.pool.planes, edges, source.reshape(-1, 3), heading)
    return np.asarray((way >= length - _SAME_PLACE_M).reshape(places.shape[:-1]))


def hydrophones_reached(scene: Scene, pose: Pose, source_m: Floats) -> Bools:
    """Which hydrophones neither walls, floor nor bodies of the vehicle hide from sources.

    Parameters
    ----------
    pose : Pose
        Of the vehicle, batch shape (n_poses,).
    source_m : ndarray, shape (3,) or (n_poses, 3)
        Sources in the water [m], one or one a pose.

    Returns
    -------
    ndarray of bool, shape (n_poses, n_hydrophones)
    """
    sources = np.atleast_2d(source_m)[:, None]
    seen = in_sight(scene, pose.to_site(scene.array.positions_m), sources)
    return np.asarray(seen & scene.mounting.hears(scene.array.positions_m, pose.to_body(sources)[:, 0]))


def heard_directly(
    scene: Scene, hydrophones_m: ArrayLike, source_m: ArrayLike, *, frequency_hz: float
) -> tuple[Bools, str]:
    """Which hydrophones, shape (n, 3) [m], direct sound reaches, shape (n,); and why not the others, in words."""
    seen = in_sight(scene, hydrophones_m, source_m)
    if not seen.all():
        return seen, "a corner of the pool stands between"
    paths = arrivals(scene, hydrophones_m, source_m, frequency_hz=frequency_hz, horizon_s=_SOON_S)
    return paths.valid[:, 0], "the sound-speed profile bends all direct rays away, it is in a shadow zone"
