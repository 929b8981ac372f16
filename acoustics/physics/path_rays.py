"""Rays that meet given plane faces one after another, in water whose sound speed changes with depth.

Among faces that slope and stand upright the straight path past the same faces is the ray's beginning: the profile is
brought in by steps, and at each Newton's method on the direction of departure makes the ray meet its receiver again.
Between two faces a ray stays in an upright plane and is a chain of circular arcs (`ray_tracing`); a face mirrors its
direction.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, bearing_and_depression, direction
from acoustics.base.record import record
from acoustics.physics._arcs import MOST_ARCS, Profile, Rays, along_arc, arc_time, start, to_next_row
from acoustics.physics.eigenrays import LOUDEST, MET_M, MISS_M, TURN, root_between
from acoustics.physics.ray_tracing import even_beyond

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_SHARES = (0.25, 0.5, 1.0)  # of the profile's differences of sound speed
_FAN, _STEEPEST = 121, np.deg2rad(85.0)
_STEPS = 8
_NEAR_M = 0.01  # is near enough on the way to the whole profile
_LARGEST_STEP = 0.2  # of a direction
_UPRIGHT = 1e-12  # square of the cosine of a ray that goes straight up or down; lean of a plane that stands upright
_LEAST_STEP_M = 1e-9
_LONGER = 3.0  # than the straight path no ray is followed


@record
class PathRays:
    """Rays at their receivers; all of shape (n_rays,), NaN and False where none was found.

    Parameters
    ----------
    found : ndarray of bool
        Whether there is such a ray.
    time_s : ndarray
        Travel time [s].
    amplitude : ndarray
        Pressure over that at 1 m, by the section of the ray tube [1]; no more than `LOUDEST` times that of spherical
        spreading over the straight path.
    caustics : ndarray of int
        1 where the tube has crossed itself an odd number of times, else 0.
    heading : ndarray, shape (n_rays, 3)
        Direction at the receiver, unit vectors.
    sin_grazing : ndarray, shape (n_rays, n_faces)
        Sine of the grazing angle at each face [1]; 0 after the last.
    ray, place_m : ndarray of int (n_places,) and ndarray (n_places, 3)
        Places along the rays found, in order along each [m], and whose they are: where they begin and end, cross rows
        and meet faces, and the middle of each arc.
    """

    found: Bools
    time_s: Floats
    amplitude: Floats
    caustics: Ints
    heading: Floats
    sin_grazing: Floats
    ray: Ints
    place_m: Floats


class _Paths(NamedTuple):
    """What is to be met: where rays begin, planes (n_rays, n_planes, 4) as normal and offset, the last one square to
    the straight path at the receiver, how many count, receivers (n_rays, 3), axes (n_rays, 2, 3) in that plane, and the
    times after which rays are given up (n_rays,)."""

    from_m: Floats
    planes: Floats
    n_faces: Ints
    to_m: Floats
    axes: Floats
    longest_s: Floats

    def take(self, which: Ints) -> _Paths:
        rest = self.to_m[which], self.axes[which], self.longest_s[which]
        return _Paths(self.from_m, self.planes[which], self.n_faces[which], *rest)


class _Landed(NamedTuple):
    place_m: Floats
    heading: Floats
    speed_m_s: Floats
    time_s: Floats
    sin_grazing: Floats
    track: list[tuple[Ints, Floats]]  # numbers of rays and their places, arc by arc


def rays_along_paths(
    rows_m: Floats, speed_m_s: Floats, from_m: Floats, to_m: Floats, image_m: Floats, planes: Floats, count: Ints
) -> PathRays:
    """Rays from a source to receivers past given faces.

    Parameters
    ----------
    rows_m, speed_m_s : ndarray, shape (n_rows,)
        Increasing depths [m] and the sound speed there [m/s], linear between; beyond, the water is even.
    from_m : ndarray, shape (3,)
        Source [m].
    to_m : ndarray, shape (n_rays, 3)
        Receivers [m].
    image_m : ndarray, shape (n_rays, 3)
        The source's image in its faces: from there the straight path comes [m].
    planes : ndarray, shape (n_rays, n_faces, 4)
        Faces that each path meets in order from the source: unit normals into the water and offsets,
        ``normal . x = offset`` [m].
    count : ndarray of int, shape (n_rays,)
        How many of them count.

    Returns
    -------
    PathRays

    Notes
    -----
    Pressure: ``|A|^2 = (c_r / c_s) dOmega / dS``, with the solid angle at departure and the section of the ray tube at
    the receiver (Jensen and others 2011, section 3.3.5). Where no ray follows from the straight path, as where rays
    turn on their way, the first of a fan is taken. There may be other rays past the same faces, and others past faces
    that no straight path meets: these are not found.
    """
    rows, speed = even_beyond(rows_m, speed_m_s)
    length = np.linalg.norm(to_m - image_m, axis=1)
    ahead = (to_m - image_m) / length[:, None]
    paths = _paths(from_m, to_m, ahead, planes, count, _LONGER * length / speed.min())
    heading = ahead.copy()
    for k in range(planes.shape[1] - 1, -1, -1):
        normal = np.where((k < count)[:, None], planes[:, k, :3], 0.0)
        heading -= 2 * np.einsum("ni,ni->n", heading, normal)[:, None] * normal
    even = float(speed.mean())
    turned = np.sign(np.linalg.det(_slopes(rows, np.full(len(speed), even), paths, heading)))
    heading, met = _bent(rows, speed, even, paths, heading)
    found = np.flatnonzero(met)
    paths = paths.take(found)
    landed = _trace(rows, speed, paths, heading[found], tracked=True)
    det = np.linalg.det(_slopes(rows, speed, paths, heading[found]))
    facing = np.abs(np.einsum("ni,ni->n", landed.heading, ahead[found]))
    tube = np.maximum(np.abs(det) * facing, 1e-12)
    ratio = landed.speed_m_s / np.interp(from_m[2], rows, speed)
    amplitude = np.minimum(np.sqrt(ratio / tube), LOUDEST / length[found])
    number, place = _in_order(landed.track)
    return PathRays(
        found=np.isin(np.arange(len(count)), found),
        time_s=_spread(landed.time_s, found, len(count)),
        amplitude=_spread(amplitude, found, len(count)),
        caustics=_spread((det * turned[found] < 0).astype(np.int64), found, len(count), 0),
        heading=_spread(landed.heading, found, len(count)),
        sin_grazing=_spread(landed.sin_grazing[:, :-1], found, len(count)),
        ray=found[number],
        place_m=place,
    )


def places_along(
    rows_m: Floats, speed_m_s: Floats, from_m: Floats, to_m: Floats, departure: Floats, planes: Floats, count: Ints
) -> tuple[Ints, Floats]:
    """Places along rays that are known to lead to receivers, not above or below; `ray` and `place_m` of `PathRays`.

    Parameters
    ----------
    departure : ndarray, shape (n_rays, 3)
        Their directions at the source [1], unit vectors.
    rows_m, speed_m_s, from_m, to_m, planes, count
        As for `rays_along_paths`.
    """
    level = _unit((to_m - from_m) * [1.0, 1.0, 0.0])
    water, longest_s = even_beyond(rows_m, speed_m_s), np.full(len(to_m), np.inf)
    paths = _paths(from_m, to_m, level, planes, count, longest_s)
    return _in_order(_trace(*water, paths, departure, tracked=True).track)


def _in_order(track: list[tuple[Ints, Floats]]) -> tuple[Ints, Floats]:
    number = np.concatenate([number for number, _ in track])
    order = np.argsort(number, kind="stable")
    return number[order], np.concatenate([place for _, place in track])[order]


def _paths(from_m: Floats, to_m: Floats, ahead: Floats, planes: Floats, n_faces: Ints, longest_s: Floats) -> _Paths:
    last = np.column_stack([-ahead, -np.einsum("ni,ni->n", ahead, to_m)])
    all_planes = np.concatenate([planes, last[:, None]], axis=1)
    all_planes[np.arange(len(n_faces)), n_faces] = last
    return _Paths(from_m, all_planes, n_faces, to_m, _across(ahead), longest_s)


def _spread(values: NDArray, at: Ints, count: int, fill: float = np.nan) -> NDArray:
    out = np.full((count, *values.shape[1:]), fill, dtype=values.dtype)
    out[at] = values
    return out


def _across(heading: Floats) -> Floats:
    """Two unit vectors square to each of (n, 3) and to each other, (n, 2, 3)."""
    other = np.eye(3)[np.abs(heading).argmin(axis=1)]
    one = np.cross(heading, other)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return np.stack([one, np.cross(heading, one)], axis=1)


def _misses(rows_m: Floats, speed_m_s: Floats, paths: _Paths, heading: Floats) -> Floats:
    """By what rays miss their receivers along both axes, (n, 2) [m]; NaN where one does not come so far."""
    off = _trace(rows_m, speed_m_s, paths, heading).place_m - paths.to_m
    return np.einsum("nai,ni->na", paths.axes, off)


def _slopes(rows_m: Floats, speed_m_s: Floats, paths: _Paths, heading: Floats) -> Floats:
    """Derivative of that by turns of the departure about both axes of `_across`, (n, 2, 2); 0 where it is unknown."""
    aside, n = TURN * _across(heading), len(heading)
    turned = np.concatenate([heading + sign * aside[:, axis] for axis in (0, 1) for sign in (1.0, -1.0)])
    off = _misses(rows_m, speed_m_s, paths.take(np.tile(np.arange(n), 4)), _unit(turned)).reshape(2, 2, n, 2)
    slope = np.moveaxis(off[:, 0] - off[:, 1], 0, -1) / (2 * TURN)
    slope[np.isnan(slope).any(axis=(1, 2))] = 0.0
    return slope


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _met(
    rows_m: Floats, speed_m_s: Floats, paths: _Paths, heading: Floats, *, miss_m: float = MISS_M, met_m: float = MET_M
) -> tuple[Floats, Bools]:
    """Departures of rays that meet their receivers, from ones nearby, and whether they do: Newton's method, with its
    derivatives taken once and corrected by each step (Broyden 1965, as in `floor_eigenrays`)."""
    axes, turn = _across(heading), np.zeros((len(heading), 2))
    off, slope = _misses(rows_m, speed_m_s, paths, heading), _slopes(rows_m, speed_m_s, paths, heading)
    for _ in range(_STEPS):
        size = np.abs(off).max(axis=1)
        left = np.flatnonzero((np.abs(np.linalg.det(slope)) > 0) & (size > miss_m))
        if not left.size:
            break
        step = np.clip(-np.linalg.solve(slope[left], off[left, :, None])[..., 0], -_LARGEST_STEP, _LARGEST_STEP)
        expected = off[left] + np.einsum("nij,nj->ni", slope[left], step)
        turn[left] += step
        now = _unit(heading[left] + np.einsum("na,nai->ni", turn[left], axes[left]))
        off[left] = _misses(rows_m, speed_m_s, paths.take(left), now)
        square = np.maximum(np.sum(step**2, axis=1), np.finfo(float).tiny)
        slope[left] += (off[left] - expected)[:, :, None] * step[:, None] / square[:, None, None]
        slope[np.isnan(slope).any(axis=(1, 2))] = 0.0
    met = (np.abs(np.linalg.det(slope)) > 0) & (np.abs(off).max(axis=1) < met_m)
    return _unit(heading + np.einsum("na,nai->ni", turn, axes)), met


def _bent(rows_m: Floats, speed_m_s: Floats, even_m_s: float, paths: _Paths, straight: Floats) -> tuple[Floats, Bools]:
    """Departures of rays that meet their receivers, from the straight ones in even water, and whether there are any."""
    heading, met, on_way = straight.copy(), np.zeros(len(straight), dtype=bool), np.arange(len(straight))
    for share in _SHARES:
        water = even_m_s + share * (speed_m_s - even_m_s)
        close = {} if share == 1.0 else {"miss_m": _NEAR_M, "met_m": _NEAR_M}
        heading[on_way], on = _met(rows_m, water, paths.take(on_way), heading[on_way], **close)
        on_way = on_way[on]
    met[on_way] = True
    left = np.flatnonzero(~met)
    heading[left], met[left] = _first_of_fan(rows_m, speed_m_s, paths.take(left), straight[left])
    return heading, met


def _first_of_fan(rows_m: Floats, speed_m_s: Floats, paths: _Paths, straight: Floats) -> tuple[Floats, Bools]:
    """Departures of the first rays that meet their receivers, from a fan over and under the straight ones, and whether
    there is one: a ray that turns on its way may have no straight path that becomes it."""
    n, turning = len(straight), np.arccos(speed_m_s.min() / speed_m_s.max())
    bearing, own = bearing_and_depression(straight)
    fan = np.linspace(-1.0, 1.0, _FAN)[:, None] * np.minimum(np.abs(own) + 2 * turning, _STEEPEST)

    def upright(depression: Floats, path: Ints) -> Floats:
        off = _misses(rows_m, speed_m_s, paths.take(path), direction(bearing[path], depression))
        return np.asarray(np.sum(off * paths.axes[path, :, 2], axis=1))

    off = upright(fan.ravel(), np.tile(np.arange(n), _FAN)).reshape(fan.shape)
    with np.errstate(invalid="ignore"):
        gap, path = np.nonzero(((off[1:] > 0) != (off[:-1] > 0)) & np.isfinite(off[1:] + off[:-1]))
    ends = fan[gap, path], fan[gap + 1, path], off[gap, path], off[gap + 1, path]
    depression, _ = root_between(lambda angle, which: upright(angle, path[which]), *ends)
    heading, met = _met(rows_m, speed_m_s, paths.take(path), direction(bearing[path], depression))
    path, heading = path[met], heading[met]
    later = np.argsort(-_trace(rows_m, speed_m_s, paths.take(path), heading).time_s)
    found, first = np.zeros(n, dtype=bool), straight.copy()
    found[path], first[path[later]] = True, heading[later]  # the first is written last
    return first, found


def _trace(rows_m: Floats, speed_m_s: Floats, paths: _Paths, heading: Floats, *, tracked: bool = False) -> _Landed:
    """Follow rays from plane to plane; NaN where one does not come to its last."""
    n, number = len(heading), np.arange(len(heading))
    nowhere, none = np.full((n, 3), np.nan), np.full(n, np.nan)
    landed = _Landed(nowhere, nowhere.copy(), none, none.copy(), np.zeros(paths.planes.shape[:2]), [])
    water = Profile.of(rows_m, speed_m_s)
    begin = start(water, np.full(n, paths.from_m[2]), np.arcsin(np.clip(heading[:, 2], -1.0, 1.0)))
    xy, met = np.tile(paths.from_m[:2], (n, 1)), np.zeros(n, dtype=np.int64)
    state = _Way(number, xy, _level(heading), begin, met, np.zeros(n))
    if tracked:
        landed.track.append((number, state.place_m()))
    for _ in range(MOST_ARCS):
        if not state.number.size:
            break
        plane = paths.planes[state.number, state.met]
        slope, row_m, then = to_next_row(water, state.rays)
        plane_m = _to_plane(state, slope, plane)
        meets, step_m = plane_m <= row_m, np.minimum(plane_m, row_m)
        half = state.moved(slope, 0.5 * step_m) if tracked else state
        state = state.moved(slope, step_m)
        at_row = Rays(*(np.where(meets, now, row) for now, row in zip(state.rays, then, strict=True)))
        state = state._replace(rays=at_row)
        if tracked:
            landed.track.extend([(state.number, half.place_m()), (state.number, state.place_m())])
        ends = meets & (state.met == paths.n_faces[state.number])
        k = state.number[ends]
        landed.place_m[k], landed.heading[k] = state.place_m()[ends], state.heading()[ends]
        landed.speed_m_s[k], landed.time_s[k] = state.rays.c[ends], state.time[ends]
        state = _mirrored(state, plane, meets & ~ends, landed.sin_grazing)
        inside = (state.rays.layer >= 0) & (state.rays.layer < len(rows_m) - 1)
        inside &= state.time < paths.longest_s[state.number]
        state = state.take(np.flatnonzero(~ends & inside & np.isfinite(state.time)))
    return landed


class _Way(NamedTuple):
    """Rays under way: number, place and unit way seen from above (n, 2), the rest of them, how many faces they have
    met, and the time."""

    number: Ints
    xy: Floats
    way: Floats
    rays: Rays
    met: Ints
    time: Floats

    def take(self, which: Ints) -> _Way:
        rest = (self.met[which], self.time[which])
        return _Way(self.number[which], self.xy[which], self.way[which], self.rays.take(which), *rest)

    def place_m(self) -> Floats:
        return np.column_stack([self.xy, self.rays.z])

    def heading(self) -> Floats:
        level = np.sqrt(np.maximum(1.0 - self.rays.sine**2, 0.0))
        return np.column_stack([level[:, None] * self.way, self.rays.sine])

    def moved(self, slope: Floats, step_m: Floats) -> _Way:
        z, sine = along_arc(self.rays, slope, step_m)
        rays = self.rays._replace(z=z, sine=sine, c=self.rays.c + slope * (z - self.rays.z))
        time = self.time + arc_time(self.rays.xi, slope, step_m, self.rays.sine, sine)
        return self._replace(xy=self.xy + step_m[:, None] * self.way, rays=rays, time=time)


def _level(heading: Floats) -> Floats:
    return np.asarray(heading[:, :2] / np.sqrt(np.maximum(np.sum(heading[:, :2] ** 2, axis=1), _UPRIGHT))[:, None])


def _to_plane(way: _Way, slope: Floats, plane: Floats) -> Floats:
    """Range [m] to where the arc meets a plane, inf where it does not.

    As in `floor_rays`, with the arc ``cos(theta) = xi c`` and k = xi g: on the plane the depth below the ray's is
    ``A + s r``, and ``k (1 + s^2) r^2 + 2 (a s - sin(theta_1)) r + A (a + cos(theta_1)) = 0`` with
    ``a = k A + cos(theta_1)``, of which the first root ahead counts. An upright plane has no such depth: the range
    is that of the way seen from above.
    """
    gap = plane[:, 3] - np.einsum("ni,ni->n", plane[:, :2], way.xy) - plane[:, 2] * way.rays.z
    rate = np.einsum("ni,ni->n", plane[:, :2], way.way)
    with np.errstate(divide="ignore", invalid="ignore"):
        below, s = gap / plane[:, 2], -rate / plane[:, 2]
        k, level = way.rays.xi * slope, way.rays.xi * way.rays.c
        there = k * below + level
        square, half, constant = k * (1 + s**2), there * s - way.rays.sine, below * (there + level)
        both = -half - np.copysign(np.sqrt(half**2 - square * constant), half)
        upright = np.abs(plane[:, 2]) < _UPRIGHT
        leaning = np.stack([both / square, constant / both])
        on_arc = k * (below + s * leaning) + level > 0  # cos(theta) there; else on the circle's other half
        roots = np.where(upright, gap / rate, np.where(on_arc, leaning, np.inf))
        # A hair before the plane a ray is on it.
        ahead = np.isfinite(roots) & (roots > -_LEAST_STEP_M)
    return np.asarray(np.maximum(np.where(ahead, roots, np.inf).min(axis=0), 0.0))


def _mirrored(way: _Way, plane: Floats, at: Bools, sin_grazing: Floats) -> _Way:
    """Rays after the faces that some of them are at; writes down the sines of their grazing angles."""
    some = np.flatnonzero(at)
    heading, normal = way.heading()[some], plane[some, :3]
    closing = np.einsum("ni,ni->n", heading, normal)
    sin_grazing[way.number[some], way.met[some]] = np.abs(closing)
    heading -= 2 * closing[:, None] * normal
    on, sine, xi, met = way.way.copy(), way.rays.sine.copy(), way.rays.xi.copy(), way.met + at
    on[some], sine[some] = _level(heading), heading[:, 2]
    xi[some] = np.sqrt(np.maximum(1.0 - heading[:, 2] ** 2, _UPRIGHT)) / way.rays.c[some]
    return way._replace(way=on, rays=way.rays._replace(sine=sine, xi=xi), met=met)
