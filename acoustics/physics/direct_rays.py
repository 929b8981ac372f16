"""The direct ray between two depths of water whose sound speed changes with depth, turned on its way or not.

It is found from its beginning at the receiver, by Newton's method from the first order in the bending, and among all
that a fan of rays brackets.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.eigenrays import root_between
from acoustics.physics.ray_depth import RayDepth, ray_depth
from acoustics.physics.ray_tracing import even_beyond, trace_rays
from acoustics.physics.refraction import SoundSpeedProfile

_LEVEL_M = 1e-3  # between depths that count as one for the first order
_STRAIGHT_DOWN_M = 1e-6  # across; steeper rays are taken for as flat
_MET_M = 1e-6  # a ray that comes so close to a depth meets it
_STEPS, _NEAR_M = 6, 1e-2  # of Newton's method, whose last step comes from so near
_MANY, _ALIKE_M = 4, 1.0  # rays from which on a table saves steps, between depths whose deviation is so small
_CELL_M = 0.25  # of the depths for which there are tables
_TABLED_M = np.geomspace(1.0, 500.0, 128)
_FAN, _WIDER = 33, 1.1  # rays over somewhat more than all angles at which a direct one can begin
_STEEPEST = np.deg2rad(89.9)
_BESIDE = 1e-7  # [rad], of a ray level at a row
_AT_ONCE = 500  # fans that are followed together, to stay within the processor's cache


@record
class DirectRays:
    """Direct rays from sources to receivers, by where the sources seem to be; of shape (...).

    Parameters
    ----------
    apparent_m : ndarray, shape (..., 3)
        Above or below the source, in the direction from which its first direct ray arrives [m]. For the direction
        alone: the apparent distance is not the time of travel.
    by_source : ndarray, shape (..., 3, 3)
        Derivative of that by the source's place [1].
    reached : ndarray of bool, shape (...)
        False in a shadow zone, where no direct ray arrives; the one that comes nearest is then given.
    late_s : ndarray, optional
        Where asked for by `with_times`: what the time along the ray is more than that of the straight line from where
        the source seems to be, at the receiver's sound speed [s].
    late_by_source : ndarray, shape (..., 3), optional
        Derivative of that by the source's place [s/m].
    """

    apparent_m: Floats
    by_source: Floats
    reached: NDArray[np.bool_]
    late_s: Floats | None = None
    late_by_source: Floats | None = None

    def take(self, which: NDArray[np.intp] | slice) -> DirectRays:
        """Some along the first axis."""
        return DirectRays(
            self.apparent_m[which],
            self.by_source[which],
            self.reached[which],
            None if self.late_s is None else self.late_s[which],
            None if self.late_by_source is None else self.late_by_source[which],
        )


def direct_rays(
    profile: SoundSpeedProfile, receiver_m: ArrayLike, source_m: ArrayLike, *, search: bool = True
) -> DirectRays:
    """The direct ray between places, turned on its way or not; of several, the first to arrive.

    Parameters
    ----------
    profile : SoundSpeedProfile
        Of the water, its depths counted as the places' z.
    receiver_m, source_m : array_like, shape (..., 3)
        Places, z down from the surface [m].
    search : bool
        Without it the ray that Newton's method finds from the first-order one is taken where there is one, which takes
        a thirtieth of the time: in faster water farther off another may overtake it. The place is then within 10 um,
        the derivative within two thousandths.

    Returns
    -------
    DirectRays

    Notes
    -----
    Of a fan about the chord no ray that can arrive is left out: the chord of a curve of length L is turned from its
    beginning by no more than L / 2 times its greatest curvature. Rays level at a row, about which the fan folds, are in
    it; two rays between neighbours that do not pass on both sides of the source are missed.
    """
    receiver, source = np.asarray(receiver_m, dtype=float), np.asarray(source_m, dtype=float)
    off = source - receiver
    shape = off.shape[:-1]
    across = np.maximum(np.hypot(off[..., 0], off[..., 1]), _STRAIGHT_DOWN_M).ravel()
    begin, end = (np.broadcast_to(place[..., 2], shape).ravel() for place in (receiver, source))
    tangent, ray, met = _near_the_chord(profile, begin, end, across)
    ask = np.arange(len(across)) if search else np.flatnonzero(~met)
    for part in np.array_split(ask, max(len(ask) // _AT_ONCE, 1)):
        if part.size:
            tangent[part], met[part] = _first_of_fan(
                profile, begin[part], end[part], across[part], tangent[part], met[part]
            )
            for values, new in zip(ray, ray_depth(profile, begin[part], tangent[part], across[part]), strict=True):
                values[part] = new
    slope = np.where(met, ray.by_tangent, across)
    apparent = np.array(np.broadcast_to(source, off.shape))
    apparent[..., 2] = (begin + across * tangent + np.where(met, 0.0, end - ray.depth_m)).reshape(shape)
    by_source = np.broadcast_to(np.eye(3), (*off.shape, 3)).copy()
    by_across = (tangent - across * ray.by_across / slope) / across
    by_source[..., 2, :2] = np.where(met, by_across, 0.0).reshape(shape)[..., None] * off[..., :2]
    by_source[..., 2, 2] = (across / slope).reshape(shape)
    return DirectRays(apparent, by_source, met.reshape(shape))


def with_times(profile: SoundSpeedProfile, receiver_m: ArrayLike, rays: DirectRays) -> DirectRays:
    """The same rays, as `direct_rays` found them, with their times of travel.

    By Fermat's principle the time grows with the source's place as the ray's slowness there.
    """
    receiver = np.asarray(receiver_m, dtype=float)
    off = rays.apparent_m - receiver
    shape = off.shape[:-1]
    across = np.maximum(np.hypot(off[..., 0], off[..., 1]), _STRAIGHT_DOWN_M).ravel()
    begin, tangent = np.broadcast_to(receiver[..., 2], shape).ravel(), off[..., 2].ravel() / across
    here = np.interp(begin, profile.depth_m, profile.speed_m_s)
    late = _travel_time(profile, begin, tangent, across) - across * np.hypot(1.0, tangent) / here
    ray = ray_depth(profile, begin, tangent, across)
    there = np.interp(ray.depth_m, profile.depth_m, profile.speed_m_s)
    cosine = 1.0 / np.hypot(1.0, tangent)
    slowness = np.empty((len(across), 3))
    slowness[:, :2] = (cosine / here / across)[:, None] * off[..., :2].reshape(-1, 2)
    slowness[:, 2] = ray.by_across / np.hypot(1.0, ray.by_across) / there
    straight = off / (np.linalg.norm(off, axis=-1) * here.reshape(shape))[..., None]
    by_source = slowness.reshape(off.shape) - np.einsum("...i,...ij->...j", straight, rays.by_source)
    return replace(rays, late_s=late.reshape(shape), late_by_source=by_source)


def _near_the_chord(
    profile: SoundSpeedProfile, begin: Floats, end: Floats, across: Floats
) -> tuple[Floats, RayDepth, NDArray[np.bool_]]:
    """Tangents of rays by Newton's method, these rays, and whether they meet the end."""
    many = len(across) >= _MANY and max(begin.std(), end.std()) < _ALIKE_M
    tangent = (_tabled_tangents if many else _first_order_tangents)(profile, begin, end, across)
    return _newton(profile, begin, end, across, tangent)


def _newton(
    profile: SoundSpeedProfile, begin: Floats, end: Floats, across: Floats, tangent: Floats
) -> tuple[Floats, RayDepth, NDArray[np.bool_]]:
    """As `_near_the_chord`, from given tangents."""
    tangent, met = tangent.copy(), np.zeros(len(across), dtype=bool)
    found = RayDepth(*(np.empty(len(across)) for _ in range(3)))
    going = np.arange(len(across))
    for _ in range(_STEPS):
        ray = ray_depth(profile, begin[going], tangent[going], across[going])
        miss = end[going] - ray.depth_m
        for values, new in zip(found, ray, strict=True):
            values[going] = new
        rises = ray.by_tangent > 0.0
        tangent[going] += np.where(rises, miss / np.where(rises, ray.by_tangent, 1.0), 0.0)
        # The step from so near ends a thousand times nearer and more.
        met[going] = rises & (np.abs(miss) < _NEAR_M)
        going = going[rises & ~met[going]]
        if not going.size:
            break
    return tangent, found, met


def _first_order_tangents(profile: SoundSpeedProfile, begin: Floats, end: Floats, across: Floats) -> Floats:
    """To first order in the bending.

    The chord's tangent ``D / R`` is off by ``R (c_mean - c) / (D c)`` over the cosine squared, c_mean being the mean
    speed between the depths: a beam's deflection under the load ``g / c``.
    """
    fall = np.where(np.abs(end - begin) < _LEVEL_M, _LEVEL_M, end - begin)
    here = np.interp(begin, profile.depth_m, profile.speed_m_s)
    mean = (_speed_sum(profile, begin + fall) - _speed_sum(profile, begin)) / fall
    chord = (end - begin) / across
    return chord + across / fall * (mean - here) / here * (1.0 + chord**2)


def _tabled_tangents(profile: SoundSpeedProfile, begin: Floats, end: Floats, across: Floats) -> Floats:
    """Of many rays between depths alike, from a table of those between depths near theirs."""
    near, far = (round(float(depth.mean()) / _CELL_M) * _CELL_M for depth in (begin, end))
    table = _bending_table(profile.depth_m.tobytes(), profile.speed_m_s.tobytes(), near, far)
    bending, by_begin, by_end = (np.interp(across, _TABLED_M, row) for row in table)
    bending += by_begin * (begin - near) + by_end * (end - far)
    return (end - begin) / across + across * bending


@lru_cache(maxsize=256)
def _bending_table(rows: bytes, speeds: bytes, begin: float, end: float) -> Floats:
    """How far the tangents of rays are off their chords', over the range, at `_TABLED_M`: smooth, and nearly even; and
    how that moves with the two depths; shape (3, n)."""
    profile = SoundSpeedProfile(np.frombuffer(rows), np.frombuffer(speeds))
    moves = _CELL_M * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    near, far = (np.repeat(depth + move, len(_TABLED_M)) for depth, move in zip((begin, end), moves.T, strict=True))
    across = np.tile(_TABLED_M, len(moves))
    start = _first_order_tangents(profile, near, far, across)
    tangent, _, _ = _newton(profile, near, far, across, start)
    bent = ((tangent - (far - near) / across) / across).reshape(len(moves), -1)
    return np.stack([bent[0], (bent[1] - bent[2]) / (2.0 * _CELL_M), (bent[3] - bent[4]) / (2.0 * _CELL_M)])


def _speed_sum(profile: SoundSpeedProfile, depth_m: Floats) -> Floats:
    """Integral of the sound speed over depth, from that of the first row [m^2/s]."""
    rows, speed = profile.depth_m, profile.speed_m_s
    sums = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(rows))])
    row = np.clip(np.searchsorted(rows, depth_m, side="right") - 1, 0, len(rows) - 1)
    here = np.interp(depth_m, rows, speed)
    return np.asarray(sums[row] + np.where(depth_m < rows[0], here, 0.5 * (speed[row] + here)) * (depth_m - rows[row]))


def _first_of_fan(
    profile: SoundSpeedProfile, begin: Floats, end: Floats, across: Floats, tangent: Floats, met: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Tangents of the first rays to arrive, and whether any does; given those of rays that are known to meet the end.

    Where none arrives the ray of the fan that comes nearest is told.
    """
    fan = np.tan(_fan_angles(profile, begin, end, across))
    n, m = fan.shape

    def miss(tangents: Floats, which: NDArray[np.int64]) -> Floats:
        return ray_depth(profile, begin[which], tangents, across[which]).depth_m - end[which]

    missed = miss(fan.ravel(), np.tile(np.arange(m), n)).reshape(n, m)
    below = missed > 0.0
    passes = below[1:] != below[:-1]
    gap, ray = np.nonzero(passes & ~(met & (passes.sum(axis=0) == 1)))  # the only one is known
    found, left = root_between(
        lambda tangents, which: miss(tangents, ray[which]),
        fan[gap, ray],
        fan[gap + 1, ray],
        missed[gap, ray],
        missed[gap + 1, ray],
    )
    here = np.abs(left) < _MET_M
    which = np.concatenate([np.flatnonzero(met), ray[here]])
    tangents = np.concatenate([tangent[met], found[here]])
    nearest = np.argmin(np.abs(missed), axis=0)
    first = fan[nearest, np.arange(m)]
    several = np.bincount(which, minlength=m)[which] > 1
    time = np.zeros(len(which))
    time[several] = _travel_time(profile, begin[which[several]], tangents[several], across[which[several]])
    order = np.lexsort((-time, which))  # the earliest of each last, which stays
    first[which[order]] = tangents[order]
    return first, np.bincount(which, minlength=m) > 0


def _fan_angles(profile: SoundSpeedProfile, begin: Floats, end: Floats, across: Floats) -> Floats:
    """Angles of departure to look between, (n, m), in order: even about the chord, and beside rays level at a row."""
    curvature = np.abs(np.diff(profile.speed_m_s) / np.diff(profile.depth_m)).max() / profile.speed_m_s.min()
    chord, length = np.arctan2(end - begin, across), np.hypot(end - begin, across)
    widest = np.minimum(_WIDER * 0.5 * curvature * length, np.pi)
    even = np.clip(chord + widest * np.linspace(-1.0, 1.0, _FAN)[:, None], -_STEEPEST, _STEEPEST)
    share = np.interp(begin, profile.depth_m, profile.speed_m_s) / profile.speed_m_s[:, None]
    level = np.arccos(np.minimum(share, 1.0))
    beside = np.concatenate([side * level + by for side in (-1.0, 1.0) for by in (-_BESIDE, _BESIDE)])
    return np.sort(np.concatenate([even, np.clip(beside, even[0], even[-1])]), axis=0)


def _travel_time(profile: SoundSpeedProfile, begin: Floats, tangent: Floats, across: Floats) -> Floats:
    """Of rays to their range [s]."""
    rows, speed = even_beyond(profile.depth_m, profile.speed_m_s)
    return trace_rays(rows, speed, begin, np.arctan(tangent), across).time_s
