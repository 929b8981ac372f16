"""Where a straight path passes through a solid body: a box, or a cylinder."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats

Bools = NDArray[np.bool_]

# Shares of the path shorter than this are a touch: a hydrophone that sits on a body is not inside it.
_TOUCH = 1e-9


def segment_meets_box(start_m: ArrayLike, end_m: ArrayLike, low_m: ArrayLike, high_m: ArrayLike) -> Bools:
    """Whether the straight line from start to end passes through the inside of a box.

    Parameters
    ----------
    start_m, end_m : array_like, shape (..., 3)
        Ends of the line; leading dimensions broadcast [m].
    low_m, high_m : array_like, shape (3,)
        Corners of the box, its edges along the axes [m].

    Returns
    -------
    ndarray of bool, shape (...)
        False for a line that only touches a face, an edge or a corner.

    Notes
    -----
    The box is the common part of three slabs; the line is inside all three over one interval (Kay & Kajiya 1986,
    SIGGRAPH Computer Graphics 20(4):269-278).
    """
    start, way = _start_and_way(start_m, end_m)
    near, far = _between(start, way, np.asarray(low_m, dtype=float), np.asarray(high_m, dtype=float))
    return _some_of_it(near.max(axis=-1), far.min(axis=-1))


def segment_meets_cylinder(
    start_m: ArrayLike, end_m: ArrayLike, from_m: ArrayLike, to_m: ArrayLike, radius_m: float
) -> Bools:
    """Whether the straight line from start to end passes through the inside of a solid cylinder with flat ends.

    Parameters
    ----------
    start_m, end_m : array_like, shape (..., 3)
        Ends of the line; leading dimensions broadcast [m].
    from_m, to_m : array_like, shape (3,)
        Centres of the cylinder's two ends, apart from each other [m].
    radius_m : float
        Its radius [m].

    Returns
    -------
    ndarray of bool, shape (...)
        False for a line that only touches the surface.
    """
    start, way = _start_and_way(start_m, end_m)
    base, length = np.asarray(from_m, dtype=float), float(np.linalg.norm(np.subtract(to_m, from_m)))
    axis = (np.asarray(to_m, dtype=float) - base) / length
    offset = start - base
    along, climb = offset @ axis, way @ axis
    near, far = _between(along, climb, np.zeros(()), np.full((), length))
    # Across the axis: |p + t q|^2 < radius^2.
    p, q = offset - along[..., None] * axis, way - climb[..., None] * axis
    a, b, c = (q * q).sum(axis=-1), (p * q).sum(axis=-1), (p * p).sum(axis=-1) - radius_m**2
    root = b * b - a * c
    slanted = a > _TOUCH**2 * length**2
    spread = np.sqrt(np.maximum(root, 0.0))
    inside_all_along = np.asarray(np.where(c < 0, np.inf, -np.inf))
    enters = np.divide(-b - spread, a, out=np.asarray(-inside_all_along), where=slanted)
    leaves = np.divide(-b + spread, a, out=inside_all_along.copy(), where=slanted)
    return _some_of_it(np.maximum(near, enters), np.minimum(far, leaves)) & (~slanted | (root > 0))


def _start_and_way(start_m: ArrayLike, end_m: ArrayLike) -> tuple[Floats, Floats]:
    start, end = np.broadcast_arrays(np.asarray(start_m, dtype=float), np.asarray(end_m, dtype=float))
    return start, end - start


def _between(start: Floats, way: Floats, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Share of the way at which `start + share * way` enters and leaves (low, high); empty where it never is inside."""
    level = way == 0
    safe = np.where(level, 1.0, way)
    first, second = (low - start) / safe, (high - start) / safe
    always = np.where((low < start) & (start < high), np.inf, -np.inf)
    near = np.where(level, -always, np.minimum(first, second))
    return near, np.where(level, always, np.maximum(first, second))


def _some_of_it(near: Floats, far: Floats) -> Bools:
    return np.asarray(np.minimum(far, 1.0) - np.maximum(near, 0.0) > _TOUCH)
