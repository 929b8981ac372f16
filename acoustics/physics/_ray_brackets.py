"""Angles of departure between which eigenrays lie: a fan, close where rays change quickly, and closer where they turn.

Two things make the depth of rays at a range change faster than an even fan can follow. A ray that becomes level at a
row parts those that turn before it from those that pass: about its angle the depth goes with the square root of the
difference, so the fan has rays about it in geometric steps. And at a caustic the depth turns back: two rays lead to a
receiver just before it, both between neighbours that pass on one side. There the place where it turns is looked for.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.physics.ray_tracing import fan_depths, trace_rays

FAN = 241
STEEPEST = np.deg2rad(89.5)
_FLATTER = 0.85  # a fan than the next steeper one
_NEAR = np.geomspace(1e-9, 1e-3, 7)  # square of the angle from that of a level ray: closer ones carry hardly any sound
_FLATTEST = 3e-3  # [rad]: flatter rays that start beside the slowest row are of very many arcs
_HALVINGS = 10


class Brackets(NamedTuple):
    """Which receivers and which of their depths pairs of neighbouring rays pass on both sides; all (n_brackets,)."""

    receiver: NDArray[np.int64]
    target: NDArray[np.int64]
    low: Floats
    high: Floats
    at_low: Floats
    at_high: Floats


class _Water(NamedTuple):
    rows_m: Floats
    speed_m_s: Floats
    from_depth_m: float


class _Turns(NamedTuple):
    """Three neighbouring rays, the middle one the nearest of them to a receiver's depth.

    `angle` [rad] and `miss` [m]: (3, n_turns); the others (n_turns,).
    """

    receiver: NDArray[np.int64]
    target: NDArray[np.int64]
    angle: Floats
    miss: Floats


def brackets(
    rows_m: Floats, speed_m_s: Floats, from_depth_m: float, to_depth_m: Floats, range_m: Floats, steepest: Floats
) -> Brackets:
    """Brackets of the angles [rad] and the misses there [m], sorted by receiver, depth and angle."""
    water = _Water(rows_m, speed_m_s, from_depth_m)
    flatter = np.floor(np.log(steepest / STEEPEST) / np.log(_FLATTER) + 1e-9).astype(np.int64)
    nothing = np.zeros(0)
    found = [Brackets(flatter[:0], flatter[:0], nothing, nothing, nothing, nothing)]
    for power in np.unique(flatter):
        some = np.flatnonzero(flatter == power)
        fan = _fan(water, STEEPEST * _FLATTER**power)
        depth = fan_depths(rows_m, speed_m_s, from_depth_m, fan, range_m[some])
        looked = np.minimum(np.abs(fan[1:]), np.abs(fan[:-1]))[:, None] <= steepest[some]
        looked &= np.isfinite(depth[1:]) & np.isfinite(depth[:-1])
        below = depth[..., None] > to_depth_m[some]  # (ray, receiver, depth)
        passed = (below[1:] != below[:-1]) & looked[..., None]
        gap, one, target = np.unravel_index(np.flatnonzero(passed), passed.shape)  # `nonzero` takes eight times as long
        aim = to_depth_m[some[one], target]
        found.append(
            Brackets(some[one], target, fan[gap], fan[gap + 1], depth[gap, one] - aim, depth[gap + 1, one] - aim)
        )
        found.append(_across_turns(water, range_m, to_depth_m, _turns(fan, depth, looked, some, to_depth_m)))
    joined = Brackets._make(np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.lexsort((joined.low, joined.target, joined.receiver))
    return Brackets._make(values[order] for values in joined)


def _fan(water: _Water, steepest: float) -> Floats:
    """Angles of departure up to the steepest [rad]: even, and close about those of rays level at a row."""
    speed = np.interp(water.from_depth_m, water.rows_m, water.speed_m_s)
    level = np.arccos(speed / np.unique(water.speed_m_s[water.speed_m_s >= speed]))
    square = (level**2)[:, None] + np.concatenate([-_NEAR, _NEAR])
    about = np.sqrt(square[(square > _FLATTEST**2) & (square < steepest**2)])
    return np.unique(np.concatenate([np.linspace(-steepest, steepest, FAN), about, -about]))


def _turns(
    fan: Floats, depth: Floats, looked: NDArray[np.bool_], some: NDArray[np.int64], to_depth_m: Floats
) -> _Turns:
    """Where the depth (ray, receiver) turns back short of one looked for, by no more than it changed between rays."""
    change = np.diff(depth, axis=0)
    peak = (change[1:] * change[:-1] < 0) & looked[1:] & looked[:-1]
    ray, one = np.nonzero(peak)
    receiver, ray = some[one], ray + 1
    short = to_depth_m[receiver] - depth[ray, one][:, None]  # (turn, depth)
    reach = np.maximum(np.abs(change[ray - 1, one]), np.abs(change[ray, one]))
    turn, target = np.nonzero((short * np.sign(change[ray - 1, one])[:, None] > 0) & (np.abs(short) < reach[:, None]))
    ray, one, receiver = ray[turn] + np.array([[-1], [0], [1]]), one[turn], receiver[turn]
    return _Turns(receiver, target, fan[ray], depth[ray, one] - to_depth_m[receiver, target])


def _across_turns(water: _Water, range_m: Floats, to_depth_m: Floats, turns: _Turns) -> Brackets:
    """Brackets on both sides of a ray beyond the depth looked for, where there is one as the depth turns back.

    The turn is closed in on: of five rays the nearest to that depth and its neighbours go on.
    """
    aim, across = to_depth_m[turns.receiver, turns.target], range_m[turns.receiver]
    beyond, its_miss = np.full(len(aim), np.nan), np.full(len(aim), np.nan)
    going, angle, miss = np.arange(len(aim)), turns.angle, turns.miss
    for _ in range(_HALVINGS):
        if not going.size:
            break
        between = 0.5 * (angle[1:] + angle[:-1])
        rays, begin = np.tile(going, 2), np.full(2 * len(going), water.from_depth_m)
        depth = trace_rays(water.rows_m, water.speed_m_s, begin, between.ravel(), across[rays], timed=False).depth_m
        angle = np.stack([angle[0], between[0], angle[1], between[1], angle[2]])
        miss = np.stack([miss[0], depth[: len(going)] - aim[going], miss[1], depth[len(going) :] - aim[going], miss[2]])
        short = np.where(np.isfinite(miss), miss * np.sign(miss[0]), np.inf)
        best, column = 1 + short[1:4].argmin(axis=0), np.arange(len(going))
        found = short[best, column] < 0
        beyond[going[found]], its_miss[going[found]] = angle[best, column][found], miss[best, column][found]
        rows, on = best[~found] + np.array([[-1], [0], [1]]), column[~found]
        going, angle, miss = going[on], angle[rows, on], miss[rows, on]
    hit = np.flatnonzero(np.isfinite(beyond))
    receiver, target = np.tile(turns.receiver[hit], 2), np.tile(turns.target[hit], 2)
    low, high = np.append(turns.angle[0, hit], beyond[hit]), np.append(beyond[hit], turns.angle[2, hit])
    at_low = np.append(turns.miss[0, hit], its_miss[hit])
    return Brackets(receiver, target, low, high, at_low, np.append(its_miss[hit], turns.miss[2, hit]))
