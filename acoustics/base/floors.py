"""Floors of one plane or of several that join at their edges: a slope, a shelf with a deep end, a hopper."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.frames import Floats
from acoustics.base.polygons import clipped, convex_hull
from acoustics.base.record import record


@record
class Floor:
    """Planes that meet in straight edges, the depth going on from one to the next.

    Parameters
    ----------
    planes : ndarray, shape (n_planes, 3)
        Coefficients (a, b, c) of depth = a + b x + c y [m, 1, 1].
    edges : ndarray, shape (n_planes, n_edges, 3)
        Where each plane counts: (u, v, w) with ``u x + v y <= w``; (0, 0, 0) for no edge.
    """

    planes: Floats
    edges: Floats

    def slack_m(self, place_m: ArrayLike) -> Floats:
        """How far places (..., 2 or more) are inside each plane's edges, shape (..., n_planes) [m]."""
        level = np.asarray(place_m, dtype=float)[..., :2]
        room = self.edges[..., 2] - np.einsum("...i,pei->...pe", level, self.edges[..., :2])
        return np.asarray(np.where(self.edges[..., :2].any(axis=-1), room, np.inf).min(axis=-1, initial=np.inf))

    def depth_m(self, place_m: ArrayLike) -> Floats:
        """Depth [m] below places of shape (..., 2 or more) [m]."""
        place = np.asarray(place_m, dtype=float)
        a, b, c = self.planes[0] if len(self.planes) == 1 else self.planes[self.slack_m(place).argmax(axis=-1)].T
        return np.asarray(a.T + b.T * place[..., 0] + c.T * place[..., 1])

    def parts_under(self, outline_m: ArrayLike) -> list[Floats]:
        """Convex hull (k, 3) of what of each plane lies under an outline (n, 2) [m]; fewer corners than 3: nothing."""
        parts = []
        for (a, b, c), edges in zip(self.planes, self.edges, strict=True):
            sides = edges[edges[:, :2].any(axis=-1)]
            level = convex_hull(clipped(outline_m, (sides[:, :2], sides[:, 2])))
            parts.append(np.column_stack([level, a + level @ (b, c)]))
        return parts

    def under(self, outline_m: ArrayLike) -> Floor:
        """The planes of which some part lies under an outline (n, 2) [m]."""
        some = [len(part) > 2 for part in self.parts_under(outline_m)]
        return Floor(self.planes[some], self.edges[some])


def plane_floor(points_m: ArrayLike) -> Floor:
    """The plane through three points (3, 3), x, y and depth [m], that do not lie on one line seen from above."""
    points = np.asarray(points_m, dtype=float)
    plane = np.linalg.solve(np.column_stack([np.ones(3), points[:, :2]]), points[:, 2])
    return Floor(plane[None], np.zeros((1, 0, 3)))


def profile_floor(profile_m: ArrayLike) -> Floor:
    """Depth by x alone: straight between rows (n, 2) of x and depth [m], x increasing; level beyond the ends."""
    x, depth = np.asarray(profile_m, dtype=float).T
    slope = np.concatenate([[0.0], np.diff(depth) / np.diff(x), [0.0]])
    begin = np.concatenate([x[:1], x])
    planes = np.column_stack([np.concatenate([depth[:1], depth]) - slope * begin, slope, np.zeros(len(x) + 1)])
    edges = np.zeros((len(planes), 2, 3))
    edges[1:, 0] = np.column_stack([-np.ones(len(x)), np.zeros(len(x)), -x])
    edges[:-1, 1] = np.column_stack([np.ones(len(x)), np.zeros(len(x)), x])
    return Floor(planes, edges)


def triangulated_floor(points_m: ArrayLike) -> Floor:
    """Planes over the triangles between points (n, 3), x, y and depth [m].

    B. Delaunay, Sur la sphere vide, Izv. Akad. Nauk SSSR 7, 793-800 (1934): no point lies inside the circle through a
    triangle's corners. Edges at the rim are left open: what is beyond it belongs to the triangle there.
    """
    from scipy.spatial import Delaunay  # here, for it takes long to load and a short command has no use for it

    points = np.asarray(points_m, dtype=float)
    triangles = Delaunay(points[:, :2])
    planes = np.concatenate([plane_floor(points[corners]).planes for corners in triangles.simplices])
    corners = points[triangles.simplices][..., :2]
    edges = np.zeros((len(planes), 3, 3))
    for k in range(3):  # the edge opposite to a corner, which is inside
        start, side = corners[:, (k + 1) % 3], corners[:, (k + 2) % 3] - corners[:, (k + 1) % 3]
        normal = np.stack([side[:, 1], -side[:, 0]], axis=-1) / np.linalg.norm(side, axis=-1, keepdims=True)
        normal *= -np.sign(np.sum(normal * (corners[:, k] - start), axis=-1, keepdims=True))
        edge = np.column_stack([normal, np.sum(normal * start, axis=-1)])
        edges[:, k] = np.where((triangles.neighbors[:, k] >= 0)[:, None], edge, 0.0)
    return Floor(planes, edges)
