"""Where rays end in water whose sound speed changes with depth, and how that moves with how they begin.

Rays are chains of arcs, as in `ray_tracing`; here many are followed at once through all rows of the profile up to their
turn, and on from there as rays of their own. A ray's spreading q across it follows from ``dq/ds = c p``, p constant
while the gradient is and ``p = -(dxi + xi^2 g q) / sin(theta)`` from Snell's law (Cerveny, Seismic Ray Theory, 2001,
section 4.1, gives the system, from memory; the form for layers is derived here).
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import pick_of_each
from acoustics.base.record import record
from acoustics.physics._arcs import Rays, along_arc
from acoustics.physics.refraction import SoundSpeedProfile

_LEVEL = 1e-9  # sine of the angle from which a ray that begins level, or touches a row, is taken to go
_MOST_RETURNS = 64  # of a ray to a row after a turn; then it goes straight on
_BEYOND_M = 1e6  # farther than any ray is followed


class RayDepth(NamedTuple):
    """Depth of rays at their range [m], how it moves with the tangent of the angle at the beginning [m], and with the
    range, which is the tangent at the end [1]."""

    depth_m: Floats
    by_tangent: Floats
    by_across: Floats


def ray_depth(profile: SoundSpeedProfile, from_depth_m: Floats, tangent: Floats, across_m: Floats) -> RayDepth:
    """Where rays are at their range.

    Parameters
    ----------
    profile : SoundSpeedProfile
        Of the water.
    from_depth_m : ndarray, shape (m or 1,)
        Where each ray begins [m].
    tangent : ndarray, shape (m,)
        Of its angle below the horizontal there [1].
    across_m : ndarray, shape (m,)
        Horizontal range, over 0 [m].

    Returns
    -------
    RayDepth
        Of shape (m,).
    """
    return FollowedRays.of(profile, from_depth_m, tangent).at(across_m)


def ray_range(profile: SoundSpeedProfile, from_depth_m: Floats, tangent: Floats, to_depth_m: Floats) -> Floats:
    """Horizontal range [m], (m,), at which rays first come to a depth; infinite where they do not after one turn.

    Arguments as for `ray_depth`; the depth to come to has the shape (m or 1,) [m].
    """
    return FollowedRays.of(profile, from_depth_m, tangent).first_at(to_depth_m)


@record
class FollowedRays:
    """Rays followed once up to their turn, to be asked for several ranges and depths; m of them, as for `ray_depth`."""

    profile: SoundSpeedProfile
    leg: _Leg

    @classmethod
    def of(cls, profile: SoundSpeedProfile, from_depth_m: Floats, tangent: Floats) -> FollowedRays:
        return cls(profile, _leg(profile, from_depth_m, tangent))

    def at(self, across_m: Floats) -> RayDepth:
        """Where they are at their ranges (m,) [m]."""
        found, back = _along(self.leg, across_m)
        if back.any():
            rest = np.flatnonzero(back)
            beyond = _beyond_return(self.profile, self.leg.take(rest), across_m[rest])
            for values, part in zip(found, beyond, strict=True):
                values[rest] = part
        return found

    def first_at(self, to_depth_m: Floats) -> Floats:
        """Ranges at which they first come to a depth, (m or 1,) [m], as `ray_range` has them."""
        leg, wanted = self.leg, np.broadcast_to(to_depth_m - self.leg.begin, self.leg.tangent.shape)
        found = _climb(leg, leg.side * wanted)
        left = np.flatnonzero(~np.isfinite(found))
        if left.size:
            found[left] = _after_a_turn(self.profile, leg.take(left), wanted[left])
        return found


class _Leg(NamedTuple):
    """Rays from where they begin to where they turn, n nodes: the beginning and the rows on that side, (n, m).

    `side`: 1 for down, -1 for up; `height`, `speed` and `sine` at the nodes; `slope`: the gradient from each node on;
    `reach`: the range to each, infinite where the ray turns before; `by_xi`: derivative of that by xi.
    """

    begin: Floats
    side: Floats
    tangent: Floats
    xi: Floats
    height: Floats
    speed: Floats
    sine: Floats
    slope: Floats
    reach: Floats
    by_xi: Floats

    def take(self, rays: NDArray[np.intp]) -> _Leg:
        return _Leg._make(pick_of_each(values, rays) for values in self)

    def at(self, node: NDArray[np.intp]) -> tuple[Floats, ...]:
        """Height, speed, sine, slope, reach and `by_xi` at one node of each ray."""
        rays = np.arange(len(node))
        return tuple(values[node, rays] for values in self[4:])


def _nodes(profile: SoundSpeedProfile, from_depth_m: Floats, down: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Height and speed of the nodes of rays, (n, m), and the gradient from each on; rows on the other side are at the
    beginning."""
    if len(from_depth_m) == 1:
        sides = _sides(profile.depth_m.tobytes(), profile.speed_m_s.tobytes(), float(from_depth_m[0]))
        height, speed, slope = (np.where(down, below, above) for below, above in sides)
        return height, speed, slope
    rows, speeds = profile.depth_m[:, None], profile.speed_m_s[:, None]
    begin = np.interp(from_depth_m, profile.depth_m, profile.speed_m_s)
    below, above = rows - from_depth_m, from_depth_m - rows[::-1]
    height, speed = np.zeros((2, len(rows) + 1, len(down)))
    height[1:] = np.where(down, np.maximum(below, 0.0), np.maximum(above, 0.0))
    speed[0] = begin
    speed[1:] = np.where(down, np.where(below > 0.0, speeds, begin), np.where(above > 0.0, speeds[::-1], begin))
    return height, speed, _slopes(height, speed)


@lru_cache(maxsize=1024)
def _sides(rows: bytes, speeds: bytes, from_depth_m: float) -> tuple[tuple[Floats, Floats], ...]:
    """As `_nodes` for all rays that begin at one depth: of those that go down and of those that go up, (n, 1)."""
    profile, begin = SoundSpeedProfile(np.frombuffer(rows), np.frombuffer(speeds)), np.full(2, from_depth_m)
    height, speed, slope = _nodes(profile, begin, np.array([True, False]))
    spare = int(np.min(np.count_nonzero(height == 0.0, axis=0))) - 1  # nodes that are the beginning on either side
    return tuple((of[spare:, :1], of[spare:, 1:]) for of in (height, speed, slope))


def _slopes(height: Floats, speed: Floats) -> Floats:
    thick, slope = np.diff(height, axis=0), np.zeros(height.shape)
    slope[:-1] = np.diff(speed, axis=0) / np.where(thick > 0.0, thick, 1.0)
    return slope


def _leg(profile: SoundSpeedProfile, from_depth_m: Floats, tangent: Floats) -> _Leg:
    down = tangent >= 0.0
    height, speed, slope = _nodes(profile, from_depth_m, down)
    thick = height[1:] - height[:-1]
    xi = 1.0 / (speed[0] * np.sqrt(1.0 + tangent**2))
    share = xi * speed
    sine = np.sqrt(np.maximum(1.0 - share**2, _LEVEL**2))
    sine[0] = np.maximum(np.abs(tangent) * share[0], _LEVEL)
    both = sine[1:] + sine[:-1]
    each = (speed[1:] + speed[:-1]) * thick / both
    square = speed**2 / sine
    reach, by_xi = np.zeros(height.shape), np.zeros(height.shape)
    np.cumsum(xi * each, axis=0, out=reach[1:])
    np.cumsum(each * (1.0 + xi**2 * (square[1:] + square[:-1]) / both), axis=0, out=by_xi[1:])
    turned = np.logical_or.accumulate((share >= 1.0) & (height > 0.0), axis=0)
    reach[turned] = np.inf
    return _Leg(
        np.asarray(from_depth_m), np.where(down, 1.0, -1.0), tangent, xi, height, speed, sine, slope, reach, by_xi
    )


def _last_node(leg: _Leg, across_m: Floats) -> NDArray[np.intp]:
    """Number of the last node that rays pass on their way, (m,)."""
    return np.count_nonzero(leg.reach[1:] <= across_m, axis=0)


def _along(leg: _Leg, across_m: Floats) -> tuple[RayDepth, NDArray[np.bool_]]:
    """Rays that do not come back to their last node after a turn, and which do, of whom nothing is told."""
    node = _last_node(leg, across_m)
    height, speed, sine, slope, reach, by_xi = leg.at(node)
    step = across_m - reach
    fall = leg.xi * slope
    back = fall * step > 2.0 * sine
    high, sine_then = along_arc(Rays(height, speed, sine, leg.xi, node), slope, step)
    turn = -leg.sine[0] / leg.speed[0]  # of xi by the angle
    spread = -sine * by_xi * turn
    spread_then = spread - (turn + leg.xi**2 * slope * spread) / sine * step / leg.xi
    level = np.sqrt(np.maximum((leg.xi * speed) ** 2 + fall * step * (2.0 * sine - fall * step), 1e-24))
    by_tangent = spread_then / level / (1.0 + leg.tangent**2)
    return RayDepth(leg.begin + leg.side * high, by_tangent, leg.side * sine_then / level), back


def _beyond_return(profile: SoundSpeedProfile, leg: _Leg, across_m: Floats) -> RayDepth:
    """Rays that come back to the last node before they turn, followed on from there as rays of their own."""
    found = RayDepth(*(np.full(len(across_m), np.nan) for _ in range(3)))
    going, left = np.arange(len(across_m)), across_m
    # How tangent and range that are left there move with the tangent at the beginning.
    tangent_by, range_by = np.ones(len(going)), np.zeros(len(going))
    for returns in range(_MOST_RETURNS):
        height, speed, sine, slope, reach, by_xi = leg.at(_last_node(leg, left))
        xi, steep = leg.xi, leg.sine[0] / (leg.xi * leg.speed[0])
        xi_by = -steep * xi / (1.0 + steep**2)  # by the tangent's size
        range_by = range_by - (by_xi - 2.0 / (slope * sine * xi**2)) * xi_by * leg.side * tangent_by
        tangent_by = xi_by / (speed * sine * xi**2) * tangent_by
        left = left - reach - 2.0 * sine / (xi * slope)
        leg = _leg(profile, leg.begin + leg.side * height, -leg.side * sine / (xi * speed))
        here, back = _along(leg, left)
        ends = ~back | (returns == _MOST_RETURNS - 1)
        at = going[ends]
        found.depth_m[at], found.by_across[at] = here.depth_m[ends], here.by_across[ends]
        found.by_tangent[at] = (here.by_tangent * tangent_by + here.by_across * range_by)[ends]
        rest = np.flatnonzero(~ends)
        if not rest.size:
            break
        going, left, leg, tangent_by, range_by = (
            going[rest],
            left[rest],
            leg.take(rest),
            tangent_by[rest],
            range_by[rest],
        )
    return found


def _after_a_turn(profile: SoundSpeedProfile, leg: _Leg, wanted: Floats) -> Floats:
    """Range [m] at which rays are so far below their beginning, (m,), once they have turned, or infinite."""
    _, _, sine, slope, reach, _ = leg.at(_last_node(leg, np.full(leg.tangent.shape, _BEYOND_M)))
    turns = leg.xi * slope * _BEYOND_M > sine
    turned = 2.0 * (reach + sine / (leg.xi * np.where(turns, slope, 1.0)))
    other = _leg(profile, leg.begin, -leg.side * np.maximum(np.abs(leg.tangent), _LEVEL))
    return np.where(turns, turned + _climb(other, -leg.side * wanted), np.inf)


def _climb(leg: _Leg, wanted: Floats) -> Floats:
    """Range at which rays before a turn are as far above or below their beginning as wanted, (m,), or infinite."""
    node = np.count_nonzero(leg.height[1:] <= wanted, axis=0)
    height, speed, sine, slope, reach, _ = leg.at(node)
    more = wanted - height
    then = speed + slope * more
    share = leg.xi * then
    across = reach + leg.xi * (speed + then) * more / (sine + np.sqrt(np.maximum(1.0 - share**2, 0.0)))
    return np.where((wanted >= 0.0) & (share < 1.0), across, np.inf)
