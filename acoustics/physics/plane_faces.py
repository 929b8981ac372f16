"""Straight rays among plane faces: which one a ray meets next."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats

_TOUCHING_M = 1e-9
_GLANCING = 1e-12  # a ray that closes in on a plane no faster runs along it
_ON_IT_M = 1e-7  # so far behind a plane a ray that begins on it may be, by rounding


def next_face(
    normals: Floats, offsets_m: Floats, edges: Floats | None, place_m: Floats, heading: Floats
) -> tuple[NDArray[np.int64], Floats]:
    """Face that each ray meets next, from its front.

    Parameters
    ----------
    normals : ndarray, shape (n_faces, 3)
        Unit vectors into the water.
    offsets_m : ndarray, shape (n_faces,)
        ``normal . point`` for the points of each face [m].
    edges : ndarray, shape (n_faces, n_edges, 4), or None
        Half spaces (n, d), ``n . x >= d`` [m], in which a face lies; (0, 0, 0, 0) for none. None: the water is convex
        and its planes alone bound it.
    place_m, heading : ndarray, shape (n_rays, 3)
        Where rays begin, in the water or on a face [m], and their directions, unit vectors.

    Returns
    -------
    face : ndarray of int, shape (n_rays,)
        Index of the face; meaningless where a ray meets none.
    way_m : ndarray, shape (n_rays,)
        Way to it [m]; inf where a ray meets none.
    """
    # Faces first, so that numpy works along the rays.
    closing = normals @ heading.T
    way = offsets_m[:, None] - normals @ place_m.T
    way /= np.minimum(closing, -_GLANCING)
    way[closing >= -_GLANCING] = np.inf
    if edges is not None:
        way[way < -_ON_IT_M] = np.inf  # it began behind that plane
    face, nearest = _nearest(way)
    left = np.arange(len(face) if edges is not None else 0)
    while left.size:  # the nearest plane, until it is met where its face is
        step = nearest[left]
        met = place_m[left] + np.where(np.isfinite(step), step, 0.0)[:, None] * heading[left]
        edge = edges[face[left]] if edges is not None else np.zeros((len(left), 0, 4))
        past = np.einsum("nek,nk->ne", edge[..., :3], met) - edge[..., 3] < -_TOUCHING_M
        left = left[past.any(axis=1) & np.isfinite(step)]
        way[face[left], left] = np.inf
        face[left], nearest[left] = _nearest(way[:, left])
    return face, np.maximum(nearest, 0.0)


def _nearest(way_m: Floats) -> tuple[NDArray[np.int64], Floats]:
    """The first of the faces with the shortest way (n_faces, n_rays), and that way."""
    face, nearest = np.zeros(way_m.shape[1], dtype=np.int64), way_m.min(axis=0)
    for k in reversed(range(len(way_m))):
        np.copyto(face, k, where=way_m[k] == nearest)
    return face, nearest
