"""Rays between a surface and a floor of planes, in water whose sound speed changes with depth.

Between two reflections a ray stays in an upright plane and is a chain of circular arcs (`ray_tracing`). A level surface
turns its angle over; a plane of the floor mirrors its direction, ``t - 2 (t . n) n``, and with it the upright plane in
which it goes on (F. B. Jensen, W. A. Kuperman, M. B. Porter, H. Schmidt, Computational Ocean Acoustics, 2nd ed. (2011),
chapter 3, from memory; the law of reflection is exact for plane faces).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.floors import Floor
from acoustics.base.frames import Floats
from acoustics.physics._arcs import MOST_ARCS, Rays, along_arc, arc_time, start, to_next_row

SURFACE = 0
_LEAST_AHEAD = 0.05  # cosine between a ray's way and the receiver's, seen from above; less, and it is given up
_PAST_EDGE_M = 1e-9
_ON_FLOOR_M = 1e-9
_SKIM_M = 0.01  # between two reflections: a ray that creeps along a face, or into a shore, is given up
_END, _FLOOR, _EDGE, _ROW, _SKIMS = range(5)


@dataclass(frozen=True)
class Landings:
    """Rays where they cross the upright plane through their receiver; NaN where one turned back or was given up before.

    Parameters
    ----------
    across_m : ndarray, shape (n_rays,)
        Place to the right of the receiver, along that plane [m].
    unfolded_m : ndarray, shape (n_rays,)
        Depth in water that is mirrored in floor and surface where it is met, so that it has no leap where one more
        reflection begins [m]: ``storey h + z``, or ``storey h + h - z`` in an odd storey, with h the floor's depth.
    heading : ndarray, shape (n_rays, 3)
        Direction, unit vectors.
    speed_m_s, time_s : ndarray, shape (n_rays,)
        Sound speed there [m/s] and travel time [s].
    faces : ndarray of int8, shape (n_rays, n_met)
        What was met in order: `SURFACE`, or 1 and on for the floor's planes; -1 after the last.
    sin_grazing : ndarray, shape (n_rays, n_met)
        Sine of the grazing angle there [1]; 0 after the last.
    """

    across_m: Floats
    unfolded_m: Floats
    heading: Floats
    speed_m_s: Floats
    time_s: Floats
    faces: NDArray[np.int8]
    sin_grazing: Floats


class _State(NamedTuple):
    """Rays under way: their number, place seen from above, way there (unit vectors), and the rest of what they are."""

    number: NDArray[np.int64]
    place: Floats  # (n, 2)
    way: Floats  # (n, 2)
    rays: Rays
    plane: NDArray[np.int64]
    reflected: NDArray[np.bool_]  # just now
    storey: NDArray[np.int64]
    time: Floats

    def take(self, which: NDArray[np.bool_]) -> _State:
        return _State._make(part.take(which) if isinstance(part, Rays) else part[which] for part in self)


def trace_over_floor(
    rows_m: Floats,
    speed_m_s: Floats,
    floor: Floor,
    from_m: Floats,
    to_m: Floats,
    angle: Floats,
    turn: Floats,
    longest_s: Floats,
) -> Landings:
    """Follow rays from one place to the upright planes through their receivers, square to the way to them.

    Parameters
    ----------
    rows_m, speed_m_s : ndarray, shape (n_rows,)
        As for `trace_rays`; from the surface, 0, to below every depth of the floor that is met.
    floor : Floor
        Of finite depth.
    from_m : ndarray, shape (3,)
        Where the rays begin [m].
    to_m : ndarray, shape (n_rays, 3)
        Receiver of each ray [m], not above or below its beginning.
    angle : ndarray, shape (n_rays,)
        Below the horizontal at the beginning [rad], short of the vertical.
    turn : ndarray, shape (n_rays,)
        Clockwise from the way to the receiver, seen from above [rad].
    longest_s : ndarray, shape (n_rays,)
        Travel time after which each is given up [s].

    Returns
    -------
    Landings

    Raises
    ------
    ParameterError
        A ray of more than `MOST_ARCS` arcs.
    """
    toward = to_m[:, :2] - from_m[:2]
    toward = toward / np.linalg.norm(toward, axis=1, keepdims=True)
    right = np.column_stack([-toward[:, 1], toward[:, 0]])
    way = np.cos(turn)[:, None] * toward + np.sin(turn)[:, None] * right
    count = len(angle)
    place = np.tile(np.asarray(from_m[:2], dtype=float), (count, 1))
    rays = start(rows_m, speed_m_s, np.full(count, float(from_m[2])), angle)
    begin = np.zeros(count, dtype=np.int64)
    plane = _plane(floor, place + _PAST_EDGE_M * way)
    state = _State(np.arange(count), place, way, rays, plane, begin > 0, begin, np.zeros(count))
    landed: list[_State] = []
    met: list[tuple[NDArray[np.int64], NDArray[np.int64], Floats]] = []
    for _ in range(MOST_ARCS):
        ahead = np.einsum("ni,ni->n", state.way, toward[state.number])
        on = (ahead > _LEAST_AHEAD) & (state.rays.layer < len(rows_m) - 1) & (state.time < longest_s[state.number])
        state, ahead = state.take(on), ahead[on]
        if not state.number.size:
            break
        left = np.einsum("ni,ni->n", to_m[state.number, :2] - state.place, toward[state.number])
        state, event = _moved(rows_m, speed_m_s, floor, state, left / ahead)
        state, event = state.take(event != _SKIMS), event[event != _SKIMS]
        over = event == _END
        landed.append(state.take(over))
        state = state.take(~over)
        state, meets, face, sine = _reflected(floor, state, event[~over])
        met.append((state.number[meets], face, sine))
    else:
        raise ParameterError(
            f"rays over {float(np.max(np.linalg.norm(to_m - from_m, axis=1))) / 1e3:,.1f} km cross rows and faces more "
            f"than {MOST_ARCS:,} times; take a shorter range, or fewer rows (water.profile)"
        )
    return _laid_out(floor, count, to_m, right, landed, met)


def _plane(floor: Floor, place_m: Floats) -> NDArray[np.int64]:
    if len(floor.planes) == 1:
        return np.zeros(len(place_m), dtype=np.int64)
    return np.asarray(floor.slack_m(place_m).argmax(axis=-1))


def _moved(
    rows_m: Floats, speed_m_s: Floats, floor: Floor, state: _State, end_m: Floats
) -> tuple[_State, NDArray[np.int64]]:
    """Rays at the next event on their way, and which one it is."""
    rays = state.rays
    slope, row_m, then = to_next_row(rows_m, speed_m_s, rays)
    steps = np.stack([end_m, _to_floor(floor, state, slope), _to_edge(floor, state), row_m])
    event = np.argmin(steps, axis=0)
    step = steps[event, np.arange(len(event))]
    z, sine = along_arc(rays, slope, step)
    at_row = event == _ROW
    z, sine = np.where(at_row, then.z, z), np.where(at_row, then.sine, sine)
    moved = Rays(z, rays.c + slope * (z - rays.z), sine, rays.xi, np.where(at_row, then.layer, rays.layer))
    place = state.place + step[:, None] * state.way
    over = np.flatnonzero(event == _EDGE)
    plane = state.plane.copy()
    plane[over] = _plane(floor, place[over] + _PAST_EDGE_M * state.way[over])
    time = state.time + arc_time(rays.xi, slope, step, rays.sine, sine)
    meets = (event == _FLOOR) | (moved.layer < 0)
    event = np.where(meets & state.reflected & (step < _SKIM_M), _SKIMS, event)
    return _State(state.number, place, state.way, moved, plane, meets, state.storey, time), event


def _to_floor(floor: Floor, state: _State, slope: Floats) -> Floats:
    """Range [m] to where the arc meets the plane below it, inf where it does not.

    With k = xi g, s the floor's slope along the way, A its depth below the ray, the arc ``cos(theta) = xi c`` and the
    plane meet at the range r where ``(k (A + s r) + cos(theta_1))^2 + (sin(theta_1) - k r)^2 = 1``: less its terms that
    cancel, ``k (1 + s^2) r^2 + 2 (a s - sin(theta_1)) r + A (a + cos(theta_1)) = 0`` with ``a = k A + cos(theta_1)``.
    """
    a, b, c = floor.planes[state.plane].T
    deep = a + b * state.place[:, 0] + c * state.place[:, 1]
    s = b * state.way[:, 0] + c * state.way[:, 1]
    below = np.maximum(deep - state.rays.z, 0.0)
    k, level = state.rays.xi * slope, state.rays.xi * state.rays.c
    there = k * below + level
    square, half, constant = k * (1 + s**2), there * s - state.rays.sine, below * (there + level)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = constant / (np.sqrt(half**2 - square * constant) - half)
        again = -2 * half / square  # it leaves the plane: the other root
    rises = (below <= _ON_FLOOR_M) & (half > 0)
    step = np.where(rises, again, first)
    return np.where((step >= 0) & np.isfinite(step) & ((step > 0) | ~rises), step, np.inf)


def _to_edge(floor: Floor, state: _State) -> Floats:
    """Range [m] to where the plane below ends, inf where it does not."""
    edges = floor.edges[state.plane]
    rate = np.einsum("nei,ni->ne", edges[..., :2], state.way)
    room = edges[..., 2] - np.einsum("nei,ni->ne", edges[..., :2], state.place)
    way = np.divide(np.maximum(room, 0.0), rate, out=np.full(rate.shape, np.inf), where=rate > 0)
    return np.asarray(way.min(axis=1, initial=np.inf))


def _reflected(
    floor: Floor, state: _State, event: NDArray[np.int64]
) -> tuple[_State, NDArray[np.bool_], NDArray[np.int64], Floats]:
    """Rays after what they met; which met a face, which face each of these, and its sine of the grazing angle."""
    rays = state.rays
    top, bottom = rays.layer < 0, event == _FLOOR
    _, b, c = floor.planes[state.plane].T
    normal = np.stack([b, c, -np.ones(len(b))], axis=1) / np.sqrt(1 + b**2 + c**2)[:, None]
    heading = _heading(state)
    closing = np.einsum("ni,ni->n", heading, normal)
    mirrored = heading - 2 * closing[:, None] * normal
    level = np.linalg.norm(mirrored[:, :2], axis=1)
    sine = np.where(bottom, mirrored[:, 2], np.where(top, -rays.sine, rays.sine))
    xi = np.where(bottom, level / rays.c, rays.xi)
    way = np.where(bottom[:, None], mirrored[:, :2] / level[:, None], state.way)
    # A face leads to the next storey, or back through it.
    storey = state.storey + (bottom.astype(int) - top) * (1 - 2 * (state.storey % 2))
    turned = Rays(rays.z, rays.c, sine, xi, np.maximum(rays.layer, 0))
    meets = top | bottom
    face = np.where(top, SURFACE, 1 + state.plane)[meets]
    grazing = np.where(top, np.abs(rays.sine), np.abs(closing))[meets]
    return state._replace(rays=turned, way=way, storey=storey), meets, face, grazing


def _heading(state: _State) -> Floats:
    level = np.sqrt(np.maximum(1.0 - state.rays.sine**2, 0.0))
    return np.column_stack([level[:, None] * state.way, state.rays.sine])


def _laid_out(
    floor: Floor,
    count: int,
    to_m: Floats,
    right: Floats,
    landed: list[_State],
    met: list[tuple[NDArray[np.int64], NDArray[np.int64], Floats]],
) -> Landings:
    across, unfolded, speed, time = (np.full(count, np.nan) for _ in range(4))
    heading = np.full((count, 3), np.nan)
    for state in landed:
        k = state.number
        depth = floor.depth_m(state.place)
        across[k] = np.einsum("ni,ni->n", state.place - to_m[k, :2], right[k])
        unfolded[k] = in_storey(state.storey, depth, state.rays.z)
        heading[k], speed[k], time[k] = _heading(state), state.rays.c, state.time
    number, face, sine = (np.concatenate([part[i] for part in met] or [np.zeros(0)]) for i in range(3))
    number = number.astype(np.int64)
    order = np.argsort(number, kind="stable")
    number = number[order]
    place = np.arange(len(number)) - np.searchsorted(number, number)
    faces = np.full((count, int(place.max(initial=-1)) + 1), -1, dtype=np.int8)
    grazing = np.zeros(faces.shape)
    faces[number, place], grazing[number, place] = face[order], sine[order]
    return Landings(across, unfolded, heading, speed, time, faces, grazing)


def in_storey(storey: NDArray[np.int64], floor_m: Floats, depth_m: Floats) -> Floats:
    """Unfolded depth [m] of a depth over a floor, both [m], in a storey; all broadcasting."""
    return np.asarray(storey * floor_m + np.where(storey % 2 == 0, depth_m, floor_m - depth_m))
