"""Straight rays among plane faces: which one a ray meets next."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats

_TOUCHING_M = 1e-9
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
    closing = heading @ normals.T
    way = offsets_m - place_m @ normals.T
    away = closing >= -1e-12
    closing[away] = -1.0
    way /= closing
    way[away] = np.inf
    if edges is not None:
        way[way < -_ON_IT_M] = np.inf  # it began behind that plane
    face = np.argmin(way, axis=1)
    left = np.arange(len(face) if edges is not None else 0)
    while left.size:  # the nearest plane, until it is met where its face is
        step = way[left, face[left]]
        met = place_m[left] + np.where(np.isfinite(step), step, 0.0)[:, None] * heading[left]
        edge = edges[face[left]] if edges is not None else np.zeros((len(left), 0, 4))
        past = np.einsum("nek,nk->ne", edge[..., :3], met) - edge[..., 3] < -_TOUCHING_M
        left = left[past.any(axis=1) & np.isfinite(step)]
        way[left, face[left]] = np.inf
        face[left] = np.argmin(way[left], axis=1)
    return face, np.maximum(way[np.arange(len(face)), face], 0.0)
