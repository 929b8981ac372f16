"""Polygons seen from above: area, moments, what lies inside, and where straight ways meet them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats

HalfPlanes = tuple[Floats, Floats]


def signed_area(corners: ArrayLike) -> float:
    """Area of a simple polygon with corners (k, 2) in order; positive where they turn from x to y."""
    start = np.asarray(corners, dtype=float)
    end = np.roll(start, -1, axis=0)
    return 0.5 * float(np.sum(start[:, 0] * end[:, 1] - end[:, 0] * start[:, 1]))


def uniform_moments(corners: ArrayLike) -> tuple[Floats, Floats]:
    """Mean (2,) and covariance (2, 2) of a place drawn evenly over a simple polygon with corners (k, 2) in order.

    Sums over triangles with the middle of the corners: a triangle's second moment about that is its area over 12 times
    the sum of ``v v^T`` of its corners and of ``s s^T`` of their sum s.
    """
    places = np.asarray(corners, dtype=float)
    first = places.mean(axis=0)
    a, b = places - first, np.roll(places, -1, axis=0) - first
    areas = 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    total = areas.sum()
    mean = np.sum(areas[:, None] * (a + b), axis=0) / (3.0 * total)
    squares = sum(np.einsum("ki,kj->kij", v, v) for v in (a, b, a + b))
    second = np.sum(areas[:, None, None] * squares, axis=0) / (12.0 * total)
    return first + mean, second - np.outer(mean, mean)


def half_planes(corners: ArrayLike) -> HalfPlanes:
    """Outward unit normals (k, 2) and offsets (k,) of a simple polygon's sides, corners in order, either way round.

    Inside a convex one ``normal . x <= offset`` for every side.
    """
    start = np.asarray(corners, dtype=float)
    side = np.roll(start, -1, axis=0) - start
    normal = np.stack([side[:, 1], -side[:, 0]], axis=-1) * np.sign(signed_area(start))
    normal = normal / np.hypot(normal[:, :1], normal[:, 1:])
    return normal, np.sum(normal * start, axis=-1)


def meeting_places(sides: HalfPlanes) -> Floats:
    """Corners (k, 2) where the edge of each of k half planes meets that of the one before: undoes `half_planes`."""
    normal, offset = sides
    pairs = np.stack([np.roll(normal, 1, axis=0), normal], axis=1)
    return np.asarray(np.linalg.solve(pairs, np.stack([np.roll(offset, 1), offset], axis=-1)[..., None])[..., 0])


def corner_turns(corners: ArrayLike) -> Floats:
    """Angle by which the outline turns at each of its corners (k, 2), shape (k,) [rad]; positive from x to y.

    They add up to a full turn, either way, where the outline does not cross itself; all are of one sign where it is
    convex.
    """
    start = np.asarray(corners, dtype=float)
    after = np.roll(start, -1, axis=0) - start
    before = np.roll(after, 1, axis=0)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(np.arctan2(cross, np.sum(before * after, axis=1)))


def slack(places: Floats, sides: HalfPlanes) -> Floats:
    """How far places (..., 2) are from each of k half planes' edges, shape (k, ...), positive inside."""
    normal, offset = sides
    return np.moveaxis(offset - places @ normal.T, -1, 0)


def inside_all(places: Floats, sides: HalfPlanes) -> NDArray[np.bool_]:
    """Whether places (..., 2) lie in all half planes, edges included; in none at all they do."""
    return np.all(slack(places, sides) >= 0, axis=0)


def inside_along(corners: ArrayLike, from_m: Floats, azimuth: Floats) -> tuple[Floats, Floats]:
    """Distances at which rays enter and leave a convex polygon, shape (n,); both 1 where they miss it.

    Parameters
    ----------
    corners : array_like, shape (k, 2)
        In order.
    from_m : ndarray, shape (n, 2)
        Where the rays begin, inside or outside.
    azimuth : ndarray, shape (n,)
        Their directions, from x towards y [rad].
    """
    normal, offset = half_planes(corners)
    depth = offset - from_m @ normal.T
    loss = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=-1) @ normal.T
    crossing = np.divide(depth, loss, out=np.zeros_like(depth), where=loss != 0)
    enters = np.where(loss < 0, crossing, np.where((loss == 0) & (depth < 0), np.inf, 0.0)).max(axis=-1)
    leaves = np.where(loss > 0, crossing, np.inf).min(axis=-1)
    enters = np.maximum(enters, 0.0)
    missed = ~(leaves > enters)
    return np.where(missed, 1.0, enters), np.where(missed, 1.0, leaves)


def contains(corners: ArrayLike, places: ArrayLike) -> NDArray[np.bool_]:
    """Whether places (..., 2 or more) lie inside a simple polygon, convex or not, with corners (k, 2) in order.

    A ray from a place inside meets the sides an odd number of times.
    """
    start, place = np.asarray(corners, dtype=float), np.asarray(places, dtype=float)[..., None, :]
    end = np.roll(start, -1, axis=0)
    spans = (start[:, 1] > place[..., 1]) != (end[:, 1] > place[..., 1])
    rise = np.where(spans, end[:, 1] - start[:, 1], 1.0)  # others meet no ray
    meets = start[:, 0] + (place[..., 1] - start[:, 1]) * (end[:, 0] - start[:, 0]) / rise
    return np.asarray(np.sum(spans & (place[..., 0] < meets), axis=-1) % 2 == 1)


def leaves(corners: ArrayLike, from_m: ArrayLike, to_m: ArrayLike) -> NDArray[np.bool_]:
    """Whether straight ways between places (..., 2 or more) inside a simple polygon lead out of it."""
    start = np.asarray(corners, dtype=float)
    a, b = (np.asarray(place, dtype=float)[..., None, :2] for place in (from_m, to_m))
    crosses = np.any(cross_properly(a, b, start, np.roll(start, -1, axis=0)), axis=-1)
    # A way out and in again exactly through corners crosses no side properly; its middle is outside.
    return np.asarray(crosses | (clearance(start, 0.5 * (a + b)[..., 0, :]) < 0))


def corners_moved(corners: ArrayLike, outwards_m: float) -> Floats:
    """The corners (k, 2) of a simple polygon, each moved a way out along the middle of its two sides' normals."""
    start = np.asarray(corners, dtype=float)
    outward, _ = half_planes(start)
    both = outward + np.roll(outward, 1, axis=0)
    return start + outwards_m * both / np.maximum(np.linalg.norm(both, axis=-1, keepdims=True), 1e-9)


def distances_to_sides(corners: ArrayLike, places: ArrayLike) -> Floats:
    """Distances (..., k) of places (..., 2 or more) from each side of a polygon with corners (k, 2) in order."""
    start, place = np.asarray(corners, dtype=float), np.asarray(places, dtype=float)[..., None, :2]
    side = np.roll(start, -1, axis=0) - start
    share = np.sum((place - start) * side, axis=-1) / np.maximum(np.sum(side**2, axis=-1), 1e-300)
    return np.asarray(np.linalg.norm(place - start - np.clip(share, 0.0, 1.0)[..., None] * side, axis=-1))


def clearance(corners: ArrayLike, places: ArrayLike) -> Floats:
    """Distance (...) of places (..., 2 or more) from the edge of a simple polygon, convex or not; negative outside."""
    return np.where(contains(corners, places), 1.0, -1.0) * distances_to_sides(corners, places).min(axis=-1)


def is_simple(corners: ArrayLike, *, apart: float = 1e-6) -> bool:
    """Whether no two sides of a polygon that are not neighbours cross or come within a distance of each other."""
    start = np.asarray(corners, dtype=float)
    end, count = np.roll(start, -1, axis=0), len(start)
    first, second = np.triu_indices(count, 2)
    parted = (second - first) < count - 1  # the last side is the first one's neighbour
    first, second = first[parted], second[parted]
    crosses = cross_properly(start[first], end[first], start[second], end[second])
    gap = distances_to_sides(start, start)  # (corner, side)
    own = np.eye(count, dtype=bool)
    gap[own | np.roll(own, -1, axis=1)] = np.inf  # a corner is on the sides that meet in it
    return not crosses.any() and bool(gap.min() > apart)


def convex_hull(corners: ArrayLike) -> Floats:
    """Corners (m, 2) of the smallest convex polygon round places (k, 2 or more), turning from x to y.

    A. M. Andrew, Another efficient algorithm for convex hulls in two dimensions, Inf. Process. Lett. 9, 216-219 (1979).
    """
    places = np.unique(np.asarray(corners, dtype=float)[:, :2], axis=0)  # sorted by x, then y
    if len(places) < 3:
        return places

    def chain(points: Floats) -> list[Floats]:
        kept: list[Floats] = []
        for point in points:
            while len(kept) > 1 and np.linalg.det([kept[-1] - kept[-2], point - kept[-1]]) <= 0:
                kept.pop()
            kept.append(point)
        return kept[:-1]

    return np.array(chain(places) + chain(places[::-1]))


def clipped(corners: ArrayLike, sides: HalfPlanes) -> Floats:
    """Corners (m, 2) of the part of a polygon in all of some half planes; none where no part is.

    I. E. Sutherland and G. W. Hodgman, Reentrant polygon clipping, Comm. ACM 17, 32-42 (1974). The parts of a polygon
    that is not convex stay joined by lines along the half planes' edges.
    """
    kept = np.asarray(corners, dtype=float)
    for normal, offset in zip(*sides, strict=True):
        depth = offset - kept @ normal
        after, fall = np.roll(kept, -1, axis=0), depth - np.roll(depth, -1)
        crosses = (depth > 0) != (np.roll(depth, -1) > 0)
        share = np.divide(depth, fall, out=np.zeros_like(depth), where=crosses)
        both = np.stack([kept, kept + share[:, None] * (after - kept)], axis=1).reshape(-1, 2)
        kept = both[np.stack([depth > 0, crosses], axis=1).ravel()]
    return kept


def cross_properly(a: Floats, b: Floats, c: Floats, d: Floats) -> NDArray[np.bool_]:
    """Whether segments a-b and c-d, each end of shape (..., 2), cross at a place that is no end of either."""

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])

    parted = side(a, b, c) * side(a, b, d) < 0
    return np.asarray(parted & (side(c, d, a) * side(c, d, b) < 0))
