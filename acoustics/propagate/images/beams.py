"""Beams: the part of a face that an image lights through the face that made the image.

A face outside the beam mirrors nothing. Without this the number of images grows exponentially with the order
in any room whose edges are not right angles, while the number of paths does not.
"""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.propagate.images.room import Bools

_SLIVER_M = 1e-9
_SHORT_EDGE = 1e-7


def lit_part(apex_m: Floats, aperture_m: Floats, face_m: Floats) -> tuple[Floats, Bools]:
    """Cut faces down to what beams light of them.

    Parameters
    ----------
    apex_m : ndarray, shape (n, 3)
        Image that each beam spreads from [m].
    aperture_m : ndarray, shape (n, n_corners, 3)
        Convex polygon that each beam passes through, corners in order [m]; a corner may be repeated.
    face_m : ndarray, shape (n, n_corners_of_face, 3)
        Convex polygon to be lit, on the far side of the aperture [m]; a corner may be repeated.

    Returns
    -------
    lit : ndarray, shape (n, largest number of corners, 3)
        Lit polygons [m]; their last corner is repeated where they have fewer corners.
    any_lit : ndarray of bool, shape (n,)
        Whether anything is lit. Where false the polygon means nothing.
    """
    to_corner = aperture_m - apex_m[:, None]
    middle = to_corner.mean(axis=1)
    lit, any_lit = face_m, np.ones(len(apex_m), dtype=bool)
    for edge in range(aperture_m.shape[1]):
        side = np.cross(to_corner[:, edge - 1], to_corner[:, edge])
        size = np.linalg.norm(side, axis=1, keepdims=True)
        # The plane through a repeated corner, or through an apex in the aperture's own plane, cuts nothing.
        inward = np.sign(np.sum(side * middle, axis=1, keepdims=True)) * (size > _SHORT_EDGE)
        side = side * inward / np.maximum(size, _SHORT_EDGE)
        lit, some = _cut(lit, apex_m, side)
        any_lit &= some
    return lit, any_lit


def _cut(polygon_m: Floats, point_m: Floats, normal: Floats) -> tuple[Floats, Bools]:
    """Part of each convex polygon on the normal's side of a plane through the point; a zero normal cuts nothing.

    I. E. Sutherland and G. W. Hodgman, Reentrant polygon clipping, Comm. ACM 17, 32-42 (1974).
    """
    height = np.einsum("nck,nk->nc", polygon_m - point_m[:, None], normal)
    height = np.where(np.any(normal != 0, axis=1)[:, None], height, 1.0)
    inside = height > _SLIVER_M
    crosses = inside != np.roll(inside, -1, axis=1)
    fall = height - np.roll(height, -1, axis=1)
    share = np.clip(np.divide(height, fall, out=np.zeros_like(height), where=crosses), 0.0, 1.0)
    crossing = polygon_m + share[..., None] * (np.roll(polygon_m, -1, axis=1) - polygon_m)
    n, corners = height.shape
    candidates = np.stack([polygon_m, crossing], axis=2).reshape(n, 2 * corners, 3)
    kept = np.stack([inside, crosses], axis=2).reshape(n, 2 * corners)
    count = kept.sum(axis=1)
    in_order = np.argsort(~kept, axis=1, kind="stable")
    slot = np.minimum(np.arange(max(int(count.max(initial=1)), 1)), np.maximum(count - 1, 0)[:, None])
    return np.take_along_axis(candidates, np.take_along_axis(in_order, slot, axis=1)[..., None], axis=1), count > 0
