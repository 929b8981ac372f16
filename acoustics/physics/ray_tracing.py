"""Rays in water whose sound speed changes with depth, linearly between rows: chains of circular arcs.

F. B. Jensen, W. A. Kuperman, M. B. Porter, H. Schmidt, Computational Ocean Acoustics, 2nd ed. (2011), chapter 3 (from
memory). By Snell's law ``xi = cos(theta) / c`` is constant along a ray. Where the gradient g is constant the sine of
the angle falls linearly with range, ``sin(theta) = sin(theta_1) - xi g (r - r_1)``, the ray is an arc of a circle of
radius ``1 / (xi |g|)``, and the time along it is ``(artanh(sin theta_1) - artanh(sin theta_2)) / g``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats

_TINY = 1e-6  # of g times time: below it the series of artanh is exact to rounding
_MOST_ARCS = 10_000
FAN = 241
LOUDEST = 3.0
_STEEPEST = np.deg2rad(89.5)
_TURN = 1e-6  # between the sides of a ray tube [rad]
_STEPS = 60
_MISS_M = 1e-9
_MET_M = 1e-5


@dataclass(frozen=True)
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

    Returns
    -------
    RayEnds
    """
    slopes = np.diff(speed_m_s) / np.diff(rows_m)
    z = np.array(from_depth_m, dtype=float)
    layer = np.clip(np.searchsorted(rows_m, z, side="right") - 1, 0, len(slopes) - 1)
    c = np.interp(z, rows_m, speed_m_s)
    xi, sine = np.cos(angle) / c, np.sin(angle)
    time, left = np.zeros_like(z), np.array(range_m, dtype=float)
    passed: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    going = np.arange(len(z))
    for _ in range(_MOST_ARCS):
        if not going.size:
            break
        at = layer[going]
        arc = _to_next_row(rows_m, speed_m_s, slopes[at], at, z[going], c[going], sine[going], xi[going])
        ends = arc.range_m >= left[going]
        step = np.where(ends, left[going], arc.range_m)
        turned = np.clip(sine[going] - xi[going] * slopes[at] * step, -1.0, 1.0)
        sine_then = np.where(ends, turned, arc.sine)
        time[going] += _arc_time(xi[going], slopes[at], step, sine[going], sine_then)
        level = xi[going] * c[going] + np.sqrt(1.0 - sine_then**2)
        deeper = np.where(ends, step * (sine[going] + sine_then) / level, 0.0)
        z[going] = np.where(ends, z[going] + deeper, arc.depth_m)
        c[going] = np.where(ends, c[going] + slopes[at] * deeper, arc.speed_m_s)
        sine[going] = sine_then
        left[going] -= step
        on = going[~ends]
        row = layer[on] + (sine[on] > 0)
        layer[on] += np.where(sine[on] > 0, 1, -1)
        if watched is not None:
            seen = watched[row]
            passed.append((on[seen], row[seen]))
        lost = (layer[on] < 0) | (layer[on] >= len(slopes))
        for values in (z, sine, c, time):
            values[on[lost]] = np.nan
        going = on[~lost]
    return RayEnds(z, sine, c, time, _in_order(passed, len(z)))


class _NextRow(NamedTuple):
    """Where rays leave their layers: range to it, and depth, sound speed and sine of the angle there."""

    range_m: Floats
    depth_m: Floats
    speed_m_s: Floats
    sine: Floats


def _to_next_row(
    rows_m: Floats,
    speed_m_s: Floats,
    slope: Floats,
    layer: NDArray[np.int64],
    z: Floats,
    c: Floats,
    sine: Floats,
    xi: Floats,
) -> _NextRow:
    down = np.where(sine != 0, sine > 0, slope < 0)
    far = layer + down
    turns = xi * speed_m_s[far] >= 1.0  # before it comes to the row ahead
    row = np.where(turns, layer + 1 - down, far)
    out = np.sqrt(np.maximum(1.0 - (xi * speed_m_s[row]) ** 2, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Written without the difference of two sines, which nearly cancel where the gradient is small.
        across = xi * (c + speed_m_s[row]) * np.abs(rows_m[row] - z) / (np.abs(sine) + out)
        reach = np.where(turns, (np.abs(sine) + out) / (xi * np.abs(slope)), across)
    reach = np.where(np.isfinite(reach), reach, np.inf)  # level in even water, or along the axis of a channel
    return _NextRow(reach, rows_m[row], speed_m_s[row], np.where(down ^ turns, out, -out))


def _arc_time(xi: Floats, slope: Floats, range_m: Floats, sine: Floats, sine_then: Floats) -> Floats:
    """Travel time along arcs of one gradient, by the difference of the two artanh in one."""
    q = xi * range_m / (1.0 - sine * sine_then)
    small = np.abs(slope * q) < _TINY
    g = np.where(small, 1.0, slope)
    return np.where(small, q, np.arctanh(g * q) / g)


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


@dataclass(frozen=True)
class Eigenrays:
    """Rays between given places, sorted by pair, then depth, then angle; all of shape (n_rays,).

    Parameters
    ----------
    pair, target : ndarray of int
        Which pair of places each joins, and which of its depths.
    angle : ndarray
        Below the horizontal at the source [rad].
    ends : RayEnds
        At the receiver.
    amplitude : ndarray
        Pressure over that at 1 m, by the width of the ray tube [1]; no more than `LOUDEST` times that of spherical
        spreading, since rays say too much near a caustic.
    caustics : ndarray of int
        1 where the tube has crossed itself an odd number of times, else 0.
    """

    pair: NDArray[np.int64]
    target: NDArray[np.int64]
    angle: Floats
    ends: RayEnds
    amplitude: Floats
    caustics: NDArray[np.int64]


def eigenrays(
    rows_m: Floats,
    speed_m_s: Floats,
    from_depth_m: Floats,
    to_depth_m: Floats,
    range_m: Floats,
    *,
    steepest: Floats | None = None,
    watched: NDArray[np.bool_] | None = None,
) -> Eigenrays:
    """Rays that lead from sources to receivers, by bracketing on the angle of departure.

    Parameters
    ----------
    rows_m, speed_m_s : ndarray, shape (n_rows,)
        As for `trace_rays`.
    from_depth_m, range_m : ndarray, shape (n_pairs,)
        Depth of the source, and the horizontal range to the receiver [m].
    to_depth_m : ndarray, shape (n_pairs, n_depths)
        Depths of the receiver: its own, and those of its mirror images in unfolded water [m].
    steepest : ndarray, shape (n_pairs,), optional
        Steepest angles of departure to look at [rad]; short of the vertical by default.
    watched : ndarray of bool, shape (n_rows,), optional
        As for `trace_rays`.

    Returns
    -------
    Eigenrays

    Notes
    -----
    A fan of `FAN` rays is sent to every receiver. Where two neighbours pass on both sides of it one is between them,
    found by the secant method held within its bracket (Illinois). Two in one gap, close to a caustic, are missed.
    Pressure: ``|A|^2 = (c_r / c_s) cos(theta_s) / (r |dz/dtheta_s| cos(theta_r))`` (Jensen and others 2011, section
    3.3.5, from memory).
    """
    source, receiver, across = (np.asarray(v, dtype=float) for v in (from_depth_m, to_depth_m, range_m))
    limit = np.full(len(source), _STEEPEST) if steepest is None else np.minimum(steepest, _STEEPEST)
    fan = np.linspace(-1.0, 1.0, FAN)[:, None] * limit
    each = np.broadcast_to(np.arange(len(source)), fan.shape).ravel()
    depth = trace_rays(rows_m, speed_m_s, source[each], fan.ravel(), across[each]).depth_m
    off = np.moveaxis(depth.reshape(fan.shape)[..., None] - receiver, 0, -1)  # (pair, depth, ray)
    # A ray that meets it exactly belongs to the gap above alone.
    pair, target, gap = np.nonzero((off[..., :-1] * off[..., 1:] <= 0) & (off[..., 1:] != 0))
    bracket = (fan[gap, pair], fan[gap + 1, pair], off[pair, target, gap], off[pair, target, gap + 1])

    def miss(angle: Floats) -> Floats:
        ends = trace_rays(rows_m, speed_m_s, source[pair], angle, across[pair])
        return ends.depth_m - receiver[pair, target]

    angle = _root(miss, *bracket)
    # Where a ray level at a row of most speed parts those above from those below, signs change without one between.
    met = np.abs(miss(angle)) < _MET_M
    pair, target, angle = pair[met], target[met], angle[met]
    ends = trace_rays(rows_m, speed_m_s, source[pair], angle, across[pair], watched=watched)
    wide = (miss(angle + _TURN) - miss(angle - _TURN)) / (2 * _TURN)
    level = np.sqrt(1.0 - ends.sin_angle**2)
    tube = across[pair] * np.maximum(np.abs(wide), 1e-12) * level
    speed_there = np.interp(source[pair], rows_m, speed_m_s)
    spherical = 1.0 / np.hypot(across[pair], receiver[pair, target] - source[pair])
    amplitude = np.minimum(np.sqrt(ends.speed_m_s / speed_there * np.cos(angle) / tube), LOUDEST * spherical)
    return Eigenrays(pair, target, angle, ends, amplitude, (wide < 0).astype(np.int64))


def _root(miss: Callable[[Floats], Floats], low: Floats, high: Floats, at_low: Floats, at_high: Floats) -> Floats:
    """Angles between `low` and `high` at which rays miss by nothing; the misses there are of unlike sign.

    The secant method with the misses of an end halved that stays: M. Dowell and P. Jarratt, A modified regula falsi
    method for computing the root of an equation, BIT 11, 168-174 (1971).
    """
    low, high, at_low, at_high = low.copy(), high.copy(), at_low.copy(), at_high.copy()
    angle = low
    for _ in range(_STEPS):
        span = at_high - at_low
        angle = low - at_low * np.divide(high - low, span, out=np.zeros_like(span), where=span != 0)
        here = miss(angle)
        if not np.any(np.abs(here) > _MISS_M):
            break
        same = np.sign(here) == np.sign(at_high)
        at_low = np.where(same, 0.5 * at_low, here)
        at_high = np.where(same, here, 0.5 * at_high)
        low, high = np.where(same, low, angle), np.where(same, angle, high)
    return angle
