"""Beams: the part of a face that an image lights through the face that made the image.

A face outside the beam mirrors nothing. Without this the number of images grows exponentially with the order
in any room whose edges are not right angles, while the number of paths does not.
"""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.propagate.images.room import Bools, Ints

_SLIVER_M = 1e-9
_SHORT_EDGE = 1e-7
_CORNERS = np.array([4, 6, 9, 16])


def lit_part(apex_m: Floats, aperture_m: Floats, face_m: Floats) -> tuple[Floats, Bools]:
    """Cut faces down to what beams light of them.

    Parameters
    ----------
    apex_m : ndarray, shape (n, 3)
        Image that each beam spreads from [m].
    aperture_m : ndarray, shape (n, n_corners, 3)
        Convex polygon that each beam passes through, corners in order [m]; a corner may be repeated.
    face_m : ndarray, shape (n, n_corners_of_face, 3)
        Convex polygon to be lit [m]; a corner may be repeated. What is on the apex's side of the aperture is not lit.

    Returns
    -------
    lit : ndarray, shape (n, largest number of corners, 3)
        Lit polygons [m]; their last corner is repeated where they have fewer corners.
    any_lit : ndarray of bool, shape (n,)
        Whether anything is lit. Where false the polygon means nothing.
    """
    aperture, n_edges = _without_repeats(aperture_m)
    face, n_corners = _without_repeats(face_m)
    any_lit, parts = np.zeros(len(apex_m), dtype=bool), []
    # Nearly all have few corners: beams with about as many together, so that few corners are cut for nothing.
    work = np.minimum(np.searchsorted(_CORNERS, [n_edges, n_corners]), len(_CORNERS))
    for edges, corners in np.unique(work, axis=1).T:
        rows = np.flatnonzero((work[0] == edges) & (work[1] == corners))
        some_edges, some_corners = n_edges[rows].max(), n_corners[rows].max()
        lit, some = _lit_alike(apex_m[rows], aperture[rows, :some_edges], face[rows, :some_corners])
        any_lit[rows[some]] = True
        parts.append((rows[some], _without_repeats(lit)[0]))
    result = np.zeros((len(apex_m), max([1, *(lit.shape[1] for _, lit in parts)]), 3))
    for rows, lit in parts:
        result[rows] = np.pad(lit, ((0, 0), (0, result.shape[1] - lit.shape[1]), (0, 0)), mode="edge")
    return result, any_lit


def _lit_alike(apex_m: Floats, aperture_m: Floats, face_m: Floats) -> tuple[Floats, Bools]:
    """Lit polygons of the beams that light anything, and which ones do."""
    to_corner = aperture_m - apex_m[:, None]
    middle = to_corner.mean(axis=1)
    side = np.cross(np.roll(to_corner, 1, axis=1), to_corner)
    size = np.linalg.norm(side, axis=-1, keepdims=True)
    # The plane through a repeated corner, or through an apex in the aperture's own plane, cuts nothing.
    inward = np.sign(np.einsum("nek,nk->ne", side, middle))[..., None] * (size > _SHORT_EDGE)
    side *= inward / np.maximum(size, _SHORT_EDGE)
    # A face all on the wrong side of one plane is not lit: most are not, and need no cutting.
    height = np.einsum("nck,nek->nec", face_m - apex_m[:, None], side)
    lost = np.all(height <= _SLIVER_M, axis=-1) & side.any(axis=-1)
    any_lit = ~lost.any(axis=-1)
    row = np.flatnonzero(any_lit)
    lit = face_m[row]
    for edge in range(aperture_m.shape[1]):
        lit, some = _cut(lit, apex_m[row], side[row, edge])
        row, lit = row[some], lit[some]
    lit, some = _cut(lit, aperture_m[row, 0], _beyond(aperture_m[row], middle[row]))
    row, lit = row[some], lit[some]
    any_lit = np.zeros(len(apex_m), dtype=bool)
    any_lit[row] = True
    return lit, any_lit


def _beyond(aperture_m: Floats, middle_m: Floats) -> Floats:
    """Unit normals of apertures' planes, away from the apexes that see their middles; zero where that is in doubt."""
    normal = np.cross(aperture_m[:, 1] - aperture_m[:, 0], aperture_m[:, -1] - aperture_m[:, 0])
    size = np.linalg.norm(normal, axis=-1, keepdims=True)
    normal /= np.maximum(size, _SHORT_EDGE)
    away = np.sum(normal * middle_m, axis=-1, keepdims=True)
    return np.asarray(normal * np.sign(away) * ((size > _SHORT_EDGE) & (np.abs(away) > _SHORT_EDGE)))


def _without_repeats(polygon_m: Floats) -> tuple[Floats, Ints]:
    """Polygons without corners that repeat the one before, the last one then repeated; and how many each has."""
    apart = np.any(np.abs(polygon_m - np.roll(polygon_m, 1, axis=1)) > _SLIVER_M, axis=-1)
    apart[:, 0] |= ~apart.any(axis=1)
    return _in_front(polygon_m, apart)


def _in_front(polygon_m: Floats, kept: Bools) -> tuple[Floats, Ints]:
    """The corners kept of each polygon in their order, then the last of them repeated; and how many they are."""
    count = kept.sum(axis=1)
    in_order = np.argsort(~kept, axis=1, kind="stable")
    slot = np.minimum(np.arange(max(int(count.max(initial=1)), 1)), np.maximum(count - 1, 0)[:, None])
    row = np.arange(len(polygon_m))[:, None]
    return polygon_m[row, in_order[row, slot]], count


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
    n, corners = height.shape
    candidates = np.stack([polygon_m, crossing], axis=2).reshape(n, 2 * corners, 3)
    lit, count = _in_front(candidates, np.stack([inside, crosses], axis=2).reshape(n, 2 * corners))
    return lit, count > 0
