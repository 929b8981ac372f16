"""Rays that lead from a source to receivers, in water whose sound speed changes with depth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics._ray_brackets import STEEPEST, brackets
from acoustics.physics.ray_tracing import RayEnds, trace_rays

LOUDEST = 3.0
TURN = 1e-6  # between the sides of a ray tube [rad]
_STEPS = 60
MISS_M = 1e-9
_NARROW = 1e-13  # [rad]: nothing is between
MET_M = 1e-5


@record
class Eigenrays:
    """Rays from a source, sorted by receiver, then depth, then angle; all of shape (n_rays,).

    Parameters
    ----------
    receiver, target : ndarray of int
        Which receiver each leads to, and which of its depths.
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

    receiver: NDArray[np.int64]
    target: NDArray[np.int64]
    angle: Floats
    ends: RayEnds
    amplitude: Floats
    caustics: NDArray[np.int64]


def eigenrays(
    rows_m: Floats,
    speed_m_s: Floats,
    from_depth_m: float,
    to_depth_m: Floats,
    range_m: Floats,
    *,
    steepest: Floats | None = None,
    watched: NDArray[np.bool_] | None = None,
) -> Eigenrays:
    """Rays that lead from a source to receivers, by bracketing on the angle of departure.

    Parameters
    ----------
    rows_m, speed_m_s : ndarray, shape (n_rows,)
        As for `trace_rays`.
    from_depth_m : float
        Depth of the source [m].
    to_depth_m : ndarray, shape (n_receivers, n_depths)
        Depths of each receiver: its own, and those of its mirror images in unfolded water [m].
    range_m : ndarray, shape (n_receivers,)
        Horizontal range to it [m].
    steepest : ndarray, shape (n_receivers,), optional
        Steepest angles of departure to look at [rad]; short of the vertical by default.
    watched : ndarray of bool, shape (n_rows,), optional
        As for `trace_rays`.

    Returns
    -------
    Eigenrays

    Raises
    ------
    ParameterError
        As `trace_rays` does.

    Notes
    -----
    A fan of `FAN` rays, and more about those that become level at a row, is sent out for all receivers that are looked
    for at much the same angles. Where two neighbours pass on both sides of one a ray is between them, found by the
    secant method held within its bracket (Illinois). Where the fan turns back short of one, the turn is closed in on.
    Pressure: ``|A|^2 = (c_r / c_s) cos(theta_s) / (r |dz/dtheta_s| cos(theta_r))`` (Jensen and others 2011, section
    3.3.5, from memory).
    """
    to_depth, across = np.asarray(to_depth_m, dtype=float), np.asarray(range_m, dtype=float)
    limit = np.full(len(across), STEEPEST) if steepest is None else np.minimum(steepest, STEEPEST)
    receiver, target, *bracket = brackets(rows_m, speed_m_s, from_depth_m, to_depth, across, limit)

    def trace(
        angle: Floats, which: NDArray[np.int64], watched: NDArray[np.bool_] | None = None, *, timed: bool = True
    ) -> RayEnds:
        begin = np.full(len(which), float(from_depth_m))
        return trace_rays(rows_m, speed_m_s, begin, angle, across[receiver[which]], watched=watched, timed=timed)

    def miss(angle: Floats, which: NDArray[np.int64]) -> Floats:
        return trace(angle, which, timed=False).depth_m - to_depth[receiver[which], target[which]]

    angle, missed = root_between(miss, *bracket)
    # Where a ray level at a row of most speed parts those above from those below, signs change without one between.
    met = np.flatnonzero(np.abs(missed) < MET_M)
    angle, ends = angle[met], trace(angle[met], met, watched)
    wide = (miss(angle + TURN, met) - miss(angle - TURN, met)) / (2 * TURN)
    receiver, target = receiver[met], target[met]
    level = np.sqrt(1.0 - ends.sin_angle**2)
    tube = across[receiver] * np.maximum(np.abs(wide), 1e-12) * level
    speed_there = np.interp(from_depth_m, rows_m, speed_m_s)
    spherical = 1.0 / np.hypot(across[receiver], to_depth[receiver, target] - from_depth_m)
    amplitude = np.minimum(np.sqrt(ends.speed_m_s / speed_there * np.cos(angle) / tube), LOUDEST * spherical)
    return Eigenrays(receiver, target, angle, ends, amplitude, (wide < 0).astype(np.int64))


def root_between(
    miss: Callable[[Floats, NDArray[np.int64]], Floats],
    low: Floats,
    high: Floats,
    at_low: Floats,
    at_high: Floats,
) -> tuple[Floats, Floats]:
    """Angles between `low` and `high` at which rays miss by nothing, and by what they miss; the misses at the two are
    of unlike sign. Brackets that become narrower than that are given up.

    The secant method with the miss of an end halved that stays for a second time: M. Dowell and P. Jarratt, A modified
    regula falsi method for computing the root of an equation, BIT 11, 168-174 (1971).
    """
    angle, missed = low.copy(), at_low.copy()
    going, before = np.arange(len(low)), np.zeros(len(low))
    for _ in range(_STEPS):
        if not going.size:
            break
        here = low - at_low * (high - low) / (at_high - at_low)
        off = miss(here, going)
        angle[going], missed[going] = here, off
        side = np.sign(off)
        stays = np.where(side == before, 0.5, 1.0)
        same = side == np.sign(at_high)
        at_low, at_high = np.where(same, stays * at_low, off), np.where(same, off, stays * at_high)
        low, high = np.where(same, low, here), np.where(same, here, high)
        on = (np.abs(off) > MISS_M) & (high - low > _NARROW)
        going, before = going[on], side[on]
        low, high, at_low, at_high = (ends[on] for ends in (low, high, at_low, at_high))
    return angle, missed
