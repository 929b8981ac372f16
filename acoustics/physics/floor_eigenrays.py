"""Rays that lead from a source to receivers between a surface and a floor of planes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from acoustics.base.floors import Floor
from acoustics.base.frames import Floats
from acoustics.physics.eigenrays import FAN, LOUDEST, MET_M, MISS_M, STEEPEST, TURN, root_between
from acoustics.physics.floor_rays import Landings, in_storey, trace_over_floor

_AT_ONCE = 300  # receivers whose fans are followed together
_STEPS = 8
_NARROW = 1e-8  # [rad]: nothing is between that Newton's method does not find
_NEAR_M = 1e-3
_SAME_ANGLE = 1e-8  # [rad]
_LARGEST_STEP = 0.1  # [rad]


@dataclass(frozen=True)
class FloorEigenrays:
    """Rays sorted by receiver, then storey, then angle; all of shape (n_rays,).

    Parameters
    ----------
    receiver, storey : ndarray of int
        Which receiver each leads to, and in which storey of the unfolded water.
    ends : Landings
        At the receiver.
    amplitude : ndarray
        Pressure over that at 1 m, by the section of the ray tube [1]; limited as that of `Eigenrays`.
    caustics : ndarray of int
        1 where the tube has crossed itself an odd number of times, else 0.
    """

    receiver: NDArray[np.int64]
    storey: NDArray[np.int64]
    ends: Landings
    amplitude: Floats
    caustics: NDArray[np.int64]


def floor_eigenrays(
    rows_m: Floats,
    speed_m_s: Floats,
    floor: Floor,
    from_m: Floats,
    to_m: Floats,
    storeys: NDArray[np.int64],
    steepest: Floats,
    longest_s: Floats,
) -> FloorEigenrays:
    """Rays from a source to receivers.

    Parameters
    ----------
    rows_m, speed_m_s, floor, from_m
        As for `trace_over_floor`.
    to_m : ndarray, shape (n_receivers, 3)
        Receivers [m], none above or below the source.
    storeys : ndarray of int, shape (n_storeys,)
        Storeys to look for.
    steepest : ndarray, shape (n_receivers,)
        Steepest angles of departure to look at [rad].
    longest_s : ndarray, shape (n_receivers,)
        Longest travel times of interest [s].

    Returns
    -------
    FloorEigenrays

    Raises
    ------
    ParameterError
        As `trace_over_floor` does.

    Notes
    -----
    A fan of rays that leave towards each receiver brackets the angles at which one passes its depth in a storey, as in
    `eigenrays`. A floor that slopes across the way pushes rays aside: from the angle found, Newton's method on both
    angles of departure, by numerical derivatives, meets the receiver. Rays that turn back on their way are left out.
    Pressure: ``|A|^2 = (c_r / c_s) cos(theta_s) / (|det| (t . e))``, with det that of across and depth by both angles
    of departure, t the ray's direction at the receiver and e the way to it: Jensen and others (2011), section 3.3.5,
    written for a tube that is not symmetric.
    """
    aim = in_storey(storeys, floor.depth_m(to_m)[:, None], to_m[:, 2:])  # (receiver, storey)

    def trace(which: NDArray[np.int64], angle: Floats, turn: Floats, longest_s: Floats | None = None) -> Landings:
        longest = np.full(len(which), np.inf) if longest_s is None else longest_s[which]
        return trace_over_floor(rows_m, speed_m_s, floor, from_m, to_m[which], angle, turn, longest)

    receiver, target, *bracket = _brackets(trace, aim, np.minimum(steepest, STEEPEST), longest_s)

    def miss(angle: Floats, which: NDArray[np.int64]) -> Floats:
        landed = trace(receiver[which], angle, np.zeros(len(which)))
        return landed.unfolded_m - aim[receiver[which], target[which]]

    # At an edge of the floor depths leap, so that signs change without a ray between.
    angle, missed = root_between(miss, *bracket, narrow=_NARROW)
    near = np.abs(missed) < _NEAR_M
    receiver, target, angle = receiver[near], target[near], angle[near]
    turn = np.zeros(len(angle))
    off, slope = _misses(trace, aim, receiver, target, angle, turn)
    for _ in range(_STEPS):
        left = np.flatnonzero((np.abs(np.linalg.det(slope)) > 0) & (np.abs(off).max(axis=1) > MISS_M))
        if not left.size:
            break
        step = np.clip(np.linalg.solve(slope[left], off[left, :, None])[..., 0], -_LARGEST_STEP, _LARGEST_STEP)
        angle[left] = np.clip(angle[left] - step[:, 0], -STEEPEST, STEEPEST)
        turn[left] -= step[:, 1]
        off[left], slope[left] = _misses(trace, aim, receiver[left], target[left], angle[left], turn[left])
    again = (np.diff(receiver) == 0) & (np.diff(target) == 0) & (np.abs(np.diff(angle)) < _SAME_ANGLE)
    det = np.linalg.det(slope)
    met = np.flatnonzero((np.abs(off).max(axis=1) < MET_M) & (np.abs(det) > 0) & ~np.append(again, False))
    receiver, target, ends = receiver[met], target[met], trace(receiver[met], angle[met], turn[met])
    det, away = det[met], to_m[receiver] - from_m
    ahead = np.einsum("ni,ni->n", ends.heading[:, :2], away[:, :2]) / np.linalg.norm(away[:, :2], axis=1)
    speed_there = np.interp(from_m[2], rows_m, speed_m_s)
    tube = np.maximum(np.abs(det), 1e-12) * ahead
    # Spherical spreading over the length of the way, not of the straight line: many reflections are not near a caustic.
    spherical = 1.0 / np.hypot(np.linalg.norm(away[:, :2], axis=1), aim[receiver, target] - from_m[2])
    amplitude = np.minimum(np.sqrt(ends.speed_m_s / speed_there * np.cos(angle[met]) / tube), LOUDEST * spherical)
    return FloorEigenrays(receiver, storeys[target], ends, amplitude, (det < 0).astype(np.int64))


class _Trace(Protocol):
    """Lands rays at receivers, by their index, angle and turn, if asked in the time that each receiver allows."""

    def __call__(
        self, which: NDArray[np.int64], angle: Floats, turn: Floats, longest_s: Floats | None = None, /
    ) -> Landings: ...


def _brackets(
    trace: _Trace, aim: Floats, steepest: Floats, longest_s: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats, Floats, Floats]:
    """Receivers and targets between neighbours of a fan; the angles of both [rad] and their misses [m]."""
    found = []
    fan, number = np.linspace(0.0, 1.0, FAN), np.arange(FAN)
    for begin in range(0, len(aim), _AT_ONCE):
        some = np.arange(begin, min(begin + _AT_ONCE, len(aim)))
        which = np.repeat(some, FAN)
        lowest, highest = -steepest[some], steepest[some]
        for in_time in (longest_s, None):  # most of a first fan is too steep to come so far in time
            angle = lowest[:, None] + fan * (highest - lowest)[:, None]
            depth = trace(which, angle.ravel(), np.zeros(which.size), in_time).unfolded_m.reshape(angle.shape)
            comes = np.isfinite(depth)
            first, last = np.where(comes, number, FAN).min(axis=1), np.where(comes, number, -1).max(axis=1)
            rows = np.arange(len(some))
            lowest, highest = angle[rows, np.maximum(first - 1, 0) % FAN], angle[rows, np.minimum(last + 1, FAN - 1)]
        off = depth[:, None] - aim[some, :, None]  # (receiver, storey, ray)
        between = ((off[..., 1:] > 0) != (off[..., :-1] > 0)) & np.isfinite(off[..., 1:] + off[..., :-1])
        one, target, gap = np.nonzero(between)
        ends = angle[one, gap], angle[one, gap + 1], off[one, target, gap], off[one, target, gap + 1]
        found.append((some[one], target, *ends))
    receiver, target, low, high, at_low, at_high = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return receiver, target, low, high, at_low, at_high


def _misses(
    trace: _Trace,
    aim: Floats,
    receiver: NDArray[np.int64],
    target: NDArray[np.int64],
    angle: Floats,
    turn: Floats,
) -> tuple[Floats, Floats]:
    """By what rays miss, in unfolded depth and across, (n, 2) [m], and its derivative by angle and turn (n, 2, 2)."""
    aside = TURN * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    angles, turns = (angle + aside[:, :1]).ravel(), (turn + aside[:, 1:]).ravel()
    landed = trace(np.tile(receiver, len(aside)), angles, turns)
    there = np.stack([landed.unfolded_m, landed.across_m], axis=1).reshape(len(aside), len(angle), 2)
    slope = np.stack([there[1] - there[2], there[3] - there[4]], axis=-1) / (2 * TURN)
    slope[np.isnan(slope).any(axis=(1, 2))] = 0.0  # a ray beside it does not come so far
    return there[0] - np.column_stack([aim[receiver, target], np.zeros(len(angle))]), slope
