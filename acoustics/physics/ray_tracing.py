"""Rays in water whose sound speed changes with depth, linearly between rows: chains of circular arcs.

F. B. Jensen, W. A. Kuperman, M. B. Porter, H. Schmidt, Computational Ocean Acoustics, 2nd ed. (2011), chapter 3 (from
memory). By Snell's law ``xi = cos(theta) / c`` is constant along a ray. Where the gradient g is constant the sine of
the angle falls linearly with range, ``sin(theta) = sin(theta_1) - xi g (r - r_1)``, the ray is an arc of a circle of
radius ``1 / (xi |g|)``, and the time along it is ``(artanh(sin theta_1) - artanh(sin theta_2)) / g``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics._arcs import MOST_ARCS, Profile, Rays, along_arc, arc_time, start, to_next_row

_BEYOND_M = 1e6  # above and below the rows a ray on its way to being found may run


@record
class RayEnds:
    """Where rays are at their range; all of shape (n_rays,), NaN where one left the rows before.

    Parameters
    ----------
    depth_m : ndarray
        Depth [m].
    sin_angle : ndarray
        Sine of the angle below the horizontal [1].
    speed_m_s : ndarray
        Sound speed there [m/s].
    time_s : ndarray
        Travel time [s].
    passed : ndarray of int, shape (n_rays, n_passed)
        Rows of the profile that were passed and asked for, in order; -1 after the last.
    """

    depth_m: Floats
    sin_angle: Floats
    speed_m_s: Floats
    time_s: Floats
    passed: NDArray[np.int64]


def trace_rays(
    rows_m: Floats,
    speed_m_s: Floats,
    from_depth_m: Floats,
    angle: Floats,
    range_m: Floats,
    *,
    watched: NDArray[np.bool_] | None = None,
    timed: bool = True,
) -> RayEnds:
    """Follow rays to a range.

    Parameters
    ----------
    rows_m : ndarray, shape (n_rows,)
        Increasing depths [m].
    speed_m_s : ndarray, shape (n_rows,)
        Sound speed there [m/s], linear between.
    from_depth_m : ndarray, shape (n_rays,)
        Where each ray begins, within the rows [m].
    angle : ndarray, shape (n_rays,)
        Its angle below the horizontal there [rad], short of the vertical.
    range_m : ndarray, shape (n_rays,)
        Horizontal range to follow it to, over 0 [m].
    watched : ndarray of bool, shape (n_rows,), optional
        Rows whose passing is told; none by default.
    timed : bool
        Whether the travel times are wanted, which take a third of the work; without, they are NaN.

    Returns
    -------
    RayEnds

    Raises
    ------
    ParameterError
        A range so long that a ray is of more than `MOST_ARCS` arcs.
    """
    water = Profile.of(rows_m, speed_m_s)
    rays = start(water, from_depth_m, angle)
    z, sine, c, time = (np.full(len(rays.z), np.nan) for _ in range(4))
    spent, left = np.zeros(len(rays.z)), np.array(range_m, dtype=float)
    passed: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    going = np.arange(len(rays.z))
    for _ in range(MOST_ARCS):
        if not going.size:
            break
        slope, arc_m, then = to_next_row(water, rays)
        ends = arc_m >= left
        if ends.any():
            here, last = going[ends], rays.take(ends)
            z[here], sine[here] = along_arc(last, slope[ends], left[ends])
            c[here] = last.c + slope[ends] * (z[here] - last.z)
            if timed:
                time[here] = spent[ends] + arc_time(last.xi, slope[ends], left[ends], last.sine, sine[here])
        if watched is not None:
            row = then.layer + (then.sine <= 0)
            seen = ~ends & watched[row]
            passed.append((going[seen], row[seen]))
        on = ~ends & (then.layer >= 0) & (then.layer < len(rows_m) - 1)
        kept = slice(None) if on.all() else on  # most arcs end no ray, and picking is most of the work
        sine_before, arc_m, going, rays = rays.sine[kept], arc_m[kept], going[kept], then.take(kept)
        if timed:
            spent = spent[kept] + arc_time(rays.xi, slope[kept], arc_m, sine_before, rays.sine)
        left = left[kept] - arc_m
    if going.size:
        raise _too_far(range_m)
    return RayEnds(z, sine, c, time, _in_order(passed, len(z)))


def fan_depths(rows_m: Floats, speed_m_s: Floats, from_depth_m: float, angle: Floats, range_m: Floats) -> Floats:
    """Depths of rays from one place at several ranges, each ray followed once.

    Parameters
    ----------
    rows_m, speed_m_s : ndarray, shape (n_rows,)
        As for `trace_rays`.
    from_depth_m : float
        Where the rays begin, within the rows [m].
    angle : ndarray, shape (n_rays,)
        Their angles below the horizontal there [rad], short of the vertical.
    range_m : ndarray, shape (n_ranges,)
        Horizontal ranges, over 0 [m].

    Returns
    -------
    ndarray, shape (n_rays, n_ranges)
        Depth [m]; NaN from where a ray has left the rows.

    Raises
    ------
    ParameterError
        As `trace_rays` does.
    """
    order = np.argsort(range_m)
    ranges, n_rays = np.asarray(range_m, dtype=float)[order], len(angle)
    water = Profile.of(rows_m, speed_m_s)
    rays = start(water, np.full(n_rays, float(from_depth_m)), angle)
    going, begun = np.arange(n_rays), np.zeros(n_rays)
    # Which of the arcs, numbered as they are found, each ray is on at each range: the last that has begun.
    arcs: list[Floats] = []
    number, found = np.full((n_rays, len(ranges) + 1), -1), 0
    for _ in range(MOST_ARCS):
        if not going.size:
            break
        inside = (rays.layer >= 0) & (rays.layer < len(rows_m) - 1)
        number[going, np.searchsorted(ranges, begun)] = found + np.arange(len(going))
        found += len(going)
        rays = rays._replace(layer=np.clip(rays.layer, 0, len(rows_m) - 2), z=np.where(inside, rays.z, np.nan))
        slope, arc_m, then = to_next_row(water, rays)
        arcs.append(np.stack([begun, rays.z, rays.c, rays.sine, rays.xi, slope]))
        begun = begun + arc_m
        on = inside & (begun <= ranges[-1])
        begun, going, rays = begun[on], going[on], then.take(on)
    if going.size:
        raise _too_far(range_m)
    number = np.maximum.accumulate(number[:, :-1], axis=1)
    begun, z, c, sine, xi, slope = np.concatenate(arcs, axis=1)[:, number]
    depth = np.empty(number.shape)
    depth[:, order], _ = along_arc(Rays(z, c, sine, xi, number), slope, ranges - begun)
    return depth


def even_beyond(rows_m: Floats, speed_m_s: Floats) -> tuple[Floats, Floats]:
    """Rows [m] and speeds [m/s], (n + 2,), of the same water that is even above its first row and below its last."""
    rows = np.concatenate([[rows_m[0] - _BEYOND_M], rows_m, [rows_m[-1] + _BEYOND_M]])
    return rows, np.concatenate([speed_m_s[:1], speed_m_s, speed_m_s[-1:]])


def _too_far(range_m: Floats) -> ParameterError:
    return ParameterError(
        f"rays over {float(np.max(range_m)) / 1e3:,.1f} km cross the rows of the sound-speed profile more than "
        f"{MOST_ARCS:,} times; take a shorter range, or fewer rows (water.profile)"
    )


def _in_order(passed: list[tuple[NDArray[np.int64], NDArray[np.int64]]], count: int) -> NDArray[np.int64]:
    """Rows passed by each ray, shape (count, most), from those passed at each step."""
    rays = np.concatenate([ray for ray, _ in passed] or [np.zeros(0, dtype=np.int64)])
    rows = np.concatenate([row for _, row in passed] or [np.zeros(0, dtype=np.int64)])
    order = np.argsort(rays, kind="stable")
    rays, rows = rays[order], rows[order]
    number = np.arange(len(rays)) - np.searchsorted(rays, rays)
    table = np.full((count, int(number.max(initial=-1)) + 1), -1)
    table[rays, number] = rows
    return table
