"""Rays that lead from a source to receivers between a surface and a floor of planes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.floors import Floor
from acoustics.base.frames import Floats, direction
from acoustics.base.record import record
from acoustics.physics._ray_brackets import FAN, STEEPEST
from acoustics.physics.eigenrays import LOUDEST, MET_M, MISS_M, TURN
from acoustics.physics.floor_rays import Landings, in_storey, trace_over_floor

Ints = NDArray[np.int64]

_TOGETHER = 0.06  # of the range, and [rad]: receivers no farther apart share a fan
_FIRST_FAN = 81  # most of it is too steep to come so far in time
_AT_ONCE = 300  # receivers whose fans are compared with their depths together
_STEPS = 8
_PARTS, _FINER = 32, 1  # into how many a bracket is parted, and how often, where Newton's method does not meet
_SHRINKS = 1.0  # of the miss before: where it does not fall so far, the way leads nowhere
_SAME_ANGLE = 1e-8  # [rad]
_LARGEST_STEP = 0.1  # [rad]


@record
class FloorEigenrays:
    """Rays sorted by receiver, then storey, then angle; all of shape (n_rays,).

    Parameters
    ----------
    receiver, storey : ndarray of int
        Which receiver each leads to, and in which storey of the unfolded water.
    departure : ndarray, shape (n_rays, 3)
        Direction at the source, unit vectors.
    ends : Landings
        At the receiver.
    amplitude : ndarray
        Pressure over that at 1 m, by the section of the ray tube [1]; limited as that of `Eigenrays`.
    caustics : ndarray of int
        1 where the tube has crossed itself an odd number of times, else 0.
    """

    receiver: Ints
    storey: Ints
    departure: Floats
    ends: Landings
    amplitude: Floats
    caustics: Ints


def floor_eigenrays(
    rows_m: Floats,
    speed_m_s: Floats,
    floor: Floor,
    from_m: Floats,
    to_m: Floats,
    storeys: Ints,
    steepest: Floats,
    longest_s: Floats,
    *,
    reflected: bool = True,
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
    reflected : bool
        Whether to look for others than direct rays.

    Returns
    -------
    FloorEigenrays

    Raises
    ------
    ParameterError
        As `trace_over_floor` does.

    Notes
    -----
    Receivers close together share a fan of rays, which leave towards their middle. Each ray goes on from there as
    straight as it comes, so that two neighbours may pass a receiver's depth in a storey on both sides. From the angle
    between them Newton's method on both angles of departure, by numerical derivatives, meets the receiver: a floor that
    slopes across the way pushes rays aside. What it does not find is looked for by more rays between the two, sent
    towards the receiver itself; at an edge of the floor depths leap, so that there may be none. Rays that turn back on
    their way are left out.
    Pressure: ``|A|^2 = (c_r / c_s) cos(theta_s) / (|det| (t . e))``, with det that of across and depth by both angles
    of departure, t the ray's direction at the receiver and e the way to it: Jensen and others (2011), section 3.3.5,
    written for a tube that is not symmetric.
    """
    aim = in_storey(storeys, floor.depth_m(to_m)[:, None], to_m[:, 2:])  # (receiver, storey)
    aims = _Aims(_Water(rows_m, speed_m_s, floor, np.asarray(from_m, dtype=float), reflected), to_m, aim)
    receiver, target, angle, turn = _roots(aims, _brackets(aims, np.minimum(steepest, STEEPEST), longest_s))
    det = np.linalg.det(aims.slopes(receiver, target, angle, turn))
    ends = aims.trace(receiver, angle, turn)
    away = to_m[receiver] - from_m
    ahead = np.einsum("ni,ni->n", ends.heading[:, :2], away[:, :2]) / np.linalg.norm(away[:, :2], axis=1)
    speed_there = np.interp(from_m[2], rows_m, speed_m_s)
    tube = np.maximum(np.abs(det), 1e-12) * ahead
    # Spherical spreading over the length of the way, not of the straight line: many reflections are not near a caustic.
    spherical = 1.0 / np.hypot(np.linalg.norm(away[:, :2], axis=1), aim[receiver, target] - from_m[2])
    amplitude = np.minimum(np.sqrt(ends.speed_m_s / speed_there * np.cos(angle) / tube), LOUDEST * spherical)
    azimuth = np.arctan2(away[:, 1], away[:, 0]) + turn
    departure = direction(azimuth, angle)
    return FloorEigenrays(receiver, storeys[target], departure, ends, amplitude, (det < 0).astype(np.int64))


class _Water(NamedTuple):
    """What rays run through, and where they begin."""

    rows_m: Floats
    speed_m_s: Floats
    floor: Floor
    from_m: Floats
    reflected: bool

    def trace(self, to_m: Floats, angle: Floats, turn: Floats, longest_s: Floats) -> Landings:
        return trace_over_floor(*self[:-1], to_m, angle, turn, longest_s, reflected=self.reflected)


class _Aims(NamedTuple):
    """Receivers (n_receivers, 3) and their unfolded depths (n_receivers, n_storeys) [m]."""

    water: _Water
    to_m: Floats
    unfolded_m: Floats

    def trace(self, receiver: Ints, angle: Floats, turn: Floats) -> Landings:
        return self.water.trace(self.to_m[receiver], angle, turn, np.full(len(angle), np.inf))

    def misses(self, receiver: Ints, target: Ints, angle: Floats, turn: Floats) -> Floats:
        """By what rays miss, in unfolded depth and across, (n, 2) [m]; NaN where one does not come so far."""
        landed = self.trace(receiver, angle, turn)
        return np.column_stack([landed.unfolded_m - self.unfolded_m[receiver, target], landed.across_m])

    def slopes(self, receiver: Ints, target: Ints, angle: Floats, turn: Floats) -> Floats:
        """Derivative of that by angle and turn, (n, 2, 2); 0 where a ray beside does not come so far."""
        aside = TURN * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        angles, turns = (angle + aside[:, :1]).ravel(), (turn + aside[:, 1:]).ravel()
        up, down, right, left = self.misses(np.tile(receiver, 4), np.tile(target, 4), angles, turns).reshape(4, -1, 2)
        slope = np.stack([up - down, right - left], axis=-1) / (2 * TURN)
        slope[np.isnan(slope).any(axis=(1, 2))] = 0.0
        return slope


class _Brackets(NamedTuple):
    """Pairs of neighbouring rays that pass a receiver's depth in a storey on both sides; all (n_brackets,)."""

    receiver: Ints
    target: Ints
    low: Floats
    high: Floats
    at_low: Floats
    at_high: Floats

    def take(self, which: Ints) -> _Brackets:
        return _Brackets._make(values[which] for values in self)


def _roots(aims: _Aims, brackets: _Brackets) -> tuple[Ints, Ints, Floats, Floats]:
    """Receiver, target, angle and turn of each ray that meets its receiver, sorted by them."""
    found = []
    for finer in (False, *[True] * _FINER):
        if finer:
            brackets = _finer(aims, brackets)
        between = brackets.at_low / (brackets.at_high - brackets.at_low)
        angle, turn, met = _met(
            aims, brackets.receiver, brackets.target, brackets.low - between * (brackets.high - brackets.low)
        )
        met &= _first_of_alike(brackets.receiver, brackets.target, angle)
        found.append((brackets.receiver[met], brackets.target[met], angle[met], turn[met]))
        brackets = brackets.take(np.flatnonzero(~met))
    receiver, target, angle, turn = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.lexsort((angle, target, receiver))
    order = order[_first_of_alike(receiver, target, angle)[order]]
    return receiver[order], target[order], angle[order], turn[order]


def _finer(aims: _Aims, brackets: _Brackets) -> _Brackets:
    """Narrower brackets within those, by rays sent towards the receivers themselves."""
    share = np.linspace(0.0, 1.0, _PARTS + 1)
    angle = brackets.low[:, None] + share * (brackets.high - brackets.low)[:, None]
    receiver, target = np.repeat(brackets.receiver, _PARTS + 1), np.repeat(brackets.target, _PARTS + 1)
    off = aims.misses(receiver, target, angle.ravel(), np.zeros(angle.size))[:, 0].reshape(angle.shape)
    one, gap = np.nonzero(_crossed(off))
    ends = angle[one, gap], angle[one, gap + 1], off[one, gap], off[one, gap + 1]
    return _Brackets(brackets.receiver[one], brackets.target[one], *ends)


def _crossed(off_m: Floats) -> NDArray[np.bool_]:
    """Between which neighbours along the last axis a miss changes its sign; an infinite or unknown one counts not."""
    return ((off_m[..., 1:] > 0) != (off_m[..., :-1] > 0)) & np.isfinite(off_m[..., 1:] + off_m[..., :-1])


def _first_of_alike(receiver: Ints, target: Ints, angle: Floats) -> NDArray[np.bool_]:
    """Whether none before leads to the same receiver and storey at the same angle."""
    order = np.lexsort((angle, target, receiver))
    other = [np.diff(values[order]) for values in (receiver, target, angle)]
    alike = (other[0] == 0) & (other[1] == 0) & (np.abs(other[2]) < _SAME_ANGLE)
    first = np.ones(len(angle), dtype=bool)
    first[order[1:]] = ~alike
    return first


def _met(aims: _Aims, receiver: Ints, target: Ints, angle: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Angle and turn of rays that meet their receivers, from an angle nearby, and whether they do.

    Newton's method, its derivatives kept and corrected by each step: C. G. Broyden, A class of methods for solving
    nonlinear simultaneous equations, Mathematics of Computation 19, 577-593 (1965).
    """
    angle, turn = angle.copy(), np.zeros(len(angle))
    off, slope = aims.misses(receiver, target, angle, turn), aims.slopes(receiver, target, angle, turn)
    size, before = np.abs(off).max(axis=1), np.full(len(angle), np.inf)
    for _ in range(_STEPS):
        left = np.flatnonzero((np.abs(np.linalg.det(slope)) > 0) & (size > MISS_M) & (size < _SHRINKS * before))
        if not left.size:
            break
        step = -np.linalg.solve(slope[left], off[left, :, None])[..., 0]
        step = np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        expected = off[left] + np.einsum("nij,nj->ni", slope[left], step)
        angle[left] = np.clip(angle[left] + step[:, 0], -STEEPEST, STEEPEST)
        turn[left] += step[:, 1]
        off[left] = aims.misses(receiver[left], target[left], angle[left], turn[left])
        before[left], size[left] = size[left], np.abs(off[left]).max(axis=1)
        square = np.maximum(np.sum(step**2, axis=1), np.finfo(float).tiny)
        slope[left] += (off[left] - expected)[:, :, None] * step[:, None] / square[:, None, None]
        slope[np.isnan(size)] = 0.0
    return angle, turn, (np.abs(np.linalg.det(slope)) > 0) & (size < MET_M)


def _middles(from_m: Floats, to_m: Floats) -> tuple[Floats, Ints]:
    """Middles (n_groups, 3) [m] of receivers close together, and the group of each."""
    away = to_m[:, :2] - from_m[:2]
    across, azimuth = np.hypot(*away.T), np.arctan2(away[:, 1], away[:, 0])
    cell = np.floor(np.column_stack([np.log(across), azimuth]) / _TOGETHER).astype(np.int64)
    _, group, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    group = group.ravel()
    middle = np.column_stack([np.bincount(group, weights=values) / count for values in to_m.T])
    return middle, group


class _Fans(NamedTuple):
    """Fans towards the middles of groups, as they land there; all (n_groups, FAN)."""

    angle: Floats
    unfolded_m: Floats
    descent: Floats


def _fans(water: _Water, middle_m: Floats, steepest: Floats, longest_s: Floats) -> _Fans:
    """Rays between the steepest ones up and down that come to the middles in time."""
    lowest, highest, rows = -steepest, steepest, np.arange(len(middle_m))
    for count, in_time in (*[(_FIRST_FAN, longest_s)] * 2, (FAN, np.full(len(middle_m), np.inf))):
        number, which = np.arange(count), np.repeat(rows, count)
        angle = lowest[:, None] + np.linspace(0.0, 1.0, count) * (highest - lowest)[:, None]
        landed = water.trace(middle_m[which], angle.ravel(), np.zeros(which.size), in_time[which])
        comes = np.isfinite(landed.unfolded_m).reshape(angle.shape)
        first = np.where(comes.any(axis=1), comes.argmax(axis=1), 0)
        last = np.where(comes, number, 0).max(axis=1)
        last = np.where(comes.any(axis=1), last, count - 1)
        lowest, highest = angle[rows, np.maximum(first - 1, 0)], angle[rows, np.minimum(last + 1, count - 1)]
    return _Fans(angle, landed.unfolded_m.reshape(angle.shape), landed.descent.reshape(angle.shape))


def _brackets(aims: _Aims, steepest: Floats, longest_s: Floats) -> _Brackets:
    """Receivers and targets between neighbours of the fan of their group."""
    water, to_m = aims.water, aims.to_m
    middle, group = _middles(water.from_m, to_m)
    steep, longest = np.zeros(len(middle)), np.zeros(len(middle))
    np.maximum.at(steep, group, steepest)
    np.maximum.at(longest, group, longest_s)
    fans = _fans(water, middle, steep, longest)
    on = middle[group, :2] - water.from_m[:2]
    further = np.einsum("ni,ni->n", to_m[:, :2] - middle[group, :2], on) / np.linalg.norm(on, axis=1)
    found = []
    for begin in range(0, len(to_m), _AT_ONCE):
        some = np.arange(begin, min(begin + _AT_ONCE, len(to_m)))
        angle, there = fans.angle[group[some]], fans.unfolded_m[group[some]]
        there = there + fans.descent[group[some]] * further[some, None]
        off = there[:, None] - aims.unfolded_m[some, :, None]  # (receiver, storey, ray)
        one, target, gap = np.nonzero(_crossed(off))
        ends = angle[one, gap], angle[one, gap + 1], off[one, target, gap], off[one, target, gap + 1]
        found.append(_Brackets(some[one], target, *ends))
    return _Brackets._make(np.concatenate(parts) for parts in zip(*found, strict=True))
